"""The simulated plant against closed forms and tables it does not contain, within 0.5 %.

Tables (data/*.csv): derived balances, computed with pint 0.25.3, scipy 1.17.1
and IAPWS R14-08 / R7-97 (frost_point.csv). Dry air 20.946 % oxygen: handbook,
from memory. Permeability of butyl rubber: from memory.
"""

import csv
import math
from pathlib import Path

import pytest
import scipy

from dewline_sim.lab import Lab
from dewline_sim.physics.mixture import CM3_MOL, H2, H2O, LITRE_MOL, R, vapour_pressure_pa
from dewline_sim.physics.spec import (
    BoxSpec,
    ChamberSpec,
    ClimateSpec,
    GloveSpec,
    LabSpec,
    PumpSpec,
    PurifierSpec,
    SupplySpec,
    WallSpec,
)
from tests.sim.still_lab import LONG, STILL

DATA = Path(__file__).parent / "data"
WITHIN = 0.005
TIGHT_GLOVES = GloveSpec(
    oxygen_barrer=0.0, water_barrer=0.0, nitrogen_barrer=0.0, compliance_l_mbar=0.0
)
BARE_WALLS = WallSpec(quick_volumes=1e-9, slow_volumes=1e-9)
DRY = ClimateSpec(daily_k=0.0, weather_percent=0.0, weather_mbar=0.0, humidity_percent=2.0)


def table(name: str) -> list[dict[str, str]]:
    """The rows of a table in ``data``, as texts by column."""
    return list(csv.DictReader((DATA / name).read_text().splitlines()))


def plain_box(**changes: object) -> BoxSpec:
    """One rigid, well-mixed box that lets nothing in."""
    settings: dict[str, object] = {
        "gloves": TIGHT_GLOVES, "walls": BARE_WALLS, "dead_fraction": 0.0, "freezer": None,
        "purifier": None, "oxygen_ppm": 0.0, "moisture_ppm": 0.0,
    }  # fmt: skip
    return BoxSpec(**(settings | changes))  # type: ignore[arg-type]


def plain_lab(box: BoxSpec, climate: ClimateSpec = DRY, **changes: object) -> Lab:
    """That box in a room that stands still, on perfectly pure gas."""
    pure = SupplySpec(oxygen_ppm=0.0, moisture_ppm=0.0)
    settings: dict[str, object] = {"services": (pure,), "climate": climate} | changes
    return Lab(LabSpec(boxes=(box,), **settings), 1, 0)  # type: ignore[arg-type]


def oxygen(lab: Lab) -> float:
    """Oxygen in the box, ppm."""
    return lab.truth("heron")["oxygen"]


@pytest.mark.parametrize("inlet_ppm", [0.0, 1.0])
def test_purge_takes_the_volume_changes_of_perfect_mixing(inlet_ppm: float) -> None:
    """N = ln((C0 - Cin)/(C1 - Cin)) volume changes, purge.csv, down to 10 ppm."""
    gas = SupplySpec(oxygen_ppm=inlet_ppm, moisture_ppm=0.0)
    lab = plain_lab(plain_box(oxygen_ppm=209_460.0), services=(gas,))
    lab.act("purge_on", "heron", flow_l_min=300.0)
    column = "vol_changes_mixed_Cin0" if inlet_ppm == 0.0 else "vol_changes_mixed_Cin1ppm"
    changes, last = 0.0, oxygen(lab)
    for row in table("purge.csv"):
        goal = float(row["C_target_ppm"])
        if goal < 10:
            continue
        step = 0.0
        while oxygen(lab) > goal:
            last = oxygen(lab)
            lab.run(1)
            step = lab.truth("heron")["purge_flow"] / 60e3 / 1.2
            changes += step
        missed = math.log(goal / oxygen(lab)) / math.log(last / oxygen(lab)) * step
        assert changes - missed == pytest.approx(float(row[column]), rel=WITHIN)


