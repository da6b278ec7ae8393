"""What people and faults do to purifiers, services and the site.

A box may be named in place of its purifier. Every public function here is an act.
"""

from __future__ import annotations

from dewline_sim.physics.box import Box
from dewline_sim.physics.mixture import H2O, LITRE_MOL, MOLAR_MASS
from dewline_sim.physics.plant import Plant
from dewline_sim.physics.purifier import Purifier


def circulation_on(plant: Plant, place: str) -> None:
    """Switch the blower on."""
    plant.purifier(place).on = True


def circulation_off(plant: Plant, place: str) -> None:
    """Switch the blower off, or let it trip."""
    plant.purifier(place).on = False


def blower_speed(plant: Plant, place: str, *, percent: float, over_s: float = 0.0) -> None:
    """Speed people set, in per cent of the day or night flow."""
    plant.purifier(place).speed.go(percent / 100.0, plant.site.now_s, over_s)


def night_speed(plant: Plant, place: str, *, on: bool) -> None:
    """Whether the blower slows down at night."""
    plant.purifier(place).night = on


def filter_clogs(plant: Plant, place: str, *, flow_share: float, over_s: float = 0.0) -> None:
    """The share of the flow a dirty filter leaves; 1 is clean."""
    plant.purifier(place).filter.go(flow_share, plant.site.now_s, over_s)


def bypass(plant: Plant, place: str, *, on: bool) -> None:
    """Gas goes round the bed: flow without cleaning."""
    plant.purifier(place).bypassed = on


def bed_valves(plant: Plant, place: str, *, is_open: bool) -> None:
    """Shut: the blower turns against closed valves."""
    purifier = plant.purifier(place)
    if purifier.regeneration is None:
        purifier.in_loop = 0 if is_open else None


def regenerate(plant: Plant, place: str, *, hydrogen: bool = True, right_gas: bool = True) -> None:
    """Run the program. hydrogen false: no forming gas flows. right_gas false: it holds none."""
    plant.purifier(place).start_regeneration(hydrogen, right_gas)


def regenerate_abort(plant: Plant, place: str) -> None:
    """Break the program off where it is; the blower stays off."""
    plant.purifier(place).finish_regeneration(restart=False)


def bed_load(
    plant: Plant, place: str, *, oxygen_percent: float | None = None,
    water_percent: float | None = None,
) -> None:  # fmt: skip
    """Give the bed in use a history: per cent of its capacity taken.

    None leaves a sorbent as it is; the difference counts as come in or gone out.
    """
    purifier = plant.purifier(place)
    bed = purifier.bed or purifier.beds[0]
    for percent, species in ((oxygen_percent, 0), (water_percent, 1)):
        if percent is not None:
            if not 0.0 <= percent <= 100.0:
                raise ValueError(f"a load of {percent} % is not between 0 and 100")
            plant.ledger.cross(species, bed.preload(species, percent / 100.0))


def bed_poisoned(plant: Plant, place: str, *, activity_percent: float) -> None:
    """What solvent has left of the catalyst's activity; no regeneration brings it back."""
    purifier = plant.purifier(place)
    (purifier.bed or purifier.beds[0]).poison_to(activity_percent / 100.0)


def water_leak(plant: Plant, place: str, *, g_h: float, before_bed: bool = False) -> None:
    """Cooling water into the loop; 0 stops it."""
    purifier = plant.purifier(place)
    purifier.water_leak_mol_s = g_h * 1e-3 / MOLAR_MASS[H2O] / 3600.0
    purifier.leak_before_bed = before_bed


def supply_dip(plant: Plant, place: str, *, to_bar: float, over_s: float = 60.0) -> None:
    """The line (or the regulator) goes to another pressure; also the way back."""
    plant.supply(place).line_bar.go(to_bar, plant.site.now_s, over_s)


