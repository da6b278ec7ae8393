"""The signal names that built-in rules, causes and pages understand, with their units.

A place is a box, a purifier or a service. Roles of a purifier, a service or
the site may also stand under the box whose panel shows them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Literal

from dewline.config.plan import RegisterPlan
from dewline.units import dimension, normal_unit

PlaceKind = Literal["box", "purifier", "service"]
Kind = Literal["analog", "bool"]
RESERVED = frozenset({"daemon", "state", "event", "heartbeat", "command"})


@dataclass(frozen=True, slots=True)
class Role:
    """A signal name that dewline understands.

    ``places``: the kinds of place that may have it. ``reference``: what a pressure is measured
    against.
    """

    name: str
    unit: str
    kind: Kind = "analog"
    places: tuple[PlaceKind, ...] = ("box",)
    reference: Literal["absolute", "gauge"] | None = None


_PURIFIER: tuple[PlaceKind, ...] = ("purifier", "box", "service")
_SERVICE: tuple[PlaceKind, ...] = ("service", "box")


def _table(*roles: Role) -> dict[str, Role]:
    return {role.name: role for role in roles}


def _roles(places: tuple[PlaceKind, ...], units: dict[str, str]) -> list[Role]:
    return [
        Role(name, "" if unit == "bool" else unit, "bool" if unit == "bool" else "analog", places)
        for name, unit in units.items()
    ]


_BOX = {
    "oxygen": "ppm",
    "moisture": "ppm",
    "frost_point": "degC",
    "temperature": "degC",
    "fill_valve": "bool",
    "relief_valve": "bool",
    "purging": "bool",
    "circulating": "bool",
    "circulation_flow": "m3/h",
    "blower_speed": "%",
    "analyzer_on": "bool",
    "sample_flow": "L/min",
    "sample_pump_on": "bool",
    "freezer_temperature": "degC",
    "freezer_setpoint": "degC",
    "freezer_compressor": "bool",
    "freezer_door": "bool",
    "panel_alarm": "bool",
    "emergency_stop": "bool",
    "solvent_vapour": "ppm",
    "foot_pedal": "bool",
    "light": "bool",
}
_OF_PURIFIER = {
    "regenerating": "bool",
    "bed_in_loop": "",  # number of the bed, 0 for none
    "bed_temperature": "degC",
    "regeneration_step": "",
    "outlet_oxygen": "ppm",
    "outlet_moisture": "ppm",
    "forming_gas_pressure": "mbar",
    "forming_gas_flow": "L/min",
    "cooling_water_temperature": "degC",
    "cooling_water_setpoint": "degC",
    "cooling_water_flow": "L/min",
    "filter_differential": "mbar",
}
_OF_SERVICE = {"flow": "L/min", "level": "%", "vacuum_pump_on": "bool"}
_OF_SITE = {
    "room_oxygen": "%",
    "room_temperature": "degC",
    "room_humidity": "%",
    "mains_present": "bool",
}
ROLES: dict[str, Role] = _table(
    *_roles(("box",), _BOX),
    Role("pressure", "mbar", reference="gauge"),
    Role("pressure_low", "mbar", reference="gauge"),
    Role("pressure_high", "mbar", reference="gauge"),
    *_roles(_PURIFIER, _OF_PURIFIER),
    *_roles(_SERVICE, _OF_SERVICE),
    Role("foreline_pressure", "mbar", places=_SERVICE, reference="absolute"),
    *_roles(_SERVICE, _OF_SITE),
    Role("barometer", "mbar", places=_SERVICE, reference="absolute"),
)
SERVICE_PRESSURE = Role("pressure", "mbar", places=("service",))
ANTECHAMBER: dict[str, Role] = _table(
    Role("pressure", "mbar", reference="absolute"),
    *(Role(n, "", "bool") for n in ("evacuating", "refilling", "outer_door", "inner_door")),
)


@dataclass(frozen=True, slots=True)
class Derived:
    """A signal that the watch derives at a box that has all of ``needs``."""

    name: str
    unit: str
    needs: tuple[str, ...]
    every_ms: int = 60_000  # how often it is recorded at least
    bed: bool = False  # only for a box with a purifier


_TEN_MIN_MS, _HOUR_MS = 600_000, 3_600_000
DERIVED: dict[str, Derived] = {
    d.name: d
    for d in (
        Derived("frost_point_calc", "degC", ("moisture",)),
        Derived("oxygen_slope", "ppm/h", ("oxygen",), 30_000),
        Derived("moisture_slope", "ppm/h", ("moisture",), 30_000),
        Derived("oxygen_ingress", "mL/h", ("oxygen",), _TEN_MIN_MS),
        Derived("moisture_ingress", "mL/h", ("moisture",), _TEN_MIN_MS),
        Derived("oxygen_doubt", "", ("oxygen",), 60_000),
        Derived("moisture_doubt", "", ("moisture",), 60_000),
        Derived("oxygen_idle", "ppm", ("oxygen",), _HOUR_MS),
        Derived("moisture_idle", "ppm", ("moisture",), _HOUR_MS),
        Derived("oxygen_idle_low", "ppm", ("oxygen",), 24 * _HOUR_MS),
        Derived("moisture_idle_low", "ppm", ("moisture",), 24 * _HOUR_MS),
        Derived("bed_oxygen_load", "%", ("oxygen",), _HOUR_MS, bed=True),
        Derived("bed_water_load", "%", ("moisture",), _HOUR_MS, bed=True),
        Derived("bed_days_left", "d", ("oxygen", "moisture"), _HOUR_MS, bed=True),
        Derived("fill_duty", "%", ("fill_valve",), _TEN_MIN_MS),
        Derived("freezer_duty", "%", ("freezer_compressor",), _TEN_MIN_MS),
        Derived("gas_use", "L/d", ("fill_valve", "pressure"), _HOUR_MS),
        Derived("gas_idle", "L/h", ("fill_valve", "pressure"), _HOUR_MS),
        Derived("clean_up_time", "s", ("oxygen",), _HOUR_MS),
        Derived("oxygen_purge_limit", "ppm", ("oxygen", "purging"), _HOUR_MS),
        Derived("moisture_purge_limit", "ppm", ("moisture", "purging"), _HOUR_MS),
    )
}


def residual(chamber: str) -> Derived:
    """Oxygen left in an antechamber, from its cycles."""
    return Derived(f"{chamber}_residual", "ppm", (f"{chamber}_pressure",), _HOUR_MS)


def role_of(kind: PlaceKind, name: str, antechambers: Iterable[str] = ()) -> Role | None:
    """The role a signal of this name has in a place of this kind; None for a name of one's own."""
    if kind == "service" and name == "pressure":
        return SERVICE_PRESSURE
    if kind == "box":
        for chamber in antechambers:
            suffix = name.removeprefix(f"{chamber}_")
            if suffix != name and suffix in ANTECHAMBER:
                return ANTECHAMBER[suffix]
    role = ROLES.get(name)
    return role if role is not None and kind in role.places else None


