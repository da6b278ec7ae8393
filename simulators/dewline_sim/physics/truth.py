"""How things truly are at a place, as numbers. Switches are 0 or 1.

Box: oxygen, moisture, solvent, hydrogen, nitrogen_in_argon, corner_oxygen,
corner_moisture, outlet_oxygen, outlet_moisture (ppm by volume); pressure,
pressure_low, pressure_high (gauge mbar); temperature, freezer_temperature,
freezer_setpoint, bed_temperature (degC); fill_flow, purge_flow (L/min at box
conditions); circulation_flow (m3/h); blower_speed (%); freezer_ice (g);
hands_displacement (L); A_pressure (absolute mbar) for antechamber A.
Purifier: as its docstring in ``_purifier``. Services: pressure, cylinder_N
(gauge bar), flow (L/min at 0 degC, 1013.25 mbar), level (%), oxygen_ppm,
moisture_ppm. Vacuum: base_pressure, foreline_pressure (mbar), run_hours.
Cooling: temperature (degC), flow (L/min). Site: room_oxygen, room_humidity
(%), room_temperature (degC), barometer (mbar), mains_present.
"""

from __future__ import annotations

from dewline_sim.physics.box import Box
from dewline_sim.physics.chamber import Antechamber
from dewline_sim.physics.freezer import Freezer
from dewline_sim.physics.mixture import H2, H2O, LITRE_MOL, MOLAR_MASS, N2, O2, SOLVENT, ppm
from dewline_sim.physics.plant import COOLING, SITE, VACUUM, Plant
from dewline_sim.physics.purifier import Purifier
from dewline_sim.physics.services import Supply

Truth = dict[str, float]
_FORMING_FULL_BAR = 150.0
_FORMING_L = 50.0


def truth_at(plant: Plant, place: str) -> Truth:
    """What is true at a place now, by the names of the module's docstring.

    A box also has the truth of its purifier. ValueError names the places there are.
    """
    if place in plant.boxes:
        return _box(plant, plant.boxes[place])
    if place in plant.purifiers:
        return _purifier(plant, plant.purifiers[place])
    if place in plant.supplies:
        return _supply(plant.supplies[place])
    others = {SITE: _site, VACUUM: _vacuum, COOLING: _cooling}
    if place in others:
        return others[place](plant)
    raise ValueError(f"no place {place!r}; known are {', '.join(plant.places())}")


def _box(plant: Plant, box: Box) -> Truth:
    valves, zone = box.valves, box.zone
    truth = {
        "oxygen": ppm(zone, O2),
        "moisture": ppm(zone, H2O),
        "solvent": ppm(zone, SOLVENT),
        "hydrogen": ppm(zone, H2),
        "nitrogen_in_argon": ppm(zone, N2) if box.spec.gas == "argon" else 0.0,
        "corner_oxygen": ppm(box.corner, O2),
        "corner_moisture": ppm(box.corner, H2O),
        "pressure": box.gauge_pa / 100.0,
        "pressure_low": valves.low_pa / 100.0,
        "pressure_high": valves.high_pa / 100.0,
        "temperature": box.temperature_c,
        "fill_valve": float(valves.fill_open),
        "relief_valve": float(valves.relief_open),
        "purging": float(valves.purge_l_min > 0.0),
        "purge_flow": valves.purge_l_min * box.supply.push
        if box.valve_supply.moves_valves
        else 0.0,
        "fill_flow": valves.fill_l_min,
        "foot_pedal": float(valves.pedal_add_s > 0.0) - float(valves.pedal_remove_s > 0.0),
        "light": float(box.lights_k > 0.0 and box.powered),
        "valve_supply_pressure": box.valve_supply.pressure_bar,
        "hands_in": float(box.hands.inside),
        "powered": float(box.powered),
    }
    if box.freezer is not None:
        truth |= _freezer(box.freezer)
    for name, chamber in box.chambers.items():
        truth |= _chamber(box, name, chamber)
    loop = plant.loops.get(box.spec.name)
    if loop is not None:
        truth |= _purifier(plant, loop)
        truth["circulation_flow"] = loop.share_m3_s(box) * 3600.0
    return truth


def _freezer(freezer: Freezer) -> Truth:
    return {
        "freezer_temperature": freezer.temperature_c,
        "freezer_setpoint": freezer.spec.setpoint_c,
        "freezer_compressor": float(freezer.compressor),
        "freezer_door": float(freezer.lid_open),
        "freezer_ice": freezer.ice_mol * MOLAR_MASS[H2O] * 1e3,
    }


