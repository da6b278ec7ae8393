"""Conditions on a stretch of time: slopes, outlooks, silence, a value that stands still."""

from __future__ import annotations

from math import inf
from typing import Any

from dewline.watch.conditions.condition import StatelessCondition
from dewline.watch.derived.forecast import Forecast, reach
from dewline.watch.signals.signal_state import (
    EVERYTHING,
    FIRST_UNCERTAIN,
    NOTHING_QUIET,
    Band,
    SignalState,
    above_band,
    below_band,
)
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import Falling, Reaches, Rising, RulePlan

SLOPE_DEADBAND = 0.2
SWEPT_MS = 60_000  # the watch asks every rule so often when it is due
STAYS_TIMES = 1.5  # an outlook that stands is over when it is this much further away


class Slope(StatelessCondition):
    """Rising or falling: judged when a median closes, held between."""

    windowed = True

    def __init__(
        self, signal: SignalState, window: MedianWindow, condition: Rising | Falling, rule: RulePlan
    ) -> None:
        self.signal = signal
        self._window = window
        self._sign = 1 if isinstance(condition, Rising) else -1
        self._per_h = condition.per_h
        deadband = SLOPE_DEADBAND * self._per_h if rule.deadband is None else rule.deadband
        self._return_h = self._per_h - deadband
        self._confidence = condition.confidence

    def truth(self, at_ms: int, active: bool) -> bool | None:
        if self.signal.quality >= FIRST_UNCERTAIN:
            return None
        estimate = self._window.estimate(self._confidence)
        if estimate is None:
            return None
        if active:
            return not estimate.slope * self._sign < self._return_h
        bound = estimate.low if self._sign > 0 else -estimate.high
        return bound > self._per_h

    def band(self) -> Band:
        return EVERYTHING  # a closing median is loud by itself

    held_band = band

    def limit(self) -> float | None:
        return self._per_h * self._sign


class Foreseen(StatelessCondition):
    """Reaches a limit within a time, by the outlook; judged when a median closes."""

    windowed = True

    def __init__(
        self, signal: SignalState, window: MedianWindow, plan: Reaches, zero_ppm: float
    ) -> None:
        self.signal = signal
        self._window = window
        self._plan = plan
        self._zero_ppm = zero_ppm
        self._asked = 0
        self._told: Forecast | None = None

    def _forecast(self) -> Forecast | None:
        if self._asked != self._window.closes_at:
            self._asked = self._window.closes_at
            hours = self._window.bucket_ms / 3_600_000
            # Before the last one: exactly the same times for every window without a gap.
            last = self._window.points[-1][0] if self._window.points else 0
            points = [((number - last) * hours, value) for number, value in self._window.points]
            role = self.signal.name.rpartition(".")[2]
            self._told = reach(points, self._plan.limit, self._zero_ppm, role)
        return self._told

    def truth(self, at_ms: int, active: bool) -> bool | None:
        if self.signal.quality >= FIRST_UNCERTAIN or self.signal.value is None:
            return None
        if self.signal.value >= self._plan.limit:
            return True if active else None  # the level's own rule speaks
        forecast = self._forecast()
        if forecast is None:
            return False
        within = self._plan.within_ms / 3_600_000 * (STAYS_TIMES if active else 1.0)
        return forecast.hours <= within

    def band(self) -> Band:
        return EVERYTHING  # a closing median is loud by itself

    def held_band(self) -> Band:
        """Its side of the limit: a forecast changes only when a median closes."""
        value, limit = self.signal.value, self._plan.limit
        if value is None:
            return NOTHING_QUIET
        return below_band(value, limit) if value < limit else (limit, EVERYTHING[1])

    def limit(self) -> float | None:
        return self._plan.limit


class Stale(StatelessCondition):
    """No usable reading for a while. Moved by ticks; a reading that is not bad ends it."""

    timed = True

    def __init__(self, signal: SignalState, after_ms: int) -> None:
        self.signal = signal
        self._after_ms = after_ms
        self.from_ms = 0  # the clock never starts before the guard let the rule speak

    def _alive_ms(self) -> int:
        return max(self.signal.alive_ms, self.from_ms)

    def truth(self, at_ms: int, active: bool) -> bool | None:
        return at_ms - self._alive_ms() >= self._after_ms

    def band(self) -> Band:
        return EVERYTHING

    def limit(self) -> float | None:
        return self._after_ms / 1000

    def began(self, at_ms: int) -> int:
        return self._alive_ms()

    def due_ms(self) -> int | None:
        return self._alive_ms() + self._after_ms

    def reset(self, at_ms: int) -> None:
        self.from_ms = at_ms

    def save(self) -> dict[str, Any]:
        return {"from_ms": self.from_ms}

    def restore(self, state: dict[str, Any]) -> None:
        self.from_ms = state["from_ms"]


class Unchanged(StatelessCondition):
    """The very same good value, unbroken, for a while; small values do not count."""

    timed = True

    def __init__(self, signal: SignalState, for_ms: int, ignore_below: float | None) -> None:
        self.signal = signal
        self._for_ms = for_ms
        self._ignore_below = -inf if ignore_below is None else ignore_below

    def truth(self, at_ms: int, active: bool) -> bool | None:
        signal = self.signal
        if signal.quality >= FIRST_UNCERTAIN or signal.value is None:
            return None
        if at_ms - signal.alive_ms >= signal.stale_ms:
            return None  # it is silent, not frozen
        return signal.value > self._ignore_below and at_ms - signal.same_since_ms >= self._for_ms

    def _ignored(self) -> bool:
        return self.signal.value is not None and self.signal.value <= self._ignore_below

    def band(self) -> Band:
        """Its side of what is ignored: when it is due hangs on that, looked at every minute."""
        if self._ignored():
            return (EVERYTHING[0], self._ignore_below)
        if self._for_ms >= SWEPT_MS:
            return EVERYTHING
        return above_band(inf, self._ignore_below)

    def limit(self) -> float | None:
        return self._for_ms / 1000

    def began(self, at_ms: int) -> int:
        return self.signal.same_since_ms

    def due_ms(self) -> int | None:
        if self._ignored() or self.signal.quality >= FIRST_UNCERTAIN:
            return None
        return self.signal.same_since_ms + self._for_ms
