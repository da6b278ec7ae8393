"""Builds the condition of a rule from its plan. Conditions are without delays.

``truth(at_ms, active)`` answers True (the condition holds), False (it is over)
or None (this reading may neither raise nor clear). ``active`` chooses the side
of the deadband. Strict > and <; a high limit clears below limit - deadband.

Only good readings are measured against limits. Over-range and under-range may
raise on their own side; every other uncertain or bad quality says nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import assert_never

from dewline.watch.conditions.condition import Condition
from dewline.watch.conditions.levels import (
    BEST_OVER_MS,
    AgainstBest,
    Counted,
    Level,
    Limit,
    SignalOf,
    Switch,
)
from dewline.watch.conditions.over_time import Foreseen, ForeseenStopped, Slope, Stale, Unchanged
from dewline.watch.signals.signal_state import SignalState
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    BelowOwn,
    ConditionPlan,
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

WindowOf = Callable[[SignalState, int], MedianWindow]
ZeroOf = Callable[[str], float]
ZERO_PPM = 0.2
LOOK_BACK_MS = 4 * 3_600_000
LOOK_BACK_STOPPED_MS = 3_600_000  # medians of a minute: the first forecast comes soon


def compile_condition(
    rule: RulePlan, signal_of: SignalOf, window_of: WindowOf, zero_of: ZeroOf = lambda _: ZERO_PPM
) -> Condition:
    """The working form of a rule's condition.

    ``signal_of`` and ``window_of`` give the parts that the condition stands on; ``zero_of``
    gives how far the zero of a signal's sensor may be off, in ppm.
    """
    signal = signal_of(rule.signal)
    condition: Condition
    match rule.condition:
        case Above() | Below() | Outside():
            condition = _level(rule, rule.condition, signal, signal_of)
        case AboveOwn(times, "best") | BelowOwn(times, "best"):
            high = isinstance(rule.condition, AboveOwn)
            window = window_of(signal, BEST_OVER_MS)
            condition = AgainstBest(signal, window, times, rule.deadband or 0.0, high=high)
        case AboveOwn(times, _) | BelowOwn(times, _):
            # The box's own figure is a derived signal; until it is known the rule cannot raise.
            # An idle baseline is itself compared with the lowest one of past nights.
            nightly = rule.signal.endswith("_idle")
            own = Limit(f"{rule.signal}_{'low' if nightly else 'idle'}", signal_of, times)
            high = isinstance(rule.condition, AboveOwn)
            condition = Level(
                signal, None if high else own, own if high else None, rule.deadband or 0.0
            )
        case Count(count, within_ms, inner):
            condition = Counted(_level(rule, inner, signal, signal_of), count, within_ms)
        case Rising() | Falling():
            condition = Slope(
                signal, window_of(signal, rule.condition.over_ms), rule.condition, rule
            )
        case StaleAfter(after_ms):
            condition = Stale(signal, after_ms)
        case UnchangedFor(for_ms, ignore_below):
            condition = Unchanged(signal, for_ms, ignore_below)
        case TrueFor(for_ms) | FalseFor(for_ms):
            condition = Switch(signal, isinstance(rule.condition, TrueFor), for_ms, signal_of)
        case Reaches():
            zero_ppm = zero_of(rule.signal)
            condition = _foreseen(rule, rule.condition, signal, window_of, zero_ppm)
        case _:
            assert_never(rule.condition)
    return condition


def _foreseen(
    rule: RulePlan,
    condition: Reaches,
    signal: SignalState,
    window_of: WindowOf,
    zero_ppm: float,
) -> Foreseen:
    """The forecast of a level; of a stopped loop where the guard says that it stands."""
    if rule.of_stopped_loop:
        window = window_of(signal, LOOK_BACK_STOPPED_MS)
        return ForeseenStopped(signal, window, condition, zero_ppm)
    return Foreseen(signal, window_of(signal, LOOK_BACK_MS), condition, zero_ppm)


def _level(
    rule: RulePlan, condition: Above | Below | Outside, signal: SignalState, signal_of: SignalOf
) -> Level:
    sides: tuple[Limit | None, Limit | None]
    match condition:
        case Above(limit):
            sides = (None, Limit(limit, signal_of))
        case Below(limit):
            sides = (Limit(limit, signal_of), None)
        case Outside(low, high):
            sides = (Limit(low, signal_of), Limit(high, signal_of))
        case _:
            assert_never(condition)
    return Level(signal, sides[0], sides[1], rule.deadband or 0.0)


def condition_delay_ms(condition: ConditionPlan) -> int:
    """The part of a rule's on-delay that stands in its condition: ``true_for: 3 min``."""
    match condition:
        case TrueFor(for_ms) | FalseFor(for_ms):
            return for_ms
        case _:
            return 0
