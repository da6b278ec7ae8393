"""The latest reading of every signal, and when each is due to be shown again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dewline.readings import Quality, Reading, iso_utc


@dataclass(slots=True)
class _Slot:
    reading: Reading
    time_ms: int
    shown_at_s: float = -math.inf
    shown_quality: Quality | None = None


class LatestReadings:
    """Shows a signal at most every ``every_s``, and at once when its quality changes.

    ``units`` gives the unit of a full signal name. Moments are monotonic seconds.
    """

    def __init__(self, units: Mapping[str, str], every_s: float) -> None:
        self._units = units
        self._every_s = every_s
        self._slots: dict[str, _Slot] = {}
        # Taken and not looked at yet: of what comes between two looks only the last counts.
        self._taken: dict[str, Reading] = {}
        self._taken_ms: dict[str, int] = {}
        self._fresh: set[str] = set()

    def take(self, readings: Mapping[str, Reading], time_ms: int) -> None:
        """Remember ``readings``, taken at ``time_ms``."""
        if not readings:
            return
        self._taken.update(readings)
        self._taken_ms.update(dict.fromkeys(readings, time_ms))

    def _look(self) -> None:
        for signal, reading in self._taken.items():
            slot = self._slots.get(signal)
            if slot is None:
                self._slots[signal] = _Slot(reading, self._taken_ms[signal])
            else:
                slot.reading, slot.time_ms = reading, self._taken_ms[signal]
        self._fresh.update(self._taken)
        self._taken.clear()

    def restate(self) -> None:
        """Make everything known due at once, for a far side that may have forgotten it."""
        self._look()
        for slot in self._slots.values():
            slot.shown_quality = None
        self._fresh.update(self._slots)

    def knows(self, signal: str) -> bool:
        """Whether the plan names the signal or a reading of it has come."""
        return signal in self._units or signal in self._slots or signal in self._taken

    def next_due_s(self) -> float:
        """The moment at which the next fresh reading is due; infinity where there is none."""
        self._look()
        return min((self._due_s(self._slots[signal]) for signal in self._fresh), default=math.inf)

    def due(self, now_s: float) -> list[tuple[str, dict[str, Any]]]:
        """(signal, document) of all that is due, counted as shown from now on."""
        self._look()
        due = sorted(s for s in self._fresh if self._due_s(self._slots[s]) <= now_s)
        self._fresh.difference_update(due)
        return [(signal, self._show(signal, now_s)) for signal in due]

    def _due_s(self, slot: _Slot) -> float:
        if slot.reading.quality is not slot.shown_quality:
            return -math.inf
        return slot.shown_at_s + self._every_s

    def _show(self, signal: str, now_s: float) -> dict[str, Any]:
        slot = self._slots[signal]
        slot.shown_at_s, slot.shown_quality = now_s, slot.reading.quality
        value = slot.reading.value
        return {
            "value": value if value is not None and math.isfinite(value) else None,
            "unit": self._units.get(signal),
            "quality": slot.reading.quality.text,
            "time": iso_utc(slot.time_ms),
        }
