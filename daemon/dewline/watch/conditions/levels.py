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
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import SignalLimit

BEST_OVER_MS = 10 * 3_600_000  # the window whose medians, of ten minutes, are compared
FEWEST_MEDIANS = 6  # so many are needed before a best is known
BEST_DAYS = 90
DAY_MS = 86_400_000
# What a person notes when a flow, a speed or a vacuum is new again, by the end of its role.
RENEWED_BY = {
    "circulation_flow": "filter",
    "blower_speed": "filter",
    "filter_differential": "filter",
    "foreline_pressure": "pump-oil",
}

SignalOf = Callable[[str], SignalState]


class Limit:
    """A number, or a signal that holds it, times a factor or plus a step."""

    __slots__ = ("_number", "_plus", "_times", "signal")

    def __init__(
        self, limit: float | str | SignalLimit, signal_of: SignalOf, times: float = 1.0
    ) -> None:
        self.signal: SignalState | None = None
        self._number: float | None = None
        self._plus = 0.0
        self._times = times
        if isinstance(limit, str):
            self.signal = signal_of(limit)
        elif isinstance(limit, SignalLimit):
            self.signal = signal_of(limit.signal)
            self._number, self._plus = limit.otherwise, limit.plus
        else:
            self._number = limit

    @property
    def value(self) -> float | None:
        """The limit now; None while its signal is not good and no number stands in for it."""
        usable = None if self.signal is None else self.signal.usable
        if usable is None:
            return self._number
        # A zero that has drifted below 0 has no share: what is above it is above 0.
        held = usable if self._times == 1.0 else max(0.0, usable * self._times)
        return held + self._plus


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

        None where nothing can be said and the alarm stays as it is: for a doubtful quality, but
        over-range and under-range count on their own side, and where a limit is bad.
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

    def crossed_low(self) -> bool:
        """Whether that was the lower one."""
        return not self._crossed_high


class AgainstBest(Level):
    """A value against ``times`` the best level of this signal at this box.

    The best is the highest median of ten minutes in ninety days (for ``high`` the lowest above
    zero), of times in which the rule's guards held. Of a role of ``RENEWED_BY`` it is the best
    since the last such note, however old, since it would age with what wears. ``_days``: the best
    of each day, by the number of the day. ``_medians``: how many there were. ``_bucket``: the last
    one counted.
    """

    windowed = True
    band_moves = True
    _days: deque[tuple[int, float]]
    _medians: int = 0
    _bucket: int = -1

    def __init__(
        self,
        signal: SignalState,
        window: MedianWindow,
        times: float,
        deadband: float,
        *,
        high: bool,
    ) -> None:
        super().__init__(signal, None, None, deadband)
        self._window = window
        self._times = times
        self._high = high
        self._crossed_high = high
        self._days = deque(maxlen=BEST_DAYS)
        self._renewed_by = RENEWED_BY.get(signal.name.rpartition(".")[2])

    def best(self) -> float | None:
        """The best level; None until enough is known."""
        if self._medians < FEWEST_MEDIANS or not self._days:
            return None
        levels = [level for _, level in self._days]
        return min(levels) if self._high else max(levels)

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """As of a level, after a median that has closed was counted."""
        if self._window.points and self._window.points[-1][0] != self._bucket:
            self._bucket, level = self._window.points[-1]
            if level > 0.0:
                self._medians += 1
                self._count(at_ms // DAY_MS, level)
        return super().truth(at_ms, active)

    def _count(self, day: int, level: float) -> None:
        while self._days and self._days[0][0] <= day - BEST_DAYS:
            old = self._days.popleft()
            if self._renewed_by is not None:
                self._carry(old)
        if self._days and self._days[-1][0] == day:
            last = self._days.pop()[1]
            level = min(level, last) if self._high else max(level, last)
        self._days.append((day, level))

    def bounds(self) -> tuple[float, float]:
        """The share of the best on its side; nothing is bounded until a best is known."""
        limit = self.limit()
        if limit is None:
            return (-inf, inf)
        return (-inf, limit) if self._high else (limit, inf)

    def _carry(self, old: tuple[int, float]) -> None:
        """Let the next day have the level of one that is dropped, where that is better."""
        day, level = self._days[0] if self._days else (old[0] + BEST_DAYS, old[1])
        better = min(level, old[1]) if self._high else max(level, old[1])
        if self._days:
            self._days[0] = day, better
        else:
            self._days.append((day, better))

    def note(self, kind: str) -> None:
        """Begin the best anew once what it measures has been renewed."""
        if kind == self._renewed_by:
            self._days.clear()
            self._medians = 0

    def _blind(self) -> bool:
        return self.limit() is None

    def limit(self) -> float | None:
        """The share of the best; None until a best is known."""
        best = self.best()
        return None if best is None else best * self._times


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
