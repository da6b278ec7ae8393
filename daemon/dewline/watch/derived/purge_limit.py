"""The level of a trace gas that a purge explains, ppm; more than that comes with its gas.

A purge drives the box towards the gas of its supply. What the box held when it began has to fall,
so the limit follows the lowest level seen since then, down to the impurity of the supply. A level
of oxygen that stands still above that impurity is explained no longer either; one of moisture is,
because the walls of a box that was open give off water for days.
"""

from __future__ import annotations

from dewline.readings import Quality
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts, is_on, sound
from dewline.watch.signals.signal_state import SignalState

# Mixing and lag make a falling level waver by so much. Common practice, no source.
WAVERS = 1.25
# A level that has not fallen to this share within this time stands still: at 10 L/min a box of
# 1.2 m3 loses a fifth of its oxygen in that time.
FALLS_TO = 0.95
STANDS_AFTER_MS = 30 * 60_000


class PurgeLimit(Kept):
    """One trace gas of one box.

    ``_lowest``: level since the purge began, None until one is known. ``_mark`` and ``_fell_ms``:
    the last level to which it has fallen for certain, and when. ``began_ms``, ``ended_ms`` and
    ``beyond``: of the last purge, when it began and ended, and the highest level over its limit.
    """

    began_ms: int | None = None
    ended_ms: int | None = None
    beyond: float = 0.0
    _lowest: float | None = None
    _mark: float = 0.0
    _fell_ms: int = 0

    def __init__(self, facts: BoxFacts, purging: SignalState, gas: str, level: SignalState) -> None:
        self._bit, self._gas, self._level = purging, gas, level
        self._impurity_ppm = facts.impurity_ppm[gas]

    @property
    def purging(self) -> bool:
        """Whether a purge is on; a bad bit leaves it as it was."""
        return self.began_ms is not None and self.ended_ms is None

    def update(self, at_ms: int) -> float | None:
        """Take in the level now; call it when a purge begins or ends, and every minute.

        Gives the limit: without a purge the impurity of the supply, and None while it is not known
        what the box held when the purge began.
        """
        on = is_on(self._bit)
        if on and not self.purging:
            self.began_ms, self.ended_ms = at_ms, None
            self.beyond, self._lowest = 0.0, None
        elif on is False and self.purging:
            self.ended_ms = at_ms
        if not self.purging:
            return self._impurity_ppm
        level = sound(self._level)
        if level is not None:
            self._follow(at_ms, level)
        limit = None if self._lowest is None else self._limit(at_ms, self._lowest)
        if limit and self._level.value is not None and self._level.quality <= Quality.OVER_RANGE:
            self.beyond = max(self.beyond, self._level.value / limit)
        return limit

    def brought(self, at_ms: int, slack_ms: int) -> bool:
        """Whether the last purge was on at a time, give or take ``slack_ms``."""
        if self.began_ms is None or at_ms < self.began_ms - slack_ms:
            return False
        return self.ended_ms is None or at_ms <= self.ended_ms + slack_ms

    def _follow(self, at_ms: int, level: float) -> None:
        if self._lowest is None or level < FALLS_TO * self._mark:
            self._mark, self._fell_ms = level, at_ms
        self._lowest = level if self._lowest is None else min(self._lowest, level)

    def _limit(self, at_ms: int, lowest: float) -> float:
        stands = self._gas == "oxygen" and at_ms - self._fell_ms >= STANDS_AFTER_MS
        return max(self._impurity_ppm, 0.0 if stands else WAVERS * lowest)

    def reset(self) -> None:
        """After a gap: what the box holds is not known."""
        self._lowest = None
