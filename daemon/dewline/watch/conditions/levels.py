"""Conditions on the latest value: levels, switches, and how often a level began."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import inf

from dewline.readings import Quality
from dewline.watch.conditions.condition import Condition
from dewline.watch.signals.signal_state import (
    EMPTY_BAND,
    EVERYTHING,
    FIRST_UNCERTAIN,
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


class Level(Condition):
    """A value against one or two limits: above, below, outside, and the bits.

    ``_crossed_high``: which limit was crossed last, for the event to show.
    """

    _crossed_high: bool

    def __init__(
        self, signal: SignalState, low: Limit | None, high: Limit | None, deadband: float
    ) -> None:
        super().__init__(signal)
        self.low = low
        self.high = high
        self._deadband = deadband
        self._crossed_high = high is not None

    def limit_signals(self) -> tuple[SignalState, ...]:
        """The signals that hold its limits; a limit that is a number has none."""
        limits = (self.low, self.high)
        return tuple(x.signal for x in limits if x is not None and x.signal is not None)

    def bounds(self) -> tuple[float, float]:
        """The limits now; a side without a limit, or with a bad one, is at infinity."""
        low = self.low.value if self.low is not None else None
        high = self.high.value if self.high is not None else None
        return (-inf if low is None else low, inf if high is None else high)

    def _blind(self) -> bool:
        """Whether the signal of a limit is bad: nothing may clear."""
        return (self.low is not None and self.low.value is None) or (
            self.high is not None and self.high.value is None
        )

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Whether the value is beyond a limit, or while active within the deadband of it.

        Over-range and under-range count on their own side only; other doubtful qualities, and
        a bad limit where the value is beyond none, give None.
        """
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
        self._crossed_high = high
        return True

    def band(self) -> Band:
        """Between the limits."""
        low, high = self.bounds()
        return (max(low, EVERYTHING[0]), min(high, EVERYTHING[1]))

    def held_band(self) -> Band:
        """Beyond the limit, or within its deadband: crossing the limit again is outside it.

        The event shows the limit that was crossed last, so a new crossing has to be noticed.
        """
        value = self.signal.value
        if value is None or self._blind():
            return EMPTY_BAND
        low, high = self.bounds()
        if value > high:
            return (high - self._deadband, EVERYTHING[1])
        if value < low:
            return (EVERYTHING[0], low + self._deadband)
        if value >= high - self._deadband:
            return (high - self._deadband, high)
        return (low, low + self._deadband) if value <= low + self._deadband else EMPTY_BAND

    def limit(self) -> float | None:
        """The limit that was crossed last."""
        side = self.high if self._crossed_high else self.low
        return side.value if side is not None else None


class Switch(Level):
    """``true_for`` and ``false_for``: a bit as a level, with the rule's own time as its limit."""

    def __init__(self, signal: SignalState, on: bool, for_ms: int, signal_of: SignalOf) -> None:
        half = Limit(0.5, signal_of)
        super().__init__(signal, None if on else half, half if on else None, 0.0)
        self._for_ms = for_ms

    def limit(self) -> float | None:
        """The time for which the bit has to stand, in seconds."""
        return self._for_ms / 1000


class Counted(Condition):
    """A level that began ``count`` times in the window (t - within, t].

    ``_begun``: watch times (ms) at which it began, the last ``count`` of them.
    """

    _inside: bool = False
    _begun: deque[int]
    _level: Level

    def __init__(self, level: Level, count: int, within_ms: int) -> None:
        super().__init__(level.signal)
        self._level = level
        self._count = count
        self._within_ms = within_ms
        self._begun = deque(maxlen=count)

    def limit_signals(self) -> tuple[SignalState, ...]:
        """The signals that hold the limits of the level."""
        return self._level.limit_signals()

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Whether the level began often enough; None where the level says nothing."""
        inside = self._level.truth(at_ms, self._inside)
        if inside is None:
            return None
        if inside and not self._inside:
            self._begun.append(at_ms)
        self._inside = inside
        return len(self._begun) == self._count and self._begun[0] > at_ms - self._within_ms

    def band(self) -> Band:
        """The band of the level; none inside it, where its end has to be noticed."""
        return EMPTY_BAND if self._inside else self._level.band()

    def limit(self) -> float | None:
        """How many times."""
        return float(self._count)

    def began(self, at_ms: int) -> int:
        """When the first of the counted times began."""
        return self._begun[0] if self._begun else at_ms
