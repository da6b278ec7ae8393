"""Which family of alarms an alarm belongs to: that is the table it is judged by."""

from __future__ import annotations

from typing import Literal

from dewline.watch_plan import Below, RulePlan, StaleAfter, UnchangedFor

Family = Literal[
    "gas", "pressure", "loop", "silence", "frozen", "supply", "heat", "room-heat", "chamber",
    "doubt", "regeneration", "power", "gas-use", "other",
]  # fmt: skip
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
ROLES: dict[Family, tuple[str, ...]] = {
    "pressure": ("pressure", "fill_valve", "relief_valve"),
    "loop": ("circulating", "circulation_flow", "blower_speed"),
    "heat": ("bed_temperature", "cooling_water_temperature", "cooling_water_flow"),
    "room-heat": ("temperature",),
    "regeneration": ("regenerating", "regeneration_step", "forming_gas_flow"),
    "power": ("mains_present",),
    "gas-use": ("gas_use", "gas_idle"),
    "other": ("forming_gas_pressure", "foreline_pressure"),
}
FAMILY_OF_ROLE = {role: family for family, roles in ROLES.items() for role in roles}


def family_of(rule: RulePlan) -> tuple[Family, str | None]:
    """The family of a rule's alarm, and the gas where it is about one.

    A rule on a stale or unchanged reading is about the instrument, whatever the signal is; one that
    counts only in a stopped loop is about the loop.
    """
    place, _, role = rule.signal.partition(".")
    if isinstance(rule.condition, StaleAfter) or place == "daemon":
        return "silence", None
    if isinstance(rule.condition, UnchangedFor):
        return "frozen", None
    if rule.of_stopped_loop:
        return "loop", None
    gas = next((g for g in GASES if role == g or role.startswith(f"{g}_")), None)
    if gas is not None:
        doubted = role.endswith("_doubt") or isinstance(rule.condition, Below)
        return ("doubt" if doubted else "gas"), gas
    return _of_plant(rule, place, role), None


def _of_plant(rule: RulePlan, place: str, role: str) -> Family:
    if role == "pressure" and (place != rule.place or rule.rule.startswith("supply")):
        return "supply"
    if role in FAMILY_OF_ROLE:
        return FAMILY_OF_ROLE[role]
    return "chamber" if role.endswith(CHAMBER_ENDS) else "other"
