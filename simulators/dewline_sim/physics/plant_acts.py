"""What people and faults do to purifiers, services and the site.

A box may be named in place of its purifier.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from dewline_sim.physics.mixture import H2O, LITRE_MOL, MOLAR_MASS

if TYPE_CHECKING:
    from dewline_sim.lab import Lab
    from dewline_sim.physics.purifier import Purifier
    from dewline_sim.physics.services import Supply


def _purifier(lab: Lab, place: str) -> Purifier:
    box = lab.boxes.get(place)
    found = box.purifier if box is not None else lab.purifiers.get(place)
    if found is None:
        raise ValueError(f"{place} has no purifier; purifiers are {', '.join(lab.purifiers)}")
    return found


def _supply(lab: Lab, place: str) -> Supply:
    if place not in lab.supplies:
        raise ValueError(f"{place} is no gas supply; supplies are {', '.join(lab.supplies)}")
    return lab.supplies[place]


def circulation_on(lab: Lab, place: str) -> None:
    """Switch the blower on."""
    _purifier(lab, place).on = True


def circulation_off(lab: Lab, place: str) -> None:
    """Switch the blower off, or let it trip."""
    _purifier(lab, place).on = False


def blower_speed(lab: Lab, place: str, *, percent: float, over_s: float = 0.0) -> None:
    """Speed people set, in per cent of the day or night flow."""
    _purifier(lab, place).speed.go(percent / 100.0, lab.now_s, over_s)


def night_speed(lab: Lab, place: str, *, on: bool) -> None:
    """Whether the blower slows down at night."""
    _purifier(lab, place).night = on


def filter_clogs(lab: Lab, place: str, *, flow_share: float, over_s: float = 0.0) -> None:
    """The share of the flow a dirty filter leaves; 1 is clean."""
    _purifier(lab, place).filter.go(flow_share, lab.now_s, over_s)


def bypass(lab: Lab, place: str, *, on: bool) -> None:
    """Gas goes round the bed: flow without cleaning."""
    _purifier(lab, place).bypassed = on


def bed_valves(lab: Lab, place: str, *, is_open: bool) -> None:
    """Shut: the blower turns against closed valves."""
    purifier = _purifier(lab, place)
    if purifier.regeneration is None:
        purifier.in_loop = 0 if is_open else None


def regenerate(lab: Lab, place: str, *, hydrogen: bool = True, right_gas: bool = True) -> None:
    """Run the program. hydrogen false: no forming gas flows. right_gas false: it holds none."""
    _purifier(lab, place).start_regeneration(hydrogen, right_gas)


def regenerate_abort(lab: Lab, place: str) -> None:
    """Break the program off where it is; the blower stays off."""
    _purifier(lab, place).finish_regeneration(restart=False)


def bed_load(
    lab: Lab, place: str, *, oxygen_percent: float | None = None,
    water_percent: float | None = None,
) -> None:  # fmt: skip
    """Give the bed in use a history: per cent of its capacity taken."""
    purifier = _purifier(lab, place)
    bed = purifier.bed or purifier.beds[0]
    for percent, species in ((oxygen_percent, 0), (water_percent, 1)):
        if percent is not None:
            if not 0.0 <= percent <= 100.0:
                raise ValueError(f"a load of {percent} % is not between 0 and 100")
            change = bed.preload(species, percent / 100.0)
            if change >= 0.0:
                lab.ledger.came[species] += change
            else:
                lab.ledger.went[species] -= change


def bed_poisoned(lab: Lab, place: str, *, activity_percent: float) -> None:
    """What solvent has left of the catalyst's activity; no regeneration brings it back."""
    purifier = _purifier(lab, place)
    (purifier.bed or purifier.beds[0]).poison_to(activity_percent / 100.0)


def water_leak(lab: Lab, place: str, *, g_h: float, before_bed: bool = False) -> None:
    """Cooling water into the loop; 0 stops it."""
    purifier = _purifier(lab, place)
    purifier.water_leak_mol_s = g_h * 1e-3 / MOLAR_MASS[H2O] / 3600.0
    purifier.leak_before_bed = before_bed


def supply_dip(lab: Lab, place: str, *, to_bar: float, over_s: float = 60.0) -> None:
    """The line (or the regulator) goes to another pressure; also the way back."""
    _supply(lab, place).line_bar.go(to_bar, lab.now_s, over_s)


