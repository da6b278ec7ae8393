"""The latest reading of every signal, and when it is to be published again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dewline.events import PresentReading
from dewline.readings import Judged, Quality, Reading, StandingVerdicts, Verdict, iso_utc
from dewline.typed_json import Json


@dataclass(slots=True)
class _Entry:
    """A signal's latest reading, and when and with which quality one was last published.

    ``judged``: the reading under the verdicts that stand.
    """

    reading: Reading
    judged: Judged
    time_ms: int
    published_at_s: float = -math.inf
    published_quality: Quality | None = None


class LatestReadings:
    """Publishes a signal at most once per ``every_s``, and at once when its quality changes.

    ``units`` gives the unit of a full signal name. ``verdicts``: those of the watch that stand
    now. Moments are monotonic seconds.
    """

    def __init__(
        self, units: Mapping[str, str], every_s: float, verdicts: Iterable[Verdict] = ()
    ) -> None:
        self._verdicts = StandingVerdicts(verdicts)
        self._units = units
        self._every_s = every_s
        self._entries: dict[str, _Entry] = {}
        # Updates come far more often than questions. They wait here for the next question, when
        # only the last reading of each signal counts.
        self._updates: dict[str, Reading] = {}
        self._updates_ms: dict[str, int] = {}
        self._unpublished: set[str] = set()

    def update(self, readings: Mapping[str, Reading], time_ms: int) -> None:
        """Keep ``readings`` of the wall time ``time_ms``."""
        if readings:
            self._updates.update(readings)
            self._updates_ms.update(dict.fromkeys(readings, time_ms))

    def judge(self, verdicts: Iterable[Verdict]) -> None:
        """Take in verdicts that began or ended: the readings concerned are judged anew."""
        self._apply_updates()
        for signal in self._verdicts.change(verdicts):
            entry = self._entries.get(signal)
            if entry is not None:
                entry.judged = self._verdicts.judge(signal, entry.reading)
                self._unpublished.add(signal)

    def present(self, signal: str) -> PresentReading | None:
        """What a signal shows now; None where no reading of it has come."""
        self._apply_updates()
        entry = self._entries.get(signal)
        if entry is None:
            return None
        quality, time = entry.judged.quality.text, iso_utc(entry.time_ms)
        return {"value": _finite(entry.judged.shown), "quality": quality, "time": time}

    def restate(self) -> None:
        """Make every known signal due at once, for a broker that may have lost it."""
        self._apply_updates()
        for entry in self._entries.values():
            entry.published_quality = None
        self._unpublished.update(self._entries)

    def knows(self, signal: str) -> bool:
        """Whether the plan names the signal or a reading of it has come."""
        return signal in self._units or signal in self._entries or signal in self._updates

    def next_due_s(self) -> float:
        """The moment at which the next reading is due; infinity where all are published."""
        self._apply_updates()
        moments = (self._due_s(self._entries[signal]) for signal in self._unpublished)
        return min(moments, default=math.inf)

    def due(self, now_s: float) -> list[tuple[str, dict[str, Json]]]:
        """(signal, message) of all that is due by ``now_s``; they count as published then."""
        self._apply_updates()
        due = sorted(s for s in self._unpublished if self._due_s(self._entries[s]) <= now_s)
        self._unpublished.difference_update(due)
        return [(signal, self._publish(signal, now_s)) for signal in due]

    def _apply_updates(self) -> None:
        for signal, reading in self._updates.items():
            judged = self._verdicts.judge(signal, reading)
            entry = self._entries.get(signal)
            if entry is None:
                self._entries[signal] = _Entry(reading, judged, self._updates_ms[signal])
            else:
                entry.reading, entry.judged = reading, judged
                entry.time_ms = self._updates_ms[signal]
        self._unpublished.update(self._updates)
        self._updates.clear()

    def _due_s(self, entry: _Entry) -> float:
        if entry.judged.quality is not entry.published_quality:
            return -math.inf
        return entry.published_at_s + self._every_s

    def _publish(self, signal: str, now_s: float) -> dict[str, Json]:
        """The message: ``value`` is null where there is no finite number.

        ``quality`` is what the watch says, ``since`` when that began, and ``raw`` what the bus
        says. ``since`` is null where the watch has nothing to add.
        """
        entry = self._entries[signal]
        judged = entry.judged
        entry.published_at_s, entry.published_quality = now_s, judged.quality
        return {
            "value": _finite(judged.shown),
            "unit": self._units.get(signal),
            "quality": judged.quality.text,
            "raw": judged.raw.text,
            "since": None if judged.since_ms is None else iso_utc(judged.since_ms),
            "time": iso_utc(entry.time_ms),
        }


def _finite(value: float | None) -> float | None:
    """JSON has no form for another number."""
    return value if value is not None and math.isfinite(value) else None
