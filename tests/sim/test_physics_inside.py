"""Hands, gloves, walls, antechambers and the freezer of a box, each by its law."""

import math
import random

import pytest

from dewline_sim.physics.mixture import LITRE_MOL, N2
from dewline_sim.physics.people import Hands
from dewline_sim.physics.spec import (
    BoxSpec,
    FreezerSpec,
    PumpSpec,
    SupplySpec,
)
from tests.sim.still_lab import HERON, LONG, see, still


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


@pytest.mark.long
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


@pytest.mark.long
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


@pytest.mark.long
def test_wet_thing_gives_what_it_held() -> None:
    """What a part with 0.1 g of water has given off is on bed and walls: within 5 %.

    80 % in 6 h, 95 % in 20 h (LONG); what the gloves alone let in meanwhile is taken off.
    """
    hours, dried = (20, 0.95) if LONG else (6, 0.8)

    def gained(water_g: float) -> float:
        lab = still()
        box, bed = lab.boxes[HERON], lab.purifiers["p1"].beds[0]
        lab.run(60)
        before = bed.water.mol + box.walls.quick.mol + box.walls.slow.mol
        if water_g:
            lab.act("wet_item", HERON, water_g=water_g)
        lab.run(hours * 3600)
        left = sum(thing.mol for thing in box.things) * 18.0153
        assert left <= (1 - dried) * water_g
        return bed.water.mol + box.walls.quick.mol + box.walls.slow.mol - before + left / 18.0153

    assert gained(0.1) - gained(0.0) == pytest.approx(0.1 / 18.0153, rel=0.05)


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


@pytest.mark.long
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


@pytest.mark.long
def test_a_dead_freezer_warms_and_its_ice_returns() -> None:
    """-35 degC ice is a small source (220 ppm over it); thawed, the box sees it."""
    lab = still(boxes=(BoxSpec(freezer=FreezerSpec(warm_up_h=4.5)),))
    lab.act("freezer_ice", HERON, grams=10.0)
    lab.run(3600)
    frozen = see(lab, "moisture")
    assert frozen < 0.3
    lab.act("freezer_fault", HERON, dead=True)
    lab.run(6 * 3600)
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