def impurity(
    plant: Plant, place: str, *, oxygen_ppm: float | None = None, moisture_ppm: float | None = None,
    nitrogen_ppm: float | None = None, over_s: float = 0.0,
) -> None:  # fmt: skip
    """What the supplied gas holds from now on.

    None leaves a species as it is; ``over_s`` is how long the change takes.
    """
    supply = plant.supply(place)
    for ramp, value in (
        (supply.oxygen_ppm, oxygen_ppm),
        (supply.moisture_ppm, moisture_ppm),
        (supply.nitrogen_ppm, nitrogen_ppm),
    ):
        if value is not None:
            ramp.go(value, plant.site.now_s, over_s)


def cylinder_change(plant: Plant, place: str, *, hose_air_l: float = 0.0) -> None:
    """A full cylinder for the emptiest; the hose may have been left full of air."""
    plant.supply(place).change(hose_air_l * LITRE_MOL, plant.climate.air)


def cylinder_level(plant: Plant, place: str, *, percent: float) -> None:
    """How full the store is: every cylinder, or the vessel."""
    plant.supply(place).set_level(percent / 100.0)


def pump_ages(plant: Plant, place: str, *, factor: float, over_s: float = 0.0) -> None:
    """Base pressure over that of a new pump; it also pumps more slowly."""
    if place != "vacuum":
        raise ValueError(f"{place} is no pump; name vacuum")
    plant.pump.age.go(factor, plant.site.now_s, over_s)


def cooling_loss(
    plant: Plant, place: str, *, flow_share: float = 0.0, over_s: float = 60.0
) -> None:
    """The share of the cooling water that still flows; 1 restores it."""
    _name(place, "cooling")
    plant.cooling.flow_l_min.go(flow_share * plant.spec.cooling_l_min, plant.site.now_s, over_s)


def cooling_temperature(plant: Plant, place: str, *, to_c: float, over_s: float = 600.0) -> None:
    """The cooling water becomes warmer or colder."""
    _name(place, "cooling")
    plant.cooling.temperature_c.go(to_c, plant.site.now_s, over_s)


def _name(place: str, wanted: str) -> None:
    if place != wanted:
        raise ValueError(f"{place} will not do; name {wanted}")


def power_cut(plant: Plant, place: str) -> None:
    """The site, or one box with its purifier. What was running does not start again by itself."""
    for part in _powered(plant, place):
        part.lose_power()
    if place == "site":
        plant.site.mains = False


def power_return(plant: Plant, place: str) -> None:
    """Mains return; blowers and programs wait for a person."""
    for part in _powered(plant, place):
        part.powered = True
    if place == "site":
        plant.site.mains = True


def _powered(plant: Plant, place: str) -> list[Box | Purifier]:
    """What has its power from there: all of the site, or a box and its purifier."""
    if place == "site":
        return [*plant.boxes.values(), *plant.purifiers.values()]
    return [*(box for name, box in plant.boxes.items() if name == place), plant.purifier(place)]


def room_temperature(plant: Plant, place: str, *, warmer_k: float, over_s: float = 3600.0) -> None:
    """The room against its usual day."""
    _name(place, "site")
    plant.climate.warmer_k.go(warmer_k, plant.site.now_s, over_s)


def room_humidity(plant: Plant, place: str, *, more_percent: float, over_s: float = 3600.0) -> None:
    """Relative humidity of the room against its usual level."""
    _name(place, "site")
    plant.climate.damper_percent.go(more_percent, plant.site.now_s, over_s)


def barometer(plant: Plant, place: str, *, higher_mbar: float, over_s: float = 7200.0) -> None:
    """Barometer against the weather."""
    _name(place, "site")
    plant.climate.barometer_shift_mbar.go(higher_mbar, plant.site.now_s, over_s)


def ventilation(plant: Plant, place: str, *, air_changes_h: float) -> None:
    """Fresh air for the room."""
    _name(place, "site")
    plant.climate.air_changes.go(air_changes_h, plant.site.now_s)


def exhaust_blocked(plant: Plant, place: str, *, share_to_room: float = 1.0) -> None:
    """The share of vented gas that ends up in the room."""
    _name(place, "site")
    plant.site.vent_to_room = share_to_room
