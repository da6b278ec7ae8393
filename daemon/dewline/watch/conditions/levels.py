"""Conditions on the latest value: levels, switches, and how often a level began."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import inf
from typing import Any

from dewline.readings import Quality
from dewline.watch.conditions.condition import StatelessCondition
from dewline.watch.signals.signal_state import (
    EVERYTHING,
    FIRST_UNCERTAIN,
    NOTHING_QUIET,
    Band,
    SignalState,
)

SignalOf = Callable[[str], SignalState]


class Limit:
    """A number, or a signal that holds it, times a factor."""

    __slots__ = ("_number", "_times", "signal")

    def __init__(self, limit: float | str, signal_of: SignalOf, times: float = 1.0) -> None:
        self.signal = signal_of(limit) if isinstance(limit, str) else None
        self._number = limit if not isinstance(limit, str) else None
        self._times = times

    @property
    def value(self) -> float | None:
        """The limit now; None while its signal is not good."""
        if self.signal is None:
            return self._number
        usable = self.signal.usable
        return None if usable is None else usable * self._times


class Level(StatelessCondition):
    """Above, below, outside, true and false: a value against one or two limits."""

    def __init__(
        self, signal: SignalState, low: Limit | None, high: Limit | None, deadband: float
    ) -> None:
        self.signal = signal
        self.low = low
        self.high = high
        self._deadband = deadband
        self._crossed = high or low

    def limit_signals(self) -> tuple[SignalState, ...]:
        limits = (self.low, self.high)
        return tuple(x.signal for x in limits if x is not None and x.signal is not None)

    def bounds(self) -> tuple[float, float]:
        """The limits now; a side without a limit, or with a bad one, is at infinity."""
        low = self.low.value if self.low is not None else None
        high = self.high.value if self.high is not None else None
        return (-inf if low is None else low, inf if high is None else high)

    def _blind(self) -> bool:
        """A limit signal is bad: nothing may clear."""
        return (self.low is not None and self.low.value is None) or (
            self.high is not None and self.high.value is None
        )

    def truth(self, at_ms: int, active: bool) -> bool | None:
        quality, value = self.signal.quality, self.signal.value
        if quality >= Quality.WARMING_UP or value is None:
            return None
        low, high = self.bounds()
        beyond_high, beyond_low = value > high, value < low
        if quality >= FIRST_UNCERTAIN:
            own = beyond_high if quality == Quality.OVER_RANGE else beyond_low
            return self._cross(beyond_high) if own else None
        if beyond_high or beyond_low:
            return self._cross(beyond_high)
        if self._blind():
            return None
        if not active:
            return False
        return not low + self._deadband < value < high - self._deadband

    def _cross(self, high: bool) -> bool:
        self._crossed = self.high if high else self.low
        return True

    def band(self) -> Band:
        low, high = self.bounds()
        return (max(low, EVERYTHING[0]), min(high, EVERYTHING[1]))

    def held_band(self) -> Band:
        """Beyond the limit and its deadband; a limit that is crossed anew is told anew."""
        value = self.signal.value
        if value is None or self._blind():
            return NOTHING_QUIET
        low, high = self.bounds()
        if value > high:
            return (high - self._deadband, EVERYTHING[1])
        if value < low:
            return (EVERYTHING[0], low + self._deadband)
        if value >= high - self._deadband:
            return (high - self._deadband, high)
        return (low, low + self._deadband) if value <= low + self._deadband else NOTHING_QUIET

    def limit(self) -> float | None:
        return self._crossed.value if self._crossed is not None else None

    def save(self) -> dict[str, Any]:
        return {"crossed_high": self._crossed is self.high}

    def restore(self, state: dict[str, Any]) -> None:
        self._crossed = (self.high if state["crossed_high"] else self.low) or self._crossed


class Switch(Level):
    """``true_for`` and ``false_for``: a level whose own time is shown as the limit."""

    def __init__(self, signal: SignalState, on: bool, for_ms: int, signal_of: SignalOf) -> None:
        half = Limit(0.5, signal_of)
        super().__init__(signal, None if on else half, half if on else None, 0.0)
        self._for_ms = for_ms

    def limit(self) -> float | None:
        return self._for_ms / 1000


class Counted(StatelessCondition):
    """A level that began ``count`` times in the window (t - within, t]."""

    def __init__(self, level: Level, count: int, within_ms: int) -> None:
        self.signal = level.signal
        self._level = level
        self._count = count
        self._within_ms = within_ms
        self._inside = False
        self._begun: deque[int] = deque(maxlen=count)

    def limit_signals(self) -> tuple[SignalState, ...]:
        return self._level.limit_signals()

    def truth(self, at_ms: int, active: bool) -> bool | None:
        inside = self._level.truth(at_ms, self._inside)
        if inside is None:
            return None
        if inside and not self._inside:
            self._begun.append(at_ms)
        self._inside = inside
        return len(self._begun) == self._count and self._begun[0] > at_ms - self._within_ms

    def band(self) -> Band:
        return NOTHING_QUIET if self._inside else self._level.band()

    def limit(self) -> float | None:
        return float(self._count)

    def began(self, at_ms: int) -> int:
        return self._begun[0] if self._begun else at_ms

    def save(self) -> dict[str, Any]:
        return {"inside": self._inside, "begun": list(self._begun), "level": self._level.save()}

    def restore(self, state: dict[str, Any]) -> None:
        self._inside = state["inside"]
        self._begun.extend(state["begun"])
        self._level.restore(state["level"])
