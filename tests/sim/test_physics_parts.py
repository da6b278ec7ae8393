"""The smaller parts of the plant, each by the law it follows."""

import math
import random

import pytest

from dewline_sim.lab import Lab
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.mixture import LITRE_MOL, N2, O2, vapour_pressure_pa
from dewline_sim.physics.openings import (
    DIFFUSION_M2_S,
    VISCOSITY_PA_S,
    Opening,
    forced_open,
)
from dewline_sim.physics.people import Hands
from dewline_sim.physics.ramp import Ramp
from dewline_sim.physics.spec import (
    BoxSpec,
    ClimateSpec,
    GloveSpec,
    LabSpec,
    PumpSpec,
    SupplySpec,
)

HERON = "heron"
NOON_MS = 1_772_366_400_000  # 2026-03-01 12:00 UTC


def still(**changes: object) -> Lab:
    settings: dict[str, object] = {"climate": ClimateSpec.still()} | changes
    return Lab(LabSpec(**settings), 1, NOON_MS)  # type: ignore[arg-type]


def see(lab: Lab, role: str) -> float:
    return lab.truth(HERON)[role]


# Openings


def test_wide_holes_are_orifices_and_fine_ones_capillaries() -> None:
    """u = Cd sqrt(2 dp/rho) when wide; u = d2 dp / (32 mu L) when fine (Hagen-Poiseuille)."""
    wide = Opening("hole", "shell", 2e-3, 5e-5)
    assert wide.velocity_m_s(300.0, 1.165) == pytest.approx(
        0.6 * math.sqrt(2 * 300 / 1.165), rel=0.01
    )
    fine = Opening("hole", "shell", 5e-6, 1e-2)
    poiseuille = (5e-6) ** 2 * 300 / (32 * VISCOSITY_PA_S * 1e-2)
    assert fine.velocity_m_s(300.0, 1.165) == pytest.approx(poiseuille, rel=0.01)
    assert fine.velocity_m_s(-300.0, 1.165) == -fine.velocity_m_s(300.0, 1.165)
    assert fine.velocity_m_s(0.0, 1.165) == 0.0


def test_a_choked_hole_passes_sonic_flow() -> None:
    """Vacuum behind a hole draws no faster than choked flow: Cd times about 200 m/s."""
    hole = Opening("hole", "shell", 1e-3, 5e-5)
    assert hole.velocity_m_s(1e5, 1.19) == pytest.approx(120.0)


@pytest.mark.parametrize(("slit", "gap_um"), [(True, 9.0), (False, 14.0)])
def test_back_diffusion_fades_with_peclet(slit: bool, gap_um: float) -> None:
    """Pe = h2 dp / 12 mu D (slit), d2 dp / 32 mu D (bore), whatever the length: against +3 mbar
    about 5 at 9 and 14 micrometres, where back-diffusion is a few per cent of free (derived)."""
    gap, reach = gap_um * 1e-6, 5e-3
    opening = Opening("scratch", "shell", gap, reach, 0.1 if slit else 0.0)
    speed = opening.velocity_m_s(300.0, 1.165)
    peclet = speed * reach / DIFFUSION_M2_S
    law = gap**2 * 300 / ((12 if slit else 32) * VISCOSITY_PA_S * DIFFUSION_M2_S)
    assert peclet == pytest.approx(law, rel=0.02)
    assert peclet == pytest.approx(5.3, abs=0.4)
    free = opening.exchange_m3_s(0.0, 0.0)
    assert free == pytest.approx(opening.area_m2 * DIFFUSION_M2_S / reach, rel=0.01)
    against = opening.exchange_m3_s(speed, 0.0)
    assert against / free == pytest.approx(peclet / math.expm1(peclet), rel=0.02)
    assert opening.exchange_m3_s(speed * 100, 0.0) == 0.0


def test_a_scratched_seal_lets_air_in_against_the_pressure() -> None:
    """10 cm of fine scratch: of the order of 0.5-1 cm3/h O2 (derived), oxygen up a little."""
    lab = still(boxes=(BoxSpec(low_mbar=2.9, high_mbar=3.1),))
    lab.run(3600)
    idle = see(lab, "oxygen")
    lab.act("scratch", HERON, gap_um=5.0, length_mm=100.0)
    lab.run(1800)
    cm3_h = (see(lab, "oxygen") - idle) * 57
    assert 0.2 < cm3_h < 1.5


