"""Conditions over a time: slopes, forecasts, silence, a value that does not change."""

from __future__ import annotations

from math import inf

from dewline.events import Outlook
from dewline.watch.conditions.condition import Condition
from dewline.watch.derived.approach import approach, straight_rise
from dewline.watch.derived.forecast import Forecast, reach
from dewline.watch.signals.signal_state import (
    EMPTY_BAND,
    EVERYTHING,
    FIRST_UNCERTAIN,
    Band,
    SignalState,
    above_band,
    below_band,
)
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import Falling, Reaches, Rising, RulePlan

SLOPE_DEADBAND = 0.2
SWEPT_MS = 60_000  # at least so often the watch asks every timed rule when it is due
SETTLES_MS = 2 * 60_000  # after a stop, until the gas of pipes and dead corners is mixed in
STAYS_TIMES = 1.5  # an active forecast is over when the limit is this much further away


class Slope(Condition):
    """Rising or falling: evaluated when a median of the window closes, unchanged in between.

    Slopes are in the signal's unit per hour. It raises when the bound of the interval that is
    nearer to zero exceeds the rule's slope, and is over when the slope itself is below it by
    the deadband (a fifth of the rule's slope, unless the rule says otherwise).
    """

    windowed = True

    def __init__(
        self, signal: SignalState, window: MedianWindow, condition: Rising | Falling, rule: RulePlan
    ) -> None:
        super().__init__(signal)
        self._window = window
        self._sign = 1 if isinstance(condition, Rising) else -1
        self._per_h = condition.per_h
        deadband = SLOPE_DEADBAND * self._per_h if rule.deadband is None else rule.deadband
        self._return_h = self._per_h - deadband
        self._confidence = condition.confidence

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """None until the window has enough medians for a slope."""
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
        """Every value: the median that closes is evaluated whatever its value."""
        return EVERYTHING

    held_band = band

    def limit(self) -> float | None:
        """The rule's slope per hour, negative for falling."""
        return self._per_h * self._sign


class Foreseen(Condition):
    """The signal will reach a limit within a time, by the forecast of its window.

    Evaluated when a median of the window closes. While it is active the limit may be one and a
    half times as far away. ``_below``: the value was below the limit when the alarm was last not
    active, which is the direction of a rule for both.
    """

    windowed = True
    _below: bool

    def __init__(
        self, signal: SignalState, window: MedianWindow, plan: Reaches, zero_ppm: float
    ) -> None:
        super().__init__(signal)
        self._below = True
        self._window = window
        self._plan = plan
        self._zero_ppm = zero_ppm
        # ``closes_at`` of the window, and the direction, for which the forecast was computed
        self._computed_for = (0, False)
        self._last: Forecast | None = None

    @property
    def rising(self) -> bool:
        """Whether the limit is reached from below."""
        direction = self._plan.direction
        return self._below if direction == "either" else direction == "rising"

    def _forecast(self) -> Forecast | None:
        """The forecast of the medians so far, computed once for each median that closes."""
        if self._computed_for != (self._window.closes_at, self.rising):
            self._computed_for = (self._window.closes_at, self.rising)
            self._last = self._compute()
        return self._last

    def _points(self, from_ms: int) -> list[tuple[float, float]]:
        """The medians whose buckets began at ``from_ms`` or later, in hours before the last one.

        For every window without a gap these are the same numbers.
        """
        bucket_ms = self._window.bucket_ms
        hours = bucket_ms / 3_600_000
        last = self._window.points[-1][0] if self._window.points else 0
        return [
            ((number - last) * hours, value)
            for number, value in self._window.points
            if number * bucket_ms >= from_ms
        ]

    def _compute(self) -> Forecast | None:
        points = self._points(0)
        if self.signal.unit != "ppm" or not self.rising or self._plan.limit <= 0.0:
            return approach(points, self._plan.limit, rising=self.rising)
        role = self.signal.name.rpartition(".")[2]
        return reach(points, self._plan.limit, self._zero_ppm, role)

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Beyond the limit it cannot raise, since the rule of the level itself does that."""
        value, limit = self.signal.value, self._plan.limit
        if self.signal.quality >= FIRST_UNCERTAIN or value is None:
            return None
        if not active:
            self._below = value < limit
        if value >= limit if self.rising else value <= limit:
            return True if active else None
        forecast = self._forecast()
        if forecast is None or (forecast.hours <= 0.0 and not active):
            return False  # the last medians are past the limit and the value is back from it
        within = self._plan.within_ms / 3_600_000 * (STAYS_TIMES if active else 1.0)
        return forecast.hours <= within

    def band(self) -> Band:
        """Every value: the median that closes is evaluated whatever its value."""
        return EVERYTHING

    def held_band(self) -> Band:
        """The value's side of the limit: a forecast changes only when a median closes."""
        value, limit = self.signal.value, self._plan.limit
        if value is None:
            return EMPTY_BAND
        if self.rising:
            return below_band(value, limit) if value < limit else (limit, EVERYTHING[1])
        return above_band(value, limit) if value > limit else (EVERYTHING[0], limit)

    def limit(self) -> float | None:
        """The limit that will be reached."""
        return self._plan.limit

    def outlook(self) -> Outlook:
        """When the limit is reached, from the last median on; no times where it never is."""
        forecast = self._forecast()
        times = (None, None, None) if forecast is None else (round(h * 3600) for h in forecast)
        return Outlook(self._plan.limit, self.signal.unit or "", *times)

    def reached_ms(self) -> int | None:
        """When the limit is reached, by the last forecast."""
        forecast = self._forecast()
        if forecast is None or not self._window.points:
            return None
        last_ms = self._window.points[-1][0] * self._window.bucket_ms
        return last_ms + round(forecast.hours * 3_600_000)


