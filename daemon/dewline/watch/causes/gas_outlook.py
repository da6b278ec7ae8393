"""When the gas that an alarm is about reaches its limit, or is clean again."""

from __future__ import annotations

from dewline.events import Outlook
from dewline.watch.causes.history import History
from dewline.watch.causes.shape import Rise
from dewline.watch.derived.forecast import clean, reach
from dewline.watch_plan import Above, Reaches, RulePlan, WatchPlan

USUAL_ZERO_PPM = 0.2
LEAST_MIN, MOST_MIN = 12.0, 4300.0  # minutes of the rise from which the limit is forecast


def gas_outlook(rule: RulePlan, plan: WatchPlan, history: History, rise: Rise) -> Outlook | None:
    """The outlook of an alarm about the gas of ``rise``, from now.

    None where no limit lies ahead; without times where the limit is not foreseen to be reached.
    """
    limit, falling = limit_of(rule, plan, rise)
    if limit is None:
        return None
    minutes = min(max(rise.start_min, LEAST_MIN), MOST_MIN)
    points = [(minute / 60, ppm) for minute, ppm in history.series(rise.gas, minutes)]
    forecast = clean(points, limit, rise.base) if falling else None
    if not falling and rise.form not in ("plateau", "step", "impulse", "none"):
        analyzers = plan.boxes[rule.place].analyzers
        zeros = [a.zero_uncertainty_ppm for a in analyzers if a.role == rise.gas]
        forecast = reach(points, limit, zeros[0] if zeros else USUAL_ZERO_PPM, rise.gas)
    if forecast is None:
        return Outlook(limit, rule.unit.removesuffix("/h") or "ppm", None, None, None)
    return Outlook(limit, "ppm", *(round(hours * 3600) for hours in forecast))


def limit_of(rule: RulePlan, plan: WatchPlan, rise: Rise) -> tuple[float | None, bool]:
    """The limit that an outlook is about, and whether the gas falls towards it.

    For a rule on ``reaches`` it is its own limit; else the lowest limit of a high or critical
    rule that lies above the present level; for an impulse the one it has to fall below.
    """
    if isinstance(rule.condition, Reaches):
        return rule.condition.limit, False
    limits = sorted(
        r.condition.limit
        for r in plan.rules.values()
        if r.place == rule.place
        and r.signal == f"{rule.place}.{rise.gas}"
        and isinstance(r.condition, Above)
        and isinstance(r.condition.limit, float | int)
        and r.priority in ("high", "critical")
    )
    if rise.form == "impulse":
        own = rule.condition.limit if isinstance(rule.condition, Above) else None
        if isinstance(own, float | int):
            return own - (rule.deadband or 0.0), True
        return (limits[0] if limits else None), True
    return next((limit for limit in limits if limit > rise.now), None), False