def test_argon_falls_out_faster_than_nitrogen() -> None:
    """Exchange through an open port goes with sqrt(drho/rho): argon 3.4 times nitrogen."""
    hole = Opening("tear", "shell", 0.036, 4e-4)
    nitrogen, argon = hole.exchange_m3_s(0.0, 0.033), hole.exchange_m3_s(0.0, 0.38)
    assert argon / nitrogen == pytest.approx(math.sqrt(0.38 / 0.033), rel=0.04)
    assert nitrogen * 60e3 == pytest.approx(1.3, rel=0.1)  # L/min (derived)


def test_forced_opening_is_stable_and_exact_when_slow() -> None:
    """Backward Euler: the right steady pressure at any step, never past zero, p0 kept without."""
    steady = forced_open(
        300.0, inflow_m3_s=3.3e-3, area_m2=1e-3, give_m3_pa=1.9e-5, density=1.165, dt=1e6
    )
    assert 0.6 * 1e-3 * math.sqrt(2 * steady / 1.165) == pytest.approx(3.3e-3, rel=1e-3)
    for start in (300.0, -300.0):
        after = forced_open(
            start, inflow_m3_s=0.0, area_m2=1e-2, give_m3_pa=1.9e-5, density=1.165, dt=1.0
        )
        assert 0.0 <= after / start < 0.01
    kept = forced_open(
        300.0, inflow_m3_s=0.0, area_m2=0.0, give_m3_pa=1.9e-5, density=1.165, dt=1.0
    )
    assert kept == pytest.approx(300.0)


# Pressure


def test_gloves_make_the_box_softer() -> None:
    """dp = dn R T / (V + C p): with 0.7 L/mbar of gloves a dose moves pressure 1.2/1.9 as far;
    beyond their stroke the box is rigid again."""
    moved = []
    for compliance in (0.0, 0.7):
        box = BoxSpec(gloves=GloveSpec(compliance_l_mbar=compliance, stroke_l=5.0), purifier=None)
        lab = still(boxes=(box,))
        lab.act("pressure_control", HERON, on=False)
        start = see(lab, "pressure")
        lab.act("inject_air", HERON, ml=1000.0)
        lab.run(1)
        moved.append(see(lab, "pressure") - start)
        lab.act("inject_air", HERON, ml=10_000.0)
        lab.run(1)
        soft = see(lab, "pressure")
        lab.act("inject_air", HERON, ml=1000.0)
        lab.run(1)
        assert see(lab, "pressure") - soft == pytest.approx(1013 / 1200, rel=0.03)
    assert moved[0] == pytest.approx(1013 / 1200, rel=0.02)
    assert moved[1] / moved[0] == pytest.approx(1.18 / 1.88, rel=0.03)


def test_valves_hold_the_band_and_close_in_its_middle() -> None:
    """A slow loss: fill opens under the low setpoint, shuts at the middle, and so on."""
    lab = still()
    lab.act("hole", HERON, diameter_mm=1.0)
    fills, was, high, low = 0, 0.0, 0.0, 9.0
    for _ in range(1800):
        lab.run(1)
        is_open = see(lab, "fill_valve")
        fills, was = fills + (is_open > was), is_open
        high, low = max(high, see(lab, "pressure")), min(low, see(lab, "pressure"))
    assert fills > 3
    assert 1.8 < low < 2.0
    assert high == pytest.approx(3.0, abs=0.02)


def test_stuck_valves_and_the_bubbler() -> None:
    """Fill stuck open: relief chatters; relief shut too: the overflow limits near +15 mbar."""
    lab = still()
    lab.act("valve_sticks", HERON, valve="fill", position="open")
    lab.run(120)
    assert see(lab, "fill_valve") == 1.0
    assert 4 < see(lab, "pressure") < 9
    lab.act("valve_sticks", HERON, valve="relief", position="shut")
    lab.run(120)
    assert 15 < see(lab, "pressure") < 35
    lab.act("valve_sticks", HERON, valve="fill", position="no")
    lab.act("valve_sticks", HERON, valve="relief", position="no")
    lab.run(300)
    assert see(lab, "pressure") < 4.0
    lab.act("valve_sticks", HERON, valve="fill", position="shut")
    lab.act("pedal_remove", HERON, seconds=10.0)
    lab.run(60)
    assert see(lab, "pressure") < -3.0


