"""Conditions: what each kind of rule says of its signal, before any delay.

``truth(at_ms, active)`` answers True (the condition holds), False (it is over)
or None (this reading may neither raise nor clear). ``active`` chooses the side
of the deadband. Strict > and <; a high limit clears below limit - deadband.

Only good readings are measured against limits. Over-range and under-range may
raise on their own side; every other uncertain or bad quality says nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from math import inf
from typing import Any, Protocol, assert_never

from dewline.readings import Quality
from dewline.watch.outlook import Forecast, reach
from dewline.watch.plan import (
    Above,
    AboveOwn,
    Below,
    Condition,
    Count,
    Falling,
    FalseFor,
    Outside,
    Reaches,
    Rising,
    RulePlan,
    StaleAfter,
    TrueFor,
    UnchangedFor,
)
from dewline.watch.slope import MedianWindow
from dewline.watch.slots import (
    EVERYTHING,
    FIRST_UNCERTAIN,
    NOTHING_QUIET,
    Band,
    Slot,
    below_band,
)

SLOPE_DEADBAND = 0.2
SlotOf = Callable[[str], Slot]
WindowOf = Callable[[Slot, int], MedianWindow]
ZeroOf = Callable[[str], float]
ZERO_PPM = 0.2
LOOK_BACK_MS = 4 * 3_600_000
STAYS_TIMES = 1.5  # an outlook that stands is over when it is this much further away


class Teller(Protocol):
    """A condition at work. Closed set: the classes of this file."""

    slot: Slot
    timed: bool  # moved by ticks, not by readings alone
    windowed: bool  # looks at a window of the signal, so at each that closes

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Does it hold, on the readings so far?"""

    def band(self) -> Band:
        """Values that cannot raise it while it is idle."""

    def held_band(self) -> Band:
        """Values that cannot end it while it is active."""

    def leans_on(self) -> tuple[Slot, ...]:
        """Signals that hold its limits."""

    def limit(self) -> float | None:
        """What an event shows as the limit."""

    def began(self, at_ms: int) -> int:
        """Since when it holds, where ``at_ms`` is the first qualifying sample."""

    def due_ms(self) -> int | None:
        """When a tick may make it true; None if only readings do."""

    def start_anew(self, at_ms: int) -> None:
        """Begin clocks again after a gap."""

    def save(self) -> dict[str, Any]: ...

    def restore(self, state: dict[str, Any]) -> None: ...


class Limit:
    """A number, or a signal that holds it, times a factor."""

    __slots__ = ("_number", "_times", "slot")

    def __init__(self, limit: float | str, slot_of: SlotOf, times: float = 1.0) -> None:
        self.slot = slot_of(limit) if isinstance(limit, str) else None
        self._number = limit if not isinstance(limit, str) else None
        self._times = times

    @property
    def value(self) -> float | None:
        """The limit now; None while its signal is not good."""
        if self.slot is None:
            return self._number
        usable = self.slot.usable
        return None if usable is None else usable * self._times


class _Plain:
    """What most conditions share: no clock of their own and nothing to save."""

    slot: Slot
    timed = False
    windowed = False

    def leans_on(self) -> tuple[Slot, ...]:
        return ()

    def held_band(self) -> Band:
        return NOTHING_QUIET

    def began(self, at_ms: int) -> int:
        return at_ms

    def due_ms(self) -> int | None:
        return None

    def start_anew(self, at_ms: int) -> None:
        return None

    def save(self) -> dict[str, Any]:
        return {}

    def restore(self, state: dict[str, Any]) -> None:
        return None


class Level(_Plain):
    """Above, below, outside, true and false: a value against one or two limits."""

    def __init__(self, slot: Slot, low: Limit | None, high: Limit | None, deadband: float) -> None:
        self.slot = slot
        self.low = low
        self.high = high
        self._deadband = deadband
        self._crossed = high or low

    def leans_on(self) -> tuple[Slot, ...]:
        limits = (self.low, self.high)
        return tuple(x.slot for x in limits if x is not None and x.slot is not None)

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
        quality, value = self.slot.quality, self.slot.value
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
        value = self.slot.value
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

    def __init__(self, slot: Slot, on: bool, for_ms: int, slot_of: SlotOf) -> None:
        half = Limit(0.5, slot_of)
        super().__init__(slot, None if on else half, half if on else None, 0.0)
        self._for_ms = for_ms

    def limit(self) -> float | None:
        return self._for_ms / 1000


class Slope(_Plain):
    """Rising or falling: judged when a median closes, held between."""

    windowed = True

    def __init__(
        self, slot: Slot, window: MedianWindow, condition: Rising | Falling, rule: RulePlan
    ) -> None:
        self.slot = slot
        self._window = window
        self._sign = 1 if isinstance(condition, Rising) else -1
        self._per_h = condition.per_h
        deadband = SLOPE_DEADBAND * self._per_h if rule.deadband is None else rule.deadband
        self._return_h = self._per_h - deadband
        self._confidence = condition.confidence

    def truth(self, at_ms: int, active: bool) -> bool | None:
        if self.slot.quality >= FIRST_UNCERTAIN:
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


