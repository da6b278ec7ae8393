"""What people and faults do at a box. Every public function here is an act."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from dewline_sim.physics.mixture import CM3_MOL, H2, H2O, LITRE_MOL, MOLAR_MASS, O2, SOLVENT
from dewline_sim.physics.openings import Opening, Where
from dewline_sim.physics.people import Pattern
from dewline_sim.physics.plant import Plant
from dewline_sim.physics.transfer import Transfer, inward, outward
from dewline_sim.physics.valves import Stuck
from dewline_sim.physics.walls import WetThing, cardboard, glove_filler, moist_part

_WATER_MOL_G = 1e-3 / MOLAR_MASS[H2O]
Door = Literal["outer", "inner"]
Item = Literal["part", "cardboard"]
_THINGS: dict[Item, Callable[[float], WetThing]] = {"part": moist_part, "cardboard": cardboard}


def _bring(plant: Plant, item: WetThing) -> WetThing:
    plant.ledger.came[H2O] += item.mol
    return item


def _thing(plant: Plant, kind: Item, water_g: float) -> WetThing:
    return _bring(plant, _THINGS[kind](water_g * _WATER_MOL_G))


def transfer_start(
    plant: Plant, place: str, *, chamber: str = "large", cycles: int = 3, low_mbar: float = 5.0,
    hold_s: float = 60.0, load_s: float = 60.0, unload_s: float = 120.0,
    item_water_g: float = 0.0, item: Item = "part",
) -> None:  # fmt: skip
    """Bring something in: load, cycles of evacuate, hold and refill, unload.

    ``item_water_g`` above 0 brings a wet thing, part or cardboard.
    """
    box, room = plant.box(place), plant.chamber(place, chamber)
    stages = inward(
        room, cycles=cycles, low_mbar=low_mbar, hold_s=hold_s, load_s=load_s, unload_s=unload_s,
        chance=box.chance,
    )  # fmt: skip
    thing = _thing(plant, item, item_water_g) if item_water_g > 0.0 else None
    if thing is not None:
        box.luggage.append(thing)
    box.transfers.append(Transfer(room, stages, thing))


def transfer_out(
    plant: Plant, place: str, *, chamber: str = "large", load_s: float = 60.0,
    unload_s: float = 60.0,
) -> None:  # fmt: skip
    """Take something out of a clean chamber; it is left full of air."""
    stages = outward(load_s, unload_s)
    plant.box(place).transfers.append(Transfer(plant.chamber(place, chamber), stages, None))


def open_door(plant: Plant, place: str, *, chamber: str = "large", door: Door = "outer") -> None:
    """Open the outer or the inner door."""
    _door(plant, place, chamber, door, True)


def close_door(plant: Plant, place: str, *, chamber: str = "large", door: Door = "outer") -> None:
    """Close the outer or the inner door."""
    _door(plant, place, chamber, door, False)


def _door(plant: Plant, place: str, chamber: str, door: Door, is_open: bool) -> None:
    setattr(plant.chamber(place, chamber), f"{door}_open", is_open)


def evacuate(plant: Plant, place: str, *, chamber: str = "large", to_mbar: float = 0.0) -> None:
    """Open the pump valve, down to ``to_mbar`` absolute; it stays open until closed or refilled."""
    room = plant.chamber(place, chamber)
    room.evacuating, room.refilling, room.stop_pa = True, False, to_mbar * 100.0


def refill(plant: Plant, place: str, *, chamber: str = "large") -> None:
    """Open the refill valve; gas flows until the box's pressure is reached."""
    room = plant.chamber(place, chamber)
    room.evacuating, room.refilling = False, True


def close_valves(plant: Plant, place: str, *, chamber: str = "large") -> None:
    """Shut pump and refill valves."""
    room = plant.chamber(place, chamber)
    room.evacuating = room.refilling = False