def test_pedal_adds_and_removes() -> None:
    """Gas in at full flow for so long; gas out through the pump, below ambient if one likes."""
    lab = still(boxes=(BoxSpec(low_mbar=-20.0, high_mbar=12.0, target_mbar=3.0),))
    start = see(lab, "pressure")
    lab.act("pedal_add", HERON, seconds=2.0)
    lab.run(1)
    assert see(lab, "foot_pedal") == 1.0
    lab.run(4)
    added = see(lab, "pressure") - start
    assert added == pytest.approx(2 * 200 / 60 / 1.88, rel=0.1)
    lab.act("pedal_remove", HERON, seconds=8.0)
    lab.run(10)
    assert see(lab, "pressure") < 0.0


def test_negative_box_is_held_below_ambient() -> None:
    """Regime negative: extract and fill keep -5 to -2 mbar; a hole leaks inward all day."""
    box = BoxSpec(regime="negative", low_mbar=-5.0, high_mbar=-2.0)
    lab = still(boxes=(box,))
    lab.act("hole", HERON, diameter_mm=0.3)
    for _ in range(24):
        lab.run(300)
        assert -5.3 < see(lab, "pressure") < -1.7
    assert 5 < see(lab, "oxygen") < 50  # common practice


def test_weather_moves_gauge_pressure() -> None:
    """Barometer down 10 mbar over a shut rigid box: gauge up 10."""
    box = BoxSpec(gloves=GloveSpec(compliance_l_mbar=0.0))
    lab = still(boxes=(box,))
    lab.act("pressure_control", HERON, on=False)
    start = see(lab, "pressure")
    lab.act("barometer", "site", higher_mbar=-10.0, over_s=600.0)
    lab.run(700)
    assert see(lab, "pressure") - start == pytest.approx(10.0, abs=0.1)
    assert lab.truth("site")["barometer"] == pytest.approx(1003.25)


# Hands, gloves, walls, things


def test_hands_are_still_when_told() -> None:
    """none stays where it is at zero; day sleeps at night; work moves within its reach."""
    hands = Hands(random.Random(1))
    assert hands.litres(1e6, 10.0) == 0.0
    hands.plan("day", 0.0, arms_l=8.0, pull_l=4.0, rest_s=60.0, stay_s=60.0)
    assert all(hands.litres(float(t), 3.0) == 0.0 for t in range(0, 7200, 7))
    hands.plan("work", 7200.0, arms_l=8.0, pull_l=4.0, rest_s=60.0, stay_s=60.0)
    seen = [hands.litres(7200.0 + t, 3.0) for t in range(3600)]
    assert 8.0 < max(seen) < 12.0
    assert -5.0 < min(seen) < -2.0
    hands.plan("withdrawals", 20_000.0, arms_l=8.0, pull_l=4.0, rest_s=60.0, stay_s=60.0)
    seen = [hands.litres(20_002.0 + t, 3.0) for t in range(3600)]
    assert max(seen) == 0.0
    assert min(seen) < -2.0


def test_water_through_gloves_comes_hours_late() -> None:
    """A damp evening: permeation follows by the lag l2/6D, 3 h here: little at 1 h, most at 9."""
    lab = still()
    slab = lab.boxes[HERON].gloves.water
    start = slab.rate
    lab.act("room_humidity", "site", more_percent=25.0, over_s=1.0)
    lab.run(3600)
    early = slab.rate / start - 1
    lab.run(8 * 3600)
    late = slab.rate / start - 1
    assert early < 0.08
    assert 0.35 < late < 0.51


def test_walls_follow_temperature() -> None:
    """Isolated box: the water level over the walls rises 6-10 % per kelvin (memory)."""
    lab = still(boxes=(BoxSpec(purifier=None, moisture_ppm=5.0),))
    lab.act("pressure_control", HERON, on=False)
    levels = []
    for warmer in (0.0, 3.0):
        lab.act("lights", HERON, warmer_k=warmer)
        lab.run(5 * 3600)
        levels.append(see(lab, "moisture"))
    own = 5 * 0.45  # ppm that the gloves alone bring in 5 h over such walls, at most
    assert 0.06 < math.log((levels[1] - own * 0.4) / levels[0]) / 3 < 0.10