class Foreseen(_Plain):
    """Reaches a limit within a time, by the outlook; judged when a median closes."""

    windowed = True

    def __init__(self, slot: Slot, window: MedianWindow, plan: Reaches, zero_ppm: float) -> None:
        self.slot = slot
        self._window = window
        self._plan = plan
        self._zero_ppm = zero_ppm
        self._asked = 0
        self._told: Forecast | None = None

    def _forecast(self) -> Forecast | None:
        if self._asked != self._window.closes_at:
            self._asked = self._window.closes_at
            hours = self._window.bucket_ms / 3_600_000
            points = [(number * hours, value) for number, value in self._window.points]
            role = self.slot.name.rpartition(".")[2]
            self._told = reach(points, self._plan.limit, self._zero_ppm, role)
        return self._told

    def truth(self, at_ms: int, active: bool) -> bool | None:
        if self.slot.quality >= FIRST_UNCERTAIN or self.slot.value is None:
            return None
        if self.slot.value >= self._plan.limit:
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
        value, limit = self.slot.value, self._plan.limit
        if value is None:
            return NOTHING_QUIET
        return below_band(value, limit) if value < limit else (limit, EVERYTHING[1])

    def limit(self) -> float | None:
        return self._plan.limit


class Stale(_Plain):
    """No usable reading for a while. Moved by ticks; a reading that is not bad ends it."""

    timed = True

    def __init__(self, slot: Slot, after_ms: int) -> None:
        self.slot = slot
        self._after_ms = after_ms
        self.from_ms = 0  # the clock never starts before the guard let the rule speak

    def _alive_ms(self) -> int:
        return max(self.slot.alive_ms, self.from_ms)

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

    def start_anew(self, at_ms: int) -> None:
        self.from_ms = at_ms

    def save(self) -> dict[str, Any]:
        return {"from_ms": self.from_ms}

    def restore(self, state: dict[str, Any]) -> None:
        self.from_ms = state["from_ms"]


class Unchanged(_Plain):
    """The very same good value, unbroken, for a while; small values do not count."""

    timed = True

    def __init__(self, slot: Slot, for_ms: int, ignore_below: float | None) -> None:
        self.slot = slot
        self._for_ms = for_ms
        self._ignore_below = -inf if ignore_below is None else ignore_below

    def truth(self, at_ms: int, active: bool) -> bool | None:
        slot = self.slot
        if slot.quality >= FIRST_UNCERTAIN or slot.value is None:
            return None
        if at_ms - slot.alive_ms >= slot.stale_ms:
            return None  # it is silent, not frozen
        return slot.value > self._ignore_below and at_ms - slot.same_since_ms >= self._for_ms

    def _ignored(self) -> bool:
        return self.slot.value is not None and self.slot.value <= self._ignore_below

    def band(self) -> Band:
        return (EVERYTHING[0], self._ignore_below) if self._ignored() else EVERYTHING

    def limit(self) -> float | None:
        return self._for_ms / 1000

    def began(self, at_ms: int) -> int:
        return self.slot.same_since_ms

    def due_ms(self) -> int | None:
        if self._ignored() or self.slot.quality >= FIRST_UNCERTAIN:
            return None
        return self.slot.same_since_ms + self._for_ms


class Counted(_Plain):
    """A level that began ``count`` times in the window (t - within, t]."""

    def __init__(self, level: Level, count: int, within_ms: int) -> None:
        self.slot = level.slot
        self._level = level
        self._count = count
        self._within_ms = within_ms
        self._inside = False
        self._begun: deque[int] = deque(maxlen=count)

    def leans_on(self) -> tuple[Slot, ...]:
        return self._level.leans_on()

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


def compile_condition(
    rule: RulePlan, slot_of: SlotOf, window_of: WindowOf, zero_of: ZeroOf = lambda _: ZERO_PPM
) -> Teller:
    """The working form of a rule's condition. ``zero_of``: zero uncertainty of a signal, ppm."""
    slot = slot_of(rule.signal)
    teller: Teller
    match rule.condition:
        case Above() | Below() | Outside():
            teller = _level(rule, rule.condition, slot, slot_of)
        case AboveOwn(times, _):
            # The box's own figure is a derived signal; until it is known the rule is silent.
            # An idle baseline itself is held against the lowest of past nights.
            nightly = rule.signal.endswith("_idle")
            own = Limit(f"{rule.signal}_{'low' if nightly else 'idle'}", slot_of, times)
            teller = Level(slot, None, own, rule.deadband or 0.0)
        case Count(count, within_ms, inner):
            teller = Counted(_level(rule, inner, slot, slot_of), count, within_ms)
        case Rising() | Falling():
            teller = Slope(slot, window_of(slot, rule.condition.over_ms), rule.condition, rule)
        case StaleAfter(after_ms):
            teller = Stale(slot, after_ms)
        case UnchangedFor(for_ms, ignore_below):
            teller = Unchanged(slot, for_ms, ignore_below)
        case TrueFor(for_ms) | FalseFor(for_ms):
            teller = Switch(slot, isinstance(rule.condition, TrueFor), for_ms, slot_of)
        case Reaches():
            window = window_of(slot, LOOK_BACK_MS)
            teller = Foreseen(slot, window, rule.condition, zero_of(rule.signal))
        case _:
            assert_never(rule.condition)
    return teller


def _level(
    rule: RulePlan, condition: Above | Below | Outside, slot: Slot, slot_of: SlotOf
) -> Level:
    sides: tuple[Limit | None, Limit | None]
    match condition:
        case Above(limit):
            sides = (None, Limit(limit, slot_of))
        case Below(limit):
            sides = (Limit(limit, slot_of), None)
        case Outside(low, high):
            sides = (Limit(low, slot_of), Limit(high, slot_of))
        case _:
            assert_never(condition)
    return Level(slot, sides[0], sides[1], rule.deadband or 0.0)


def condition_delay_ms(condition: Condition) -> int:
    """The part of a rule's on-delay that stands in its condition: ``true_for: 3 min``."""
    match condition:
        case TrueFor(for_ms) | FalseFor(for_ms):
            return for_ms
        case _:
            return 0