@pytest.mark.long
@pytest.mark.parametrize(
    "row",
    [r for r in table("balance_cleanup.csv") if float(r["Qcirc_m3_h"]) > 0],
    ids=lambda r: r["case"],
)
def test_clean_up_and_its_steady_state(row: dict[str, str]) -> None:
    """C_ss and time to clean, balance_cleanup.csv: leak, permeation, loop of efficiency eta.

    A bed outlet of C_out is put in as a source of eta Q C_out, which is the same sum.
    """
    volume, eta, flow = float(row["V_m3"]), float(row["eta"]), float(row["Qcirc_m3_h"])
    start, goal = float(row["C0_ppm"]), float(row["C1_ppm"])
    box = plain_box(volume_m3=volume, purifier="p1", oxygen_ppm=start, low_mbar=2.9, high_mbar=3.1)
    purifier = PurifierSpec(
        flow_m3_h=flow, bypass=1.0 - eta, oxygen_units=60.0, oxygen_capacity_l=1e4
    )
    lab = plain_lab(box, purifiers=(purifier,))
    now = lab.truth("heron")
    per_cm3 = (1013.25 + now["pressure"]) / 1013.25 * 273.15 / (273.15 + now["temperature"])
    source = float(row["perm_cm3_h"]) + eta * flow * float(row["C_out_ppm"])
    lab.act("source", "heron", oxygen_cm3_h=source * per_cm3)
    lab.act("air_leak", "heron", l_h=float(row["leak_per_h"]) * volume * 1e3)
    steady = float(row["C_ss_ppm"])
    if steady < goal:
        last = start
        while oxygen(lab) > goal:
            last = oxygen(lab)
            lab.run(1)
        level = oxygen(lab)
        late = math.log((goal - steady) / (level - steady)) / math.log(
            (last - steady) / (level - steady)
        )
        assert lab.now_s - late == pytest.approx(float(row["t_cleanup_s"]), rel=WITHIN)
    lab.run(16 * float(row["tau_s"]))
    assert oxygen(lab) == pytest.approx(steady, rel=WITHIN)
    assert (steady > goal) == math.isinf(float(row["t_cleanup_s"]))


@pytest.mark.parametrize("low_mbar", [1.0, 10.0, 50.0])
@pytest.mark.parametrize("refill_ppm", [0.0, 1.0])
def test_antechamber_cycles(low_mbar: float, refill_ppm: float) -> None:
    """C_n = C_refill + (C_0 - C_refill) r^n, antechamber.csv, one to five cycles.

    The box is made so large that refilling does not draw it down.
    """
    chamber = ChamberSpec(volume_l=62.0, wall_cm3=0.0, refill_l_min=600.0)
    box = plain_box(volume_m3=500.0, chambers=(chamber,), oxygen_ppm=refill_ppm)
    climate = ClimateSpec(
        daily_k=0, weather_percent=0, weather_mbar=0, humidity_percent=2, barometer_mbar=1010.25
    )
    lab = plain_lab(box, climate, pump=PumpSpec(base_mbar=0.01))
    lab.act("open_door", "heron")
    lab.run(300)
    lab.act("close_door", "heron")
    column = "O2_ppm_pure_refill" if refill_ppm == 0.0 else "O2_ppm_refill_1ppm"
    for row in table("antechamber.csv"):
        if float(row["p_low_mbar_abs"]) != low_mbar:
            continue
        lab.act("evacuate", "heron", to_mbar=low_mbar)
        lab.run(600)
        assert lab.truth("heron")["large_pressure"] == pytest.approx(low_mbar, rel=1e-6)
        lab.act("refill", "heron")
        lab.run(120)
        expected = float(row[column])
        assert lab.truth("heron")["large_oxygen"] == pytest.approx(expected, rel=WITHIN)


@pytest.mark.parametrize(
    "row",
    [r for r in table("leak_hold.csv") if r["case"][0] in "CDEF"],
    ids=lambda r: r["case"],
)
def test_pressure_follows_leak_temperature_and_barometer(row: dict[str, str]) -> None:
    """Final gauge pressure of a rigid closed box, leak_hold.csv: p V = n R T with all three."""
    volume, hours = float(row["V_m3"]), float(row["t_h"])
    start, end = float(row["pg1_mbar"]), float(row["pg2_mbar"])
    warmer = float(row["T2_K"]) - float(row["T1_K"])
    climate = ClimateSpec(
        temperature_c=float(row["T1_K"]) - 273.15, daily_k=0.0, weather_percent=0.0,
        weather_mbar=0.0, humidity_percent=2.0, barometer_mbar=float(row["baro1_mbar"]),
    )  # fmt: skip
    box = plain_box(
        volume_m3=volume, low_mbar=start - 1, high_mbar=start + 1, warm_up_min=0.01, chambers=()
    )
    lab = plain_lab(box, climate)
    lab.act("pressure_control", "heron", on=False)
    assert lab.truth("heron")["pressure"] == pytest.approx(start, abs=1e-9)
    higher = float(row["baro2_mbar"]) - float(row["baro1_mbar"])
    lab.act("room_temperature", "site", warmer_k=warmer, over_s=hours * 3000)
    lab.act("barometer", "site", higher_mbar=higher, over_s=hours * 3000)
    inward_m3_h = max(0.0, float(row["Q_Pa_m3_s"])) / (float(row["baro1_mbar"]) + start) * 36
    lab.act("air_leak", "heron", l_h=inward_m3_h * 1e3)
    lab.run(hours * 3600)
    moved = lab.truth("heron")["pressure"] - start
    assert moved == pytest.approx(end - start, rel=WITHIN)