def test_wet_thing_gives_what_it_held() -> None:
    """0.1 g of water in a part ends in bed, walls and gas: the ledger's water agrees."""
    lab = still()
    lab.run(60)
    before = lab.purifiers["p1"].beds[0].water.mol
    lab.act("wet_item", HERON, water_g=0.1)
    lab.run(20 * 3600)
    gained = lab.purifiers["p1"].beds[0].water.mol - before
    own = 8.6e-6 * LITRE_MOL * 1e3 * 20  # gloves, cm3/h times hours
    assert gained - own == pytest.approx(0.1 / 18.0153, rel=0.3)


# Antechambers


def test_an_old_pump_has_a_poor_base_and_two_chambers_share_it() -> None:
    """Base pressure grows with age; two chambers on one pump take longer than one."""

    def pumped(age: float, both: bool) -> float:
        lab = still(pump=PumpSpec(base_mbar=0.5))
        lab.act("pump_ages", "vacuum", factor=age)
        lab.act("evacuate", HERON, chamber="large")
        if both:
            lab.act("evacuate", HERON, chamber="small")
        lab.run(180)
        return see(lab, "large_pressure")

    fresh, shared = pumped(1.0, both=False), pumped(1.0, both=True)
    assert fresh == pytest.approx(0.5 + 1016 * math.exp(-180 / (0.062 * 3600 / 8)), rel=0.05)
    assert shared > 5 * fresh
    old = pumped(20.0, both=False)
    assert old > 10.0
    assert still().truth("vacuum")["vacuum_pump_on"] == 0.0


def test_inner_seal_takes_box_gas_outer_seal_air() -> None:
    """Evacuated against a leaking inner seal the box sags; against an outer one it is quiet and
    the chamber holds air."""
    seen = {}
    for door in ("inner", "outer"):
        lab = still()
        lab.act("seal_leak", HERON, door=door, diameter_mm=1.0)
        lab.run(30)
        before = lab.ledger.came[N2]
        lab.act("evacuate", HERON)
        lab.run(900)
        filled = (lab.ledger.came[N2] - before) / LITRE_MOL
        seen[door] = (see(lab, "large_pressure"), see(lab, "large_oxygen"), filled)
        lab.act("close_valves", HERON)
        lab.run(60)
        assert see(lab, "large_pressure") > seen[door][0] + 20
    assert seen["inner"][0] > 10
    assert seen["outer"][0] > 10
    assert seen["inner"][1] < 1.0
    assert seen["outer"][1] > 1.5e5
    assert seen["inner"][2] > 30


def test_a_moist_load_spoils_the_vacuum() -> None:
    """Desorption: after pumping, pressure in the shut chamber rises, bending; a dry one stays."""
    rises = []
    for water_g in (0.0, 1.0):
        lab = still()
        lab.act(
            "transfer_start", HERON, cycles=1, low_mbar=2.0, hold_s=1200.0, item_water_g=water_g
        )
        while not see(lab, "large_evacuating"):
            lab.run(1)
        while see(lab, "large_evacuating"):
            lab.run(1)
        marks = []
        for _ in range(3):
            marks.append(see(lab, "large_pressure"))
            lab.run(300)
        rises.append((marks[1] - marks[0], marks[2] - marks[1]))
    assert rises[1][0] > 3 * rises[0][0]
    assert rises[1][1] < 0.8 * rises[1][0]


def test_small_chamber_is_worked_by_hand() -> None:
    """A hand valve needs no valve gas and takes a person's time; the large one waits for gas."""
    lab = still()
    lab.act("supply_dip", "house-nitrogen", to_bar=2.0, over_s=0.0)
    lab.run(5)
    for chamber in ("small", "large"):
        lab.act("evacuate", HERON, chamber=chamber)
    lab.run(120)
    assert see(lab, "small_pressure") < 5
    assert see(lab, "large_pressure") > 1000


def test_refill_from_the_supply_spares_the_box() -> None:
    """refill_from supply: the box's pressure does not dip, the supply's gas fills the chamber."""
    spec = BoxSpec()
    chambers = tuple(
        type(c)(name=c.name, volume_l=c.volume_l, refill_from="supply") for c in spec.chambers
    )
    lab = still(boxes=(BoxSpec(chambers=chambers),), services=(SupplySpec(oxygen_ppm=50.0),))
    lab.act("evacuate", HERON)
    lab.run(300)
    lab.act("refill", HERON)
    low = 9.0
    for _ in range(60):
        lab.run(1)
        low = min(low, see(lab, "pressure"))
    assert low > 2.5
    assert see(lab, "large_oxygen") == pytest.approx(50.0, rel=0.02)


