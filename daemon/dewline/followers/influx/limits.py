"""The limits of the rules as lines for a store, so that a dashboard can draw them with a reading.

Only levels written as numbers: a slope does not belong on the same axis, and a limit that names
another signal is drawn as that signal.
"""

from __future__ import annotations

from collections.abc import Iterable

from dewline.journal.line_protocol import line
from dewline.watch_plan import Above, Below, ConditionPlan, Outside, RulePlan


def limit_lines(rules: Iterable[RulePlan], site: str, time_ms: int) -> list[str]:
    """``limit`` points at ``time_ms``, one a limit, in the unit of the signal."""
    return [
        line("limit", {"site": site, **_tags(rule), "side": side}, {"value": value}, time_ms)
        for rule in rules
        for side, value in _levels(rule.condition)
        if isinstance(value, float)
    ]


def _tags(rule: RulePlan) -> dict[str, str]:
    box, _, signal = rule.signal.partition(".")
    return {"box": box, "signal": signal, "alarm": rule.rule, "priority": rule.priority}


def _levels(condition: ConditionPlan) -> tuple[tuple[str, object], ...]:
    """Side and limit, a number or the name of a signal."""
    match condition:
        case Above(limit=limit):
            return (("high", limit),)
        case Below(limit=limit):
            return (("low", limit),)
        case Outside(low, high):
            return ("low", low), ("high", high)
        case _:
            return ()