def seal_leak(
    plant: Plant, place: str, *, chamber: str = "large", door: Door = "outer",
    diameter_mm: float = 0.2,
) -> None:  # fmt: skip
    """A door seal leaks like a round hole; 0 mends it.

    The hole is as long as a thin lip of rubber, 0.05 mm.
    """
    hole = Opening(f"{chamber}-{door}", "shell", diameter_mm * 1e-3, 5e-5) if diameter_mm else None
    setattr(plant.chamber(place, chamber), f"{door}_seal", hole)


def purge_on(plant: Plant, place: str, *, flow_l_min: float = 300.0) -> None:
    """Purge with supply gas; the overflow goes to the exhaust."""
    plant.box(place).valves.purge_l_min = flow_l_min


def purge_off(plant: Plant, place: str) -> None:
    """End the purge."""
    plant.box(place).valves.purge_l_min = 0.0


def hole(
    plant: Plant, place: str, *, diameter_mm: float, where: Where = "shell", path_mm: float = 0.05
) -> None:
    """A round hole in the shell, or in the loop before or after the bed ("suction")."""
    _drill(plant, place, Opening("hole", where, diameter_mm * 1e-3, path_mm * 1e-3))


def scratch(
    plant: Plant, place: str, *, gap_um: float, length_mm: float = 100.0, path_mm: float = 5.0
) -> None:
    """A scratched seal: a slit ``gap_um`` high, ``length_mm`` long, ``path_mm`` through."""
    _drill(
        plant, place, Opening("scratch", "shell", gap_um * 1e-6, path_mm * 1e-3, length_mm * 1e-3)
    )


def tear_glove(plant: Plant, place: str, *, diameter_mm: float = 36.0) -> None:
    """A torn glove: a large round hole."""
    _drill(plant, place, Opening("tear", "shell", diameter_mm * 1e-3, 4e-4))


def _drill(plant: Plant, place: str, opening: Opening) -> None:
    box = plant.box(place)
    if opening.where == "shell":
        box.openings.append(opening)
    elif place not in plant.loops:
        raise ValueError(f"{place} has no purifier to leak")
    else:
        plant.loops[place].openings.append(opening)


def mend(plant: Plant, place: str) -> None:
    """Close every hole, scratch, tear and calibrated leak of the box and its loop."""
    box = plant.box(place)
    box.openings.clear()
    box.test_leak_m3_s = 0.0
    if place in plant.loops:
        plant.loops[place].openings.clear()


def air_leak(plant: Plant, place: str, *, l_h: float) -> None:
    """A calibrated leak of room air inward, whatever the pressure; 0 closes it."""
    plant.box(place).test_leak_m3_s = l_h * 1e-3 / 3600.0


def inject_air(plant: Plant, place: str, *, ml: float) -> None:
    """A syringe of room air."""
    box = plant.box(place)
    box.let_air_in(ml * 1e-6 * box.density)


def expose(plant: Plant, place: str, *, share: float) -> None:
    """Replace a share of the box's gas by room air, as after an opening."""
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"share {share} must be between 0 and 1")
    plant.box(place).expose(share)


def set_band(
    plant: Plant, place: str, *, low_mbar: float, high_mbar: float, target_mbar: float | None = None
) -> None:
    """Set where fill and relief open (gauge) and where both close."""
    plant.box(place).valves.set_band(low_mbar, high_mbar, target_mbar)


def pressure_control(plant: Plant, place: str, *, on: bool) -> None:
    """Off: fill and relief stay shut, as for a pressure hold."""
    plant.box(place).valves.held_shut = not on


def pedal_add(plant: Plant, place: str, *, seconds: float = 2.0) -> None:
    """Foot on the pedal: gas in at full flow."""
    plant.box(place).valves.pedal_add_s = seconds


def pedal_remove(plant: Plant, place: str, *, seconds: float = 2.0) -> None:
    """Foot on the pedal: gas out through the pump, whatever the band."""
    plant.box(place).valves.pedal_remove_s = seconds