@pytest.mark.long
@pytest.mark.parametrize(
    "row",
    [r for r in table("o2_method.csv") if float(r["dCdt_ppm_h"]) > 0],
    ids=lambda r: r["case"],
)
def test_isolated_box_takes_up_oxygen(row: dict[str, str]) -> None:
    """C after the time given, o2_method.csv: dC/dt = lambda (C_air - C), dry and humid air."""
    volume = float(row["V_m3"])
    humid = float(row["C_air_ppm"]) < 209_000
    climate = ClimateSpec(
        daily_k=0.0, weather_percent=0.0, weather_mbar=0.0, humidity_percent=50.0 if humid else 2.0
    )
    box = plain_box(volume_m3=volume, oxygen_ppm=float(row["C0_ppm"]), low_mbar=2.9, high_mbar=3.1)
    lab = plain_lab(box, climate)
    lab.act("air_leak", "heron", l_h=float(row["rate_exact_per_h"]) * volume * 1e3)
    lab.run(float(row["t_min"]) * 60)
    risen = oxygen(lab) - float(row["C0_ppm"])
    expected = float(row["C1_ppm"]) - float(row["C0_ppm"])
    assert risen == pytest.approx(expected, rel=WITHIN)


@pytest.mark.long
@pytest.mark.parametrize(
    "row",
    [r for r in table("bed_loading.csv") if float(r["t_h"]) < 100],
    ids=lambda r: r["case"],
)
def test_bed_takes_up_what_passes(row: dict[str, str]) -> None:
    """mol on the bed = p Q t / (R T) (C_in - C_out), bed_loading.csv; the box stands at C_in.

    Of rows longer than 6 h the first 6, and as much of what they take up; whole if LONG.
    """
    hours = float(row["t_h"]) if LONG else min(6.0, float(row["t_h"]))
    level, left = float(row["C_in_ppm"]), float(row["C_out_ppm"])
    flow, water = float(row["Q_m3_h_actual"]), row["case"].startswith("H2O")
    purifier = PurifierSpec(
        flow_m3_h=flow, bypass=left / level, oxygen_units=60.0, water_units=60.0,
        oxygen_capacity_l=1e3, water_capacity_g=1e4, half_water_ppm=0.0, bed_kg=1e6,
    )  # fmt: skip
    start = {"moisture_ppm" if water else "oxygen_ppm": level}
    climate = ClimateSpec(
        temperature_c=float(row["T_C"]) - 0.5, daily_k=0, weather_percent=0, weather_mbar=0,
        humidity_percent=2,
    )  # fmt: skip
    lab = plain_lab(plain_box(purifier="p1", **start), climate, purifiers=(purifier,))
    now = lab.truth("heron")
    assert now["temperature"] == pytest.approx(float(row["T_C"]), abs=0.01)
    pressure = 1013.25 + now["pressure"]
    per_cm3 = pressure / 1013.25 * 273.15 / (273.15 + float(row["T_C"]))
    feed = {"water_cm3_h" if water else "oxygen_cm3_h": flow * (level - left) * per_cm3}
    lab.act("source", "heron", **feed)
    bed = lab.purifiers["p1"].beds[0]
    lab.run(hours * 3600)
    taken = bed.water.mol if water else bed.oxygen.mol
    assert taken == pytest.approx(float(row["mol"]) * hours / float(row["t_h"]), rel=WITHIN)
    role = "moisture" if water else "oxygen"
    assert lab.truth("heron")[role] == pytest.approx(level, rel=WITHIN)


@pytest.mark.long
@pytest.mark.parametrize("row", table("permeation.csv"), ids=lambda r: r["case"])
def test_gloves_let_through_what_the_barrer_says(row: dict[str, str]) -> None:
    """Steady permeation, permeation.csv, after the lag is over (23 degC, 50 % RH)."""
    water = row["case"].startswith("H2O")
    barrer = float(row["P_barrer"])
    gloves = GloveSpec(
        area_m2=float(row["area_m2"]), thickness_mm=float(row["thickness_mm"]),
        oxygen_barrer=0.0 if water else barrer, water_barrer=barrer if water else 0.0,
        nitrogen_barrer=0.0, compliance_l_mbar=0.0, oxygen_lag_h=0.5, water_lag_h=0.5,
    )  # fmt: skip
    climate = ClimateSpec(
        daily_k=0.0, weather_percent=0.0, weather_mbar=0.0, humidity_percent=50.0 if water else 2.0
    )
    lab = plain_lab(plain_box(gloves=gloves, volume_m3=1000.0), climate)
    lab.run(4 * 3600)
    slab = lab.boxes["heron"].gloves.water if water else lab.boxes["heron"].gloves.oxygen
    assert slab.rate * 3600 / CM3_MOL == pytest.approx(float(row["cm3_STP_per_h"]), rel=WITHIN)


