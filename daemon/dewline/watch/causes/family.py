"""Which table an alarm is judged by, and which limit its outlook is about."""

from __future__ import annotations

from dewline.watch.causes.shape import Rise
from dewline.watch_plan import Above, Below, Reaches, RulePlan, StaleAfter, UnchangedFor, WatchPlan

GASES = ("oxygen", "moisture")
BED_ROLES = (
    "circulating", "circulation_flow", "blower_speed", "regenerating", "bed_in_loop",
    "bed_temperature", "outlet_oxygen", "outlet_moisture", "forming_gas_flow",
    "forming_gas_pressure", "cooling_water_temperature", "cooling_water_flow",
    "filter_differential",
)  # fmt: skip
SUPPLY_ROLES = ("pressure", "flow", "level")
ROOM_ROLES = ("room_temperature", "room_humidity", "barometer", "mains_present")
CHAMBER_ENDS = ("_inner_door", "_outer_door", "_evacuating", "_residual", "_pressure")
FAMILY_OF_ROLE = {
    "pressure": "pressure",
    "fill_valve": "pressure",
    "relief_valve": "pressure",
    "circulating": "loop",
    "circulation_flow": "loop",
    "blower_speed": "loop",
    "bed_temperature": "heat",
    "cooling_water_temperature": "heat",
    "cooling_water_flow": "heat",
    "temperature": "room-heat",
    "regenerating": "regeneration",
    "regeneration_step": "regeneration",
    "forming_gas_flow": "regeneration",
    "mains_present": "power",
    "gas_use": "gas-use",
    "gas_idle": "gas-use",
    "forming_gas_pressure": "other",
    "foreline_pressure": "other",
}


def family_of(rule: RulePlan) -> tuple[str, str | None]:
    """The family, and the gas where it is about one."""
    place, _, role = rule.signal.partition(".")
    if isinstance(rule.condition, StaleAfter) or place == "daemon":
        return "silence", None
    if isinstance(rule.condition, UnchangedFor):
        return "frozen", None
    gas = next((g for g in GASES if role == g or role.startswith(f"{g}_")), None)
    if gas is not None:
        doubted = role.endswith("_doubt") or isinstance(rule.condition, Below)
        return ("doubt" if doubted else "gas"), gas
    return _of_plant(rule, place, role), None


def _of_plant(rule: RulePlan, place: str, role: str) -> str:
    if role == "pressure" and (place != rule.place or rule.rule.startswith("supply")):
        return "supply"
    if role in FAMILY_OF_ROLE:
        return FAMILY_OF_ROLE[role]
    return "chamber" if role.endswith(CHAMBER_ENDS) else "other"


def limit_of(rule: RulePlan, plan: WatchPlan, rise: Rise) -> tuple[float | None, bool]:
    """The limit an outlook is about, and whether it is about falling back to it.

    Of a rule on ``reaches`` its own; else the lowest limit of a high or critical rule
    that lies above the level now; of a falling level the one it has to fall below.
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