def chamber_suffix(name: str) -> str | None:
    """The antechamber role that a name ends in, so that a missing antechamber is noticed."""
    found = [s for s in ANTECHAMBER if name.endswith(f"_{s}") and name not in ROLES]
    return found[0] if found else None


def takes_role_name(chamber: str) -> str | None:
    """The existing name that an antechamber of this name would take, if any."""
    made = [f"{chamber}_{suffix}" for suffix in (*ANTECHAMBER, "residual")]
    return next((name for name in made if name in ROLES or name in DERIVED), None)


def close_role(name: str) -> str | None:
    """A role that a name of one's own looks like."""
    found = get_close_matches(name, ROLES, n=1, cutoff=0.8)
    return found[0] if found else None


def canonical_unit(unit: str) -> str:
    """The unit in which a signal without a role is kept: ppm, mbar, degC, s, else its own."""
    unit = normal_unit(unit)
    if unit == "%":
        return unit
    homes = {"fraction": "ppm", "pressure": "mbar", "temperature": "degC", "time": "s"}
    return homes.get(dimension(unit), unit)


def unit_of(role: Role | None, register_unit: str) -> str:
    """The unit a signal is kept in."""
    return canonical_unit(register_unit) if role is None else role.unit


def fits(role: Role, register: RegisterPlan) -> str | None:
    """None if the register can play the role, else what it would have to be."""
    unit = register.canonical_unit
    if role.kind == "bool":
        return "a bit" if unit or register.type == "float32" else None
    if register.type == "bit" and role.unit:
        return f"a number in {role.unit}"
    if dimension(unit) != dimension(role.unit):
        return f"a number in {role.unit}" if role.unit else "a plain number"
    return None