def valve_sticks(
    plant: Plant,
    place: str,
    *,
    valve: Literal["fill", "relief"] = "fill",
    position: Stuck = "open",
) -> None:
    """position: open, shut, or no (mended).

    A stuck valve stays as it is, whatever the pressure.
    """
    valves = plant.box(place).valves
    if valve == "fill":
        valves.fill_stuck = position
    else:
        valves.relief_stuck = position


def hands(
    plant: Plant, place: str, *, pattern: Pattern = "work", arms_l: float = 8.0,
    pull_l: float = 4.0, rest_s: float = 1200.0, stay_s: float = 600.0,
) -> None:  # fmt: skip
    """none; work; day (9-12 and 14-17 h local); withdrawals (only the pull).

    Litres that arms displace and a pull takes away; mean rest and stay in s.
    """
    plant.box(place).hands.plan(
        pattern, plant.site.now_s, arms_l=arms_l, pull_l=pull_l, rest_s=rest_s, stay_s=stay_s
    )


def new_gloves(plant: Plant, place: str, *, water_g: float = 1.6) -> None:
    """New gloves: rubber full of air and moisture, and wet fillers."""
    box = plant.box(place)
    box.gloves.renew(plant.ledger, plant.climate)
    box.things.append(_bring(plant, glove_filler(water_g * _WATER_MOL_G)))


def wet_item(plant: Plant, place: str, *, water_g: float, item: Item = "part") -> None:
    """Something that holds ``water_g`` lies in the box from now on."""
    plant.box(place).things.append(_thing(plant, item, water_g))


def solvent_open(plant: Plant, place: str, *, ml_h: float = 5.0) -> None:
    """Evaporating solvent, 0.87 g/mL; 0 closes the bottle."""
    plant.box(place).rates[SOLVENT] = ml_h * 0.87e-3 / MOLAR_MASS[SOLVENT] / 3600.0


def solvent_close(plant: Plant, place: str) -> None:
    """Close the bottle."""
    plant.box(place).rates[SOLVENT] = 0.0


def source(
    plant: Plant, place: str, *, oxygen_cm3_h: float = 0.0, water_cm3_h: float = 0.0,
    hydrogen_cm3_h: float = 0.0,
) -> None:  # fmt: skip
    """Steady sources inside the box, cm3 of gas an hour at 0 degC and 1013.25 mbar."""
    rates = plant.box(place).rates
    for species, amount in ((O2, oxygen_cm3_h), (H2O, water_cm3_h), (H2, hydrogen_cm3_h)):
        rates[species] = amount * CM3_MOL / 3600.0


def lights(plant: Plant, place: str, *, warmer_k: float = 4.0) -> None:
    """Lights or a hot plate: how much warmer the box becomes in the end; 0 is off."""
    plant.box(place).lights_k = warmer_k


def freezer_fault(plant: Plant, place: str, *, weakness: float = 1.0, dead: bool = False) -> None:
    """Loses a share of its cooling, or the compressor does not start; (0, false) mends it."""
    freezer = plant.freezer(place)
    freezer.weakness, freezer.broken = weakness, dead


def freezer_door(plant: Plant, place: str, *, is_open: bool = True) -> None:
    """Open or close the lid."""
    freezer = plant.freezer(place)
    freezer.lid_open = is_open


def freezer_ice(plant: Plant, place: str, *, grams: float) -> None:
    """Ice from an earlier opening."""
    freezer = plant.freezer(place)
    freezer.ice_mol += grams * _WATER_MOL_G
    plant.ledger.came[H2O] += grams * _WATER_MOL_G


def oxygen_dose(plant: Plant, place: str, *, oxygen_l: float) -> None:
    """A dose of pure oxygen, litres at 0 degC and 1013.25 mbar, at once."""
    box = plant.box(place)
    box.zone[O2] += oxygen_l * LITRE_MOL
    plant.ledger.came[O2] += oxygen_l * LITRE_MOL