def _chamber(box: Box, name: str, chamber: Antechamber) -> Truth:
    busy = any(t.chamber is chamber for t in box.transfers)
    return {
        f"{name}_pressure": chamber.pressure_pa(box.kelvin) / 100.0,
        f"{name}_evacuating": float(chamber.evacuating),
        f"{name}_refilling": float(chamber.refilling),
        f"{name}_outer_door": float(chamber.outer_open),
        f"{name}_inner_door": float(chamber.inner_open),
        f"{name}_transferring": float(busy),
        f"{name}_oxygen": ppm(chamber.gas, O2),
    }


def _purifier(plant: Plant, purifier: Purifier) -> Truth:
    """Flows m3/h and L/min, temperatures degC, outlets ppm, loads and activity %, bars gauge.

    ``circulating`` is the blower's bit; ``bed_in_loop`` 0 none, 1, 2;
    ``bed_regenerating`` likewise; ``regeneration_step`` 0 none, 1 isolate,
    2 heat, 3 reduce, 4 dry, 5 cool.
    """
    program, bed = purifier.regeneration, purifier.bed
    shown = bed if bed is not None else purifier.beds[0]
    drawn_bar = purifier.forming_mol / LITRE_MOL / _FORMING_L
    truth = {
        "circulating": float(purifier.running),
        "circulation_flow": purifier.flow_m3_s * 3600.0,
        "blower_speed": purifier.speed_percent,
        "bed_in_loop": 0.0 if purifier.in_loop is None else purifier.in_loop + 1.0,
        "bypassed": float(purifier.bypassed),
        "bed_temperature": shown.temperature_c,
        "bed_oxygen_load": 100.0 * shown.oxygen.load,
        "bed_water_load": 100.0 * shown.water.load,
        "bed_activity": 100.0 * shown.activity,
        "regenerating": float(program is not None),
        "regeneration_step": float(program.step) if program is not None else 0.0,
        "bed_regenerating": 0.0,
        "forming_gas_flow": program.flow_l_min if program is not None else 0.0,
        "forming_gas_pressure": max(0.0, _FORMING_FULL_BAR - drawn_bar),
        "cooling_water_temperature": plant.cooling.temperature_c.at(plant.site.now_s),
        "cooling_water_flow": plant.cooling.flow_l_min.at(plant.site.now_s),
        "filter_differential": 4.0 * (purifier.flow_m3_s * 60.0) ** 2
        / purifier.filter.at(plant.site.now_s) ** 2,
        "leaked_water": purifier.pool_mol * MOLAR_MASS[H2O] * 1e3,
    }  # fmt: skip
    for i, vessel in enumerate(purifier.beds):
        truth[f"bed_{i + 1}_temperature"] = vessel.temperature_c
        if program is not None and program.bed is vessel:
            truth["bed_regenerating"] = i + 1.0
    return truth | _outlet(purifier)


def _outlet(purifier: Purifier) -> Truth:
    """What leaves the bed, before the slip mixes in; without a bed in the loop, the box's gas."""
    if not purifier.boxes:
        return {}
    whole = sum(b.spec.volume_m3 for b in purifier.boxes)
    inlet = [
        sum(b.zone[s] / b.zone_mol * b.spec.volume_m3 for b in purifier.boxes) / whole
        for s in (O2, H2O)
    ]
    bed = purifier.bed
    if bed is None or purifier.bypassed:
        return {"outlet_oxygen": inlet[0] * 1e6, "outlet_moisture": inlet[1] * 1e6}
    return {
        "outlet_oxygen": (bed.oxygen.offset + bed.oxygen.slope * inlet[0]) * 1e6,
        "outlet_moisture": (bed.water.offset + bed.water.slope * inlet[1]) * 1e6,
    }


def _supply(supply: Supply) -> Truth:
    truth = {
        "pressure": supply.pressure_bar,
        "flow": supply.flow_l_min,
        "level": supply.level_percent,
        "oxygen_ppm": supply.shares[O2] * 1e6,
        "moisture_ppm": supply.shares[H2O] * 1e6,
    }
    for i in range(len(supply.cylinders)):
        truth[f"cylinder_{i + 1}"] = supply.cylinder_bar(i)
    return truth


def _vacuum(plant: Plant) -> Truth:
    return {
        "vacuum_pump_on": float(plant.pump.on),
        "base_pressure": plant.pump.base_pa / 100.0,
        "foreline_pressure": plant.pump.foreline_pa / 100.0,
        "run_hours": plant.pump.run_h,
    }


def _cooling(plant: Plant) -> Truth:
    return {
        "temperature": plant.cooling.temperature_c.at(plant.site.now_s),
        "flow": plant.cooling.flow_l_min.at(plant.site.now_s),
    }


def _site(plant: Plant) -> Truth:
    climate = plant.climate
    return {
        "room_oxygen": 100.0 * climate.room_oxygen,
        "room_temperature": climate.temperature_c,
        "room_humidity": climate.humidity_percent,
        "barometer": climate.barometer_pa / 100.0,
        "mains_present": float(plant.site.mains),
    }
