"""The limits of the rules as lines for a store, so that a dashboard can draw them with a reading.

Only levels written as numbers: a slope does not belong on the same axis, and a limit that names
another signal is drawn as that signal.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from dewline.journal.line_protocol import line
from dewline.watch_plan import Above, Below, ConditionPlan, Outside, RulePlan

Side = Literal["high", "low"]


def limit_lines(rules: Iterable[RulePlan], site: str, time_ms: int) -> list[str]:
    """``limit`` points at ``time_ms``, one a limit, in the unit of the signal."""
    return [
        line("limit", {"site": site, **_tags(rule), "side": side}, {"value": value}, time_ms)
        for rule in rules
        for side, value in _levels(rule.condition)
    ]


def _tags(rule: RulePlan) -> dict[str, str]:
    box, _, signal = rule.signal.partition(".")
    return {"box": box, "signal": signal, "alarm": rule.rule, "priority": rule.priority}


def _levels(condition: ConditionPlan) -> Iterator[tuple[Side, float]]:
    match condition:
        case Above(limit=float(limit)):
            yield "high", limit
        case Below(limit=float(limit)):
            yield "low", limit
        case Outside(low, high):
            if isinstance(low, float):
                yield "low", low
            if isinstance(high, float):
                yield "high", high
        case _:
            return