def test_both_doors_open_join_box_and_room() -> None:
    """Pressure is the room's at once; oxygen climbs through tens of thousands of ppm."""
    lab = still()
    for door in ("outer", "inner"):
        lab.act("open_door", HERON, door=door)
    lab.run(60)
    assert abs(see(lab, "pressure")) < 2.5
    assert see(lab, "oxygen") > 5000


def test_taking_something_out_leaves_air_in_the_chamber() -> None:
    """transfer_out: inner door, then outer; the box stays clean, the chamber does not."""
    lab = still()
    lab.act("transfer_out", HERON)
    lab.run(30)
    assert (see(lab, "large_inner_door"), see(lab, "large_transferring")) == (1.0, 1.0)
    lab.run(150)
    assert see(lab, "large_transferring") == 0.0
    assert see(lab, "large_oxygen") > 2e5
    assert see(lab, "oxygen") < 0.1


# Freezer


def test_freezer_cycles_between_its_limits() -> None:
    """Hysteresis of 3 K around -35 degC, compressor about half of the time."""
    lab = still()
    warm, on = [], 0.0
    for _ in range(360):
        lab.run(60)
        warm.append(see(lab, "freezer_temperature"))
        on += see(lab, "freezer_compressor") / 360
    assert max(warm) == pytest.approx(-33.5, abs=0.2)
    assert min(warm) == pytest.approx(-36.5, abs=0.3)
    assert 0.3 < on < 0.7


def test_a_dead_freezer_warms_and_its_ice_returns() -> None:
    """-35 degC ice is a small source (220 ppm over it); thawed, the box sees it."""
    lab = still()
    lab.act("freezer_ice", HERON, grams=10.0)
    lab.run(2 * 3600)
    frozen = see(lab, "moisture")
    assert frozen < 0.3
    lab.act("freezer_fault", HERON, dead=True)
    lab.run(12 * 3600)
    assert see(lab, "freezer_temperature") > 0
    assert see(lab, "moisture") > frozen + 1.0
    assert see(lab, "freezer_ice") < 10.0


def test_an_open_lid_costs_cold() -> None:
    """Lid open: warmer within the hour although the compressor runs."""
    lab = still()
    lab.act("freezer_door", HERON, is_open=True)
    lab.run(3600)
    assert see(lab, "freezer_door") == 1.0
    assert see(lab, "freezer_compressor") == 1.0
    assert see(lab, "freezer_temperature") > -30


# Services and climate


def test_cylinders_empty_and_change_over() -> None:
    """Two 10 m3 cylinders: the second takes over near 8 bar, then pressure and flow end."""
    supply = SupplySpec(kind="cylinder", cylinder_l=1.0)
    lab = still(services=(supply,))
    lab.act("purge_on", HERON, flow_l_min=100.0)
    lab.run(110)
    truth = lab.truth("house-nitrogen")
    assert truth["cylinder_1"] < 20
    assert truth["cylinder_2"] == pytest.approx(200.0)
    assert truth["pressure"] == pytest.approx(6.0, abs=0.2)
    lab.run(200)
    truth = lab.truth("house-nitrogen")
    assert truth["pressure"] < 4.0
    assert see(lab, "purge_flow") == 0.0
    lab.act("cylinder_change", "house-nitrogen")
    lab.run(5)
    assert lab.truth("house-nitrogen")["pressure"] > 5.5


def test_a_liquid_vessel_keeps_its_pressure_until_it_is_empty() -> None:
    """Level falls, pressure stays; at the very end both are gone."""
    lab = still(services=(SupplySpec(kind="liquid", liquid_l=2.0),))
    lab.act("purge_on", HERON, flow_l_min=300.0)
    lab.run(120)
    assert 30 < lab.truth("house-nitrogen")["level"] < 70
    assert lab.truth("house-nitrogen")["pressure"] > 5.5
    lab.run(300)
    assert lab.truth("house-nitrogen")["pressure"] < 4.0
    lab.act("cylinder_level", "house-nitrogen", percent=100.0)
    lab.run(5)
    assert lab.truth("house-nitrogen")["level"] > 98


