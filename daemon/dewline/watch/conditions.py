"""Conditions: what each kind of rule says of its signal, before any delay.

``truth(at_ms, active)`` answers True (the condition holds), False (it is over)
or None (this reading may neither raise nor clear). ``active`` chooses the side
of the deadband. Strict > and <; a high limit clears below limit - deadband.

Only good readings are measured against limits. Over-range and under-range may
raise on their own side; every other uncertain or bad quality says nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import assert_never

from dewline.watch.levels import Counted, Level, Limit, SlotOf, Switch
from dewline.watch.over_time import Foreseen, Slope, Stale, Unchanged
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
from dewline.watch.slots import Slot
from dewline.watch.teller import Teller

WindowOf = Callable[[Slot, int], MedianWindow]
ZeroOf = Callable[[str], float]
ZERO_PPM = 0.2
LOOK_BACK_MS = 4 * 3_600_000


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
