"""Idle baseline: the median of a trace gas between two and five at night, while nothing goes on.

The zero error of the sensor is in it. Whoever computes a source from a baseline has to carry the
zero uncertainty along.
"""

from __future__ import annotations

from statistics import median
from typing import NamedTuple

from dewline.readings import Quality
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts, sound
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import Mode

FROM_MINUTE, TO_MINUTE = 120, 300  # 02:00 and 05:00 local
FEWEST_MINUTES = 60
NIGHTS_KEPT = 60
DISTURBED: tuple[Mode, ...] = (
    "isolated", "purging", "transferring", "working", "opened", "recovering", "solvent-work",
    "commissioning", "maintenance",
)  # fmt: skip


class IdleNight(NamedTuple):
    """The baseline of one night: ``day`` as a number, flow that the bed cleaned if it is known.

    ``floored`` is 1 where the sensor was at its floor for most of the night, else 0.
    """

    day: int
    ppm: float
    cleaned_m3_h: float | None
    floored: float


class Idle(Kept):
    """The idle baselines of one gas of one box; ``nights`` has the newest last."""

    nights: list[IdleNight]
    _day: int = 0
    _ppm: list[float]
    _flow: list[float]
    _floored: int = 0

    def __init__(self, facts: BoxFacts, signal: SignalState) -> None:
        self._facts, self._signal = facts, signal
        self.nights = []
        self._ppm = []
        self._flow = []

    @property
    def latest(self) -> float | None:
        """Baseline of the last night that had one, ppm."""
        return self.nights[-1].ppm if self.nights else None

    def minute(self, day: int, minute: int, fresh: bool) -> bool:
        """Every minute; ``minute`` after local midnight of ``day``. True when it closed a night.

        ``fresh``: the gas has a good reading that is not overdue.
        """
        if not FROM_MINUTE <= minute < TO_MINUTE:
            return self._close()
        if day != self._day:
            self._day, self._ppm, self._flow, self._floored = day, [], [], 0
        ppm = sound(self._signal) if fresh else None
        if ppm is not None and not self._facts.in_modes(*DISTURBED):
            self._ppm.append(ppm)
            self._floored += self._signal.quality == Quality.LOW
            flow = self._facts.cleaned_m3_h
            if flow is not None:
                self._flow.append(flow)
        return False

    def _close(self) -> bool:
        enough = len(self._ppm) >= FEWEST_MINUTES
        if enough:
            flow = median(self._flow) if self._flow else None
            floored = float(2 * self._floored > len(self._ppm))
            night = IdleNight(self._day, median(self._ppm), flow, floored)
            self.nights = [*self.nights, night][-NIGHTS_KEPT:]
        self._ppm, self._flow = [], []
        return enough