class ForeseenStopped(Foreseen):
    """The same in a stopped loop: only what was read since the stop counts.

    For a rule whose guard says that the box does not circulate. A box without circulation fills in
    about a straight line, which shows within a quarter of an hour; readings from before the stop
    would hide it for hours.
    """

    from_ms: int = 0

    def _compute(self) -> Forecast | None:
        since_stop = self._points(self.from_ms + SETTLES_MS)
        if self.signal.unit != "ppm" or not self.rising:
            return approach(since_stop, self._plan.limit, rising=self.rising)
        return straight_rise(since_stop, self._plan.limit, self.signal.name.rpartition(".")[2])

    def guard_began(self, at_ms: int, was: bool | None) -> None:
        """The loop stands since ``at_ms``."""
        self.from_ms = at_ms

    def began(self, at_ms: int) -> int:
        """When the loop stopped."""
        return self.from_ms


class Stale(Condition):
    """No usable reading for ``after_ms``. Time raises it; a reading that is not bad ends it.

    The time runs from the last usable reading, but never from before ``from_ms``: a restart,
    or the moment at which the rule's guard began to hold.
    """

    timed = True
    from_ms: int = 0

    def __init__(self, signal: SignalState, after_ms: int) -> None:
        super().__init__(signal)
        self._after_ms = after_ms

    def _alive_ms(self) -> int:
        return max(self.signal.alive_ms, self.from_ms)

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Whether the signal has been silent for so long."""
        return at_ms - self._alive_ms() >= self._after_ms

    def band(self) -> Band:
        """Every value: any usable reading begins the time again."""
        return EVERYTHING

    def limit(self) -> float | None:
        """The time of silence, in seconds."""
        return self._after_ms / 1000

    def began(self, at_ms: int) -> int:
        """The last usable reading."""
        return self._alive_ms()

    def due_ms(self) -> int | None:
        """When the signal will have been silent for so long."""
        return self._alive_ms() + self._after_ms

    def guard_began(self, at_ms: int, was: bool | None) -> None:
        """Begin the time of silence at ``at_ms``, unless it is not known what was before."""
        if was is False:
            self.from_ms = at_ms

    def reset(self, at_ms: int) -> None:
        """Begin the time of silence at ``at_ms``."""
        self.from_ms = at_ms


class Unchanged(Condition):
    """The same good value, unbroken, for ``for_ms``.

    Values at or below ``ignore_below`` do not count: an analyzer at its floor shows the same
    number for hours and is not frozen.
    """

    timed = True

    def __init__(self, signal: SignalState, for_ms: int, ignore_below: float | None) -> None:
        super().__init__(signal)
        self._for_ms = for_ms
        self._ignore_below = -inf if ignore_below is None else ignore_below

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """None where the signal is silent: that is another rule's matter."""
        signal = self.signal
        if signal.quality >= FIRST_UNCERTAIN or signal.value is None:
            return None
        if at_ms - signal.alive_ms >= signal.stale_ms:
            return None
        return signal.value > self._ignore_below and at_ms - signal.same_since_ms >= self._for_ms

    def _ignored(self) -> bool:
        return self.signal.value is not None and self.signal.value <= self._ignore_below

    def band(self) -> Band:
        """The value's side of ``ignore_below``, on which ``due_ms`` depends.

        Above it a rule of a minute or more needs no reading: it is asked once a minute.
        """
        if self._ignored():
            return (EVERYTHING[0], self._ignore_below)
        if self._for_ms >= SWEPT_MS:
            return EVERYTHING
        return above_band(inf, self._ignore_below)

    def limit(self) -> float | None:
        """The time without a change, in seconds."""
        return self._for_ms / 1000

    def began(self, at_ms: int) -> int:
        """The first of the equal readings."""
        return self.signal.same_since_ms

    def due_ms(self) -> int | None:
        """When the value will not have changed for so long; None while it does not count."""
        if self._ignored() or self.signal.quality >= FIRST_UNCERTAIN:
            return None
        return self.signal.same_since_ms + self._for_ms