@pytest.mark.parametrize("row", table("regen_stoich.csv"))
def test_regeneration_uses_two_hydrogen_an_oxygen(row: dict[str, str]) -> None:
    """Forming gas until the oxide is gone and water made, regen_stoich.csv."""
    grams, use = float(row["O2_on_bed_g"]), float(row["H2_utilisation"])
    need_l = float(row["forming_gas_5pct_L_0C_1atm"])
    spec = PurifierSpec(
        hydrogen_use=use, forming_l_min=need_l / 100.0, reduce_min=200.0, oxygen_capacity_l=100.0
    )
    lab = plain_lab(plain_box(purifier="p1"), purifiers=(spec,))
    held_l = grams / 31.9988 / LITRE_MOL
    lab.act("bed_load", "p1", oxygen_percent=held_l)
    lab.act("regenerate", "p1")
    purifier = lab.purifiers["p1"]
    while purifier.beds[0].oxygen.mol > 1e-9 * grams:
        lab.run(10)
        assert lab.now_s < 12 * 3600
    assert purifier.forming_mol / LITRE_MOL == pytest.approx(need_l, rel=WITHIN)
    made = lab.ledger.made
    assert made[H2O] * 18.01528 == pytest.approx(float(row["H2O_formed_g"]), rel=1e-4)
    assert -made[H2] == pytest.approx(
        float(row["H2_mol"]) * use if use == 1.0 else grams / 31.9988 * 2, rel=1e-4
    )


def test_vapour_pressure_of_ice_and_water() -> None:
    """Against IAPWS R14-08 and R7-97 (frost_point.csv) over the temperatures the plant meets."""
    seen = 0
    for row in table("frost_point.csv"):
        celsius = float(row[next(iter(row))])
        if -40 <= celsius <= 35:
            pressure = float(row["p_ice_Pa"])
            assert vapour_pressure_pa(celsius) == pytest.approx(pressure, rel=WITHIN)
            seen += 1
    assert seen > 8


def test_room_is_displaced_by_inert_gas() -> None:
    """10 m3 released in 50 m3 without ventilation: 20.9 exp(-Vg/V) = 17.1 % (derived)."""
    climate = ClimateSpec(
        daily_k=0.0, weather_mbar=0.0, weather_percent=0.0, room_m3=50.0, air_changes_per_h=0.0
    )
    lab = plain_lab(plain_box(), climate, vent_to_room=1.0)
    lab.act("purge_on", "heron", flow_l_min=300.0)
    released = 0.0
    while released < 10.0:
        lab.run(1)
        released += lab.truth("heron")["purge_flow"] / 60e3
    lab.run(10)
    assert lab.truth("site")["room_oxygen"] == pytest.approx(20.946 * math.exp(-0.2), rel=WITHIN)


@pytest.mark.long
def test_two_zones_and_walls_against_an_independent_integration() -> None:
    """Water after the loop stops, against scipy's LSODA on the written-out equations.

    Walls at low level: dw/dt = a c - w/tau, a = K V/tau (derived; linear limit).
    """
    walls = WallSpec(full_ppm=1e6)
    box = BoxSpec(walls=walls, chambers=(), freezer=None, purifier=None, moisture_ppm=0.15)
    lab = Lab(LabSpec(boxes=(box,), climate=STILL), 1, 0)
    truth, plant = lab.truth("heron"), lab.boxes["heron"]
    kelvin = 273.15 + truth["temperature"]
    box_mol = (101_325 + truth["pressure"] * 100) * 1.2 / (R * kelvin)
    stiff = math.exp(-60e3 / R * (1 / kelvin - 1 / 296.15))
    source = plant.gloves.water.rate * 1e6
    zones = sum(plant.zone), sum(plant.corner)
    between = zones[1] / 600.0

    def rates(_: float, y: list[float]) -> list[float]:
        c, d, quick, slow = y
        swap = between * (c - d)
        to_quick = 5 * box_mol / 1200 * c - quick * stiff / 1200
        to_slow = 50 * box_mol / 72_000 * c - slow * stiff / 72_000
        main = (source - swap - to_quick - to_slow) / zones[0]
        return [main, swap / zones[1], to_quick, to_slow]

    start = [
        truth["moisture"], truth["corner_moisture"],
        plant.walls.quick.mol * 1e6, plant.walls.slow.mol * 1e6,
    ]  # fmt: skip
    hours = (0.25, 1.0, 4.0)
    solved = scipy.integrate.solve_ivp(
        rates, (0, 14_400), start, t_eval=[h * 3600 for h in hours], rtol=1e-9, method="LSODA"
    )
    for i, h in enumerate(hours):
        lab.run(h * 3600 - (hours[i - 1] * 3600 if i else 0))
        moisture = lab.truth("heron")["moisture"]
        assert moisture == pytest.approx(solved.y[0][i], rel=WITHIN)
