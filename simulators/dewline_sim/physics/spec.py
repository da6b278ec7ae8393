"""What a simulated lab is made of. The defaults are one ordinary box at 23 degC and 50 % RH.

Every number is in the unit its name ends with. ``lab_spec`` builds a spec from
plain mappings (a story's YAML) and names what it does not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from dewline_sim.typed_tree import build


@dataclass(frozen=True, slots=True, kw_only=True)
class GloveSpec:
    """All gloves of a box together. Permeabilities of butyl are from memory, good to a factor 2-5.

    ``compliance_l_mbar`` is what all taut gloves and the window give way;
    ``stroke_l`` is how far before they are stretched and stiff.
    """

    area_m2: float = 0.9
    thickness_mm: float = 0.4
    oxygen_barrer: float = 1.3
    water_barrer: float = 100.0
    nitrogen_barrer: float = 0.32
    oxygen_lag_h: float = 1.0  # thickness^2 / 6 D
    water_lag_h: float = 3.0
    compliance_l_mbar: float = 0.7
    stroke_l: float = 12.0
    hands_humidity: float = 3.4  # vapour pressure in a worn glove over the room's


@dataclass(frozen=True, slots=True, kw_only=True)
class WallSpec:
    """Two reservoirs of water on everything inside. Sizes in box volumes of gas in equilibrium."""

    quick_volumes: float = 5.0
    quick_s: float = 1200.0
    slow_volumes: float = 50.0
    slow_s: float = 72000.0
    energy_kj_mol: float = 60.0
    full_ppm: float = 1500.0  # the water level at which half the places are taken


@dataclass(frozen=True, slots=True, kw_only=True)
class ChamberSpec:
    """An antechamber. ``automatic``: pneumatic valves run the program; else a hand valve."""

    name: str = "large"
    volume_l: float = 62.0
    automatic: bool = True
    refill_from: Literal["box", "supply"] = "box"
    refill_l_min: float = 120.0
    pump_m3_h: float = 8.0  # pumping speed at the chamber
    wall_cm3: float = 3.0  # water the walls take up from room air
    wall_s: float = 600.0  # and give off again under vacuum


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezerSpec:
    """A freezer inside a box. ``hysteresis_k`` is the whole band around the setpoint."""

    setpoint_c: float = -35.0
    hysteresis_k: float = 3.0
    warm_up_h: float = 9.0
    pull_down_k_h: float = 14.0
    ice_m3_h: float = 0.014  # gas an hour that leaves in equilibrium with the ice


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxSpec:
    """One glovebox. Pressures are gauge."""

    name: str = "heron"
    gas: Literal["nitrogen", "argon"] = "nitrogen"
    regime: Literal["positive", "negative"] = "positive"
    volume_m3: float = 1.2
    dead_fraction: float = 0.2  # the badly swept corner
    dead_exchange_s: float = 600.0
    low_mbar: float = 2.0
    high_mbar: float = 4.0
    target_mbar: float | None = None  # both valves close here; None: middle of the band
    fill_l_min: float = 15.0
    fast_fill_l_min: float = 200.0
    relief_l_min: float = 120.0  # at 3 mbar
    bubbler_mbar: float = 15.0
    warm_up_min: float = 40.0  # how fast the box follows the room
    purifier: str | None = "p1"
    supply: str = "house-nitrogen"
    valve_supply: str | None = None  # the gas that moves the valves; None: the supply
    gloves: GloveSpec = GloveSpec()
    walls: WallSpec = WallSpec()
    chambers: tuple[ChamberSpec, ...] = (
        ChamberSpec(),
        ChamberSpec(name="small", volume_l=3.5, automatic=False, wall_cm3=0.3, pump_m3_h=4.0),
    )
    freezer: FreezerSpec | None = FreezerSpec()
    oxygen_ppm: float | None = None  # at the start; None: the level it idles at
    moisture_ppm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PurifierSpec:
    """Blower and beds. Capacities are what a bed takes up at trace level, not the catalogue's.

    ``oxygen_units`` and ``water_units`` are the numbers of transfer units of a
    fresh bed; ``bypass`` is the share of the flow that slips past it.
    """

    name: str = "p1"
    beds: int = 1
    flow_m3_h: float = 60.0
    night_flow_m3_h: float | None = None
    night_from_h: float = 19.0  # local time
    night_to_h: float = 7.0
    suction_mbar: float = 13.0  # below box pressure, before the blower at full flow
    bypass: float = 0.05
    oxygen_capacity_l: float = 30.0  # litres of gas at 0 degC, 1013.25 mbar
    water_capacity_g: float = 200.0
    oxygen_units: float = 8.0
    water_units: float = 8.0
    half_water_ppm: float = 0.01  # level over a half-full sieve at 23 degC
    sieve_kj_mol: float = 65.0
    bed_kg: float = 5.0
    bed_kj_kg_k: float = 0.9
    cells: int = 8
    solvent_share: float = 0.25  # of the passing solvent that stays on the bed
    solvent_poison_mol: float = 0.12  # uptake that costs 63 % of the catalyst's activity
    forming_l_min: float = 20.0
    hydrogen_share: float = 0.05
    hydrogen_use: float = 0.45  # share of the hydrogen that meets oxide
    isolate_min: float = 10.0
    heat_min: float = 120.0
    reduce_min: float = 180.0
    dry_min: float = 150.0
    cool_min: float = 360.0
    regeneration_c: float = 220.0
    auto_restart: bool = False  # after a power cut


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySpec:
    """Gas the boxes draw on. Pressures in bar gauge, impurities in ppm."""

    name: str = "house-nitrogen"
    kind: Literal["house", "cylinder", "liquid"] = "house"
    gas: Literal["nitrogen", "argon"] = "nitrogen"
    pressure_bar: float = 6.0
    oxygen_ppm: float = 1.0
    moisture_ppm: float = 1.0
    nitrogen_ppm: float = 0.0  # in argon
    cylinders: int = 2
    cylinder_l: float = 50.0
    cylinder_bar: float = 200.0
    liquid_l: float = 180.0
    valve_minimum_bar: float = 4.0  # pneumatic valves fall shut below


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpSpec:
    """The vacuum pump all antechambers share."""

    base_mbar: float = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateSpec:
    """Room and weather. Swings are half of peak to peak; hours are local time."""

    temperature_c: float = 23.0
    daily_k: float = 1.5
    humidity_percent: float = 50.0
    season_percent: float = 0.0  # relative humidity up in summer, down in winter
    weather_percent: float = 2.0
    barometer_mbar: float = 1013.25
    weather_mbar: float = 6.0
    utc_offset_h: float = 0.0
    room_m3: float = 150.0
    air_changes_per_h: float = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LabSpec:
    """The whole lab. ``step_ms`` divides a second; ``vent_to_room`` is 0 with good exhaust."""

    boxes: tuple[BoxSpec, ...] = (BoxSpec(),)
    purifiers: tuple[PurifierSpec, ...] = (PurifierSpec(),)
    services: tuple[SupplySpec, ...] = (SupplySpec(),)
    pump: PumpSpec = PumpSpec()
    climate: ClimateSpec = field(default_factory=ClimateSpec)
    cooling_c: float = 15.0
    cooling_l_min: float = 4.0
    vent_to_room: float = 0.0
    step_ms: int = 1000


def lab_spec(document: Mapping[str, object]) -> LabSpec:
    """Build a spec from plain mappings and lists; what is left out keeps its default.

    Raises ValueError that names the unknown key and the known ones.
    """
    return build(LabSpec, document, "lab")