def test_supply_flow_is_what_the_boxes_draw() -> None:
    """House flow (L/min at 0 degC, 1013.25 mbar) is the sum of fills and purges."""
    lab = still(boxes=(BoxSpec(), BoxSpec(name="egret")))
    for name in (HERON, "egret"):
        lab.act("purge_on", name, flow_l_min=60.0)
    lab.run(60)
    drawn = sum(lab.truth(n)["purge_flow"] for n in (HERON, "egret")) * 273.15 / 296.5
    assert lab.truth("house-nitrogen")["flow"] == pytest.approx(drawn, rel=0.02)


def test_the_day_moves_temperature_and_relative_humidity_against_it() -> None:
    """Warmest at 15 h, coldest at 3 h, absolute humidity the same: RH falls as it warms."""
    climate = Climate(ClimateSpec(weather_percent=0.0), 1, NOON_MS / 1000)
    seen = {}
    for hour in range(24):
        climate.update(hour * 3600.0, 3600.0, 0.0)
        seen[round(climate.local_hour(hour * 3600.0))] = (
            climate.temperature_c, climate.humidity_percent, climate.vapour_pa,
        )  # fmt: skip
    assert seen[15][0] == pytest.approx(24.5)
    assert seen[3][0] == pytest.approx(21.5)
    assert seen[3][1] > seen[15][1] + 5
    assert seen[3][2] == pytest.approx(seen[15][2])
    assert seen[3][2] == pytest.approx(0.5 * vapour_pressure_pa(23.0), rel=1e-6)


def test_season_and_weather_stay_within_their_swings() -> None:
    """July is damper than January by twice the season; the barometer keeps its swing."""
    spec = ClimateSpec(season_percent=15.0, weather_percent=0.0, weather_mbar=6.0)
    january = Climate(spec, 3, 1_767_225_600.0)
    july = Climate(spec, 3, 1_784_505_600.0)
    assert july.vapour_pa / january.vapour_pa == pytest.approx(65 / 35, rel=0.1)
    swings = []
    for hour in range(0, 24 * 60, 3):
        january.update(hour * 3600.0, 3600.0, 0.0)
        swings.append(january.barometer_pa / 100)
    assert 1007 <= min(swings) < 1010
    assert 1016 < max(swings) <= 1019.5


def test_room_air_recovers_by_ventilation() -> None:
    """dO2/dt = n (20.946 - O2): after an hour at 2 changes 86 % of the loss is made good."""
    climate = Climate(ClimateSpec(air_changes_per_h=2.0), 1, 0.0)
    climate.update(0.0, 0.0, 15.0)
    lost = 0.20946 - climate.room_oxygen
    assert lost == pytest.approx(0.20946 * (1 - math.exp(-0.1)))
    for minute in range(60):
        climate.update(minute * 60.0, 60.0, 0.0)
    assert (0.20946 - climate.room_oxygen) / lost == pytest.approx(math.exp(-2.0), rel=1e-6)
    assert climate.air[O2] < climate.room_oxygen
    assert sum(climate.air) == pytest.approx(1.0)


def test_a_ramp_goes_straight_and_can_turn() -> None:
    """Half way at half time, there afterwards, and on from where it is when told anew."""
    ramp = Ramp(6.0)
    ramp.go(4.0, 100.0, 100.0)
    assert [ramp.at(t) for t in (100.0, 150.0, 200.0, 999.0)] == [6.0, 5.0, 4.0, 4.0]
    ramp.go(0.0, 1000.0, 100.0)
    ramp.go(4.0, 1050.0, 50.0)
    assert ramp.at(1075.0) == 3.0
    assert ramp.at(1e9) == 4.0


def test_power_of_one_box_leaves_the_others() -> None:
    """A plug pulled at one box: its purifier stops, the neighbour's runs on."""
    spec = LabSpec(
        boxes=(BoxSpec(), BoxSpec(name="egret", purifier="p2")),
        purifiers=tuple(type(LabSpec().purifiers[0])(name=n) for n in ("p1", "p2")),
        climate=ClimateSpec.still(),
    )
    lab = Lab(spec, 1, NOON_MS)
    lab.act("lights", HERON, warmer_k=3.0)
    lab.act("purge_on", HERON)
    lab.act("power_cut", HERON)
    lab.run(600)
    one, other = lab.truth(HERON), lab.truth("egret")
    assert (one["powered"], one["circulating"], one["purging"], one["light"]) == (0, 0, 0, 0)
    assert (other["powered"], other["circulating"]) == (1, 1)
    assert lab.truth("site")["mains_present"] == 1.0