def impurity(
    lab: Lab, place: str, *, oxygen_ppm: float | None = None, moisture_ppm: float | None = None,
    nitrogen_ppm: float | None = None, over_s: float = 0.0,
) -> None:  # fmt: skip
    """What the supplied gas holds from now on."""
    supply = _supply(lab, place)
    for ramp, value in (
        (supply.oxygen_ppm, oxygen_ppm),
        (supply.moisture_ppm, moisture_ppm),
        (supply.nitrogen_ppm, nitrogen_ppm),
    ):
        if value is not None:
            ramp.go(value, lab.now_s, over_s)


def cylinder_change(lab: Lab, place: str, *, hose_air_l: float = 0.0) -> None:
    """A full cylinder for the emptiest; the hose may have been left full of air."""
    _supply(lab, place).change(hose_air_l * LITRE_MOL, lab.climate.air)


def cylinder_level(lab: Lab, place: str, *, percent: float) -> None:
    """How full the store is: every cylinder, or the vessel."""
    _supply(lab, place).set_level(percent / 100.0)


def pump_ages(lab: Lab, place: str, *, factor: float, over_s: float = 0.0) -> None:
    """Base pressure over that of a new pump; it also pumps more slowly."""
    if place != "vacuum":
        raise ValueError(f"{place} is no pump; name vacuum")
    lab.pump.age.go(factor, lab.now_s, over_s)


def cooling_loss(lab: Lab, place: str, *, flow_share: float = 0.0, over_s: float = 60.0) -> None:
    """The share of the cooling water that still flows; 1 restores it."""
    _name(place, "cooling")
    lab.cooling.flow_l_min.go(flow_share * lab.spec.cooling_l_min, lab.now_s, over_s)


def cooling_temperature(lab: Lab, place: str, *, to_c: float, over_s: float = 600.0) -> None:
    """The cooling water becomes warmer or colder."""
    _name(place, "cooling")
    lab.cooling.temperature_c.go(to_c, lab.now_s, over_s)


def _name(place: str, wanted: str) -> None:
    if place != wanted:
        raise ValueError(f"{place} will not do; name {wanted}")


def power_cut(lab: Lab, place: str) -> None:
    """The site, or one box with its purifier. What was running does not start again by itself."""
    for box in lab.boxes.values():
        if place in ("site", box.spec.name):
            box.lose_power()
    for purifier in _powered_by(lab, place):
        purifier.lose_power()
    if place == "site":
        lab.mains = False


def power_return(lab: Lab, place: str) -> None:
    """Mains return; blowers and programs wait for a person."""
    for box in lab.boxes.values():
        if place in ("site", box.spec.name):
            box.powered = True
    for purifier in _powered_by(lab, place):
        purifier.powered = True
    if place == "site":
        lab.mains = True


def _powered_by(lab: Lab, place: str) -> list[Purifier]:
    if place == "site":
        return list(lab.purifiers.values())
    return [_purifier(lab, place)]


def room_temperature(lab: Lab, place: str, *, warmer_k: float, over_s: float = 3600.0) -> None:
    """The room against its usual day."""
    _name(place, "site")
    lab.climate.warmer_k.go(warmer_k, lab.now_s, over_s)


def room_humidity(lab: Lab, place: str, *, more_percent: float, over_s: float = 3600.0) -> None:
    """Relative humidity of the room against its usual level."""
    _name(place, "site")
    lab.climate.damper_percent.go(more_percent, lab.now_s, over_s)


def barometer(lab: Lab, place: str, *, higher_mbar: float, over_s: float = 7200.0) -> None:
    """Barometer against the weather."""
    _name(place, "site")
    lab.climate.barometer_shift_mbar.go(higher_mbar, lab.now_s, over_s)


def ventilation(lab: Lab, place: str, *, air_changes_h: float) -> None:
    """Fresh air for the room."""
    _name(place, "site")
    lab.climate.air_changes.go(air_changes_h, lab.now_s)


def exhaust_blocked(lab: Lab, place: str, *, share_to_room: float = 1.0) -> None:
    """The share of vented gas that ends up in the room."""
    _name(place, "site")
    lab.vent_to_room = share_to_room


ACTS: dict[str, Callable[..., None]] = {
    act.__name__: act
    for act in (
        circulation_on, circulation_off, blower_speed, night_speed, filter_clogs, bypass,
        bed_valves, regenerate, regenerate_abort, bed_load, bed_poisoned, water_leak, supply_dip,
        impurity, cylinder_change, cylinder_level, pump_ages, cooling_loss, cooling_temperature,
        power_cut, power_return, room_temperature, room_humidity, barometer, ventilation,
        exhaust_blocked,
    )
}  # fmt: skip
