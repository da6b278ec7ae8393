"""The bed: kinetics against the exact solution, capacity by breakthrough, programs, sharing."""

import math

import pytest

from dewline_sim.lab import Lab
from dewline_sim.physics.bed import Layer, PurifierBed
from dewline_sim.physics.mixture import CM3_MOL, O2
from dewline_sim.physics.spec import BoxSpec, LabSpec, PurifierSpec
from tests.sim.still_lab import STILL


def feed(layer: Layer, inlet: float, gas_mol: float) -> float:
    """Pass gas of one mole fraction; returns the outlet fraction."""
    outlet = layer.offset + layer.slope * inlet
    layer.pass_gas((inlet - outlet) * gas_mol, gas_mol)
    return outlet


@pytest.mark.parametrize("units", [4.0, 8.0, 20.0])
def test_breakthrough_is_bohart_and_adams(units: float) -> None:
    """c/c0 = e^u / (e^u + e^N - 1), u = N c0 n / capacity (Bohart and Adams 1920, from memory)."""
    layer = Layer(1.0, units, 8)
    inlet, dose = 1e-4, 1.0
    seen = 0
    for step in range(1, 20_001):
        outlet = feed(layer, inlet, dose)
        if step % 50 == 0:
            layer.refresh()  # as the plant does every few seconds
        u = units * inlet * dose * (step - 0.5)
        exact = inlet / (1.0 + math.exp(-u) * math.expm1(units))
        if exact > 0.01 * inlet and step % 500 == 0:
            assert outlet == pytest.approx(exact, abs=0.006 * inlet)
            seen += 1
    assert seen > 5
    assert outlet == pytest.approx(exact, rel=0.006)
    assert outlet <= inlet


@pytest.mark.parametrize("half", [0.0, 1e-6])
def test_area_above_the_breakthrough_curve_is_the_capacity(half: float) -> None:
    """Integral of (c_in - c_out) dn = capacity c / (c + h), to 1 %."""
    layer = Layer(0.5, 8.0, 8)
    layer.tune(1.0, half)
    layer.refresh()
    inlet, area = 2e-5, 0.0
    for _ in range(120_000):
        area += (inlet - feed(layer, inlet, 1.0)) * 1.0
    assert area == pytest.approx(0.5 * inlet / (inlet + half), rel=0.01)
    assert layer.mol == pytest.approx(area, rel=1e-9)


def test_the_front_moves_and_the_outlet_rises_first() -> None:
    """Cells fill inlet first; the outlet leaves zero while the last cell is still nearly empty."""
    layer = Layer(1.0, 40.0, 8)
    for _ in range(5000):
        feed(layer, 1e-4, 1.0)
    layer.refresh()
    shares = [mol * 8 for mol in layer.held]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > 0.99
    assert shares[-1] < 0.01


def test_a_worn_sieve_gives_back_to_drier_gas() -> None:
    """Desorption: the outlet stands above a dry inlet, and what leaves the sieve is in the gas."""
    layer = Layer(1.0, 10.0, 8)
    layer.tune(1.0, 1e-6)
    layer.spread(0.9)
    before, gained = layer.mol, 0.0
    for _ in range(2000):
        gained += feed(layer, 0.0, 10.0) * 10.0
    assert gained > 1e-3
    assert before - layer.mol == pytest.approx(gained, rel=1e-9)


def test_a_flood_of_oxygen_cannot_overfill() -> None:
    """Ten times the capacity at once fills every cell to its places; moles are kept."""
    layer = Layer(1.0, 8.0, 8)
    layer.pass_gas(0.999, 5.0)
    layer.refresh()
    assert max(layer.held) <= 1 / 8 + 1e-12
    assert layer.mol == pytest.approx(0.999, abs=1e-12)


def test_a_bed_in_a_rush_of_air_lasts_seconds_and_gets_hot() -> None:
    """30 L of capacity at 20.9 % and 60 m3/h: 9 s, about 420 kJ or > 90 K on 5 kg (derived)."""
    box = BoxSpec(oxygen_ppm=209_000.0, volume_m3=50.0)
    lab = Lab(LabSpec(boxes=(box,), climate=STILL), 1, 0)
    bed = lab.purifiers["p1"].beds[0]
    cold = bed.temperature_c
    seconds = 0
    while bed.oxygen.load < 0.8:
        lab.run(1)
        seconds += 1
    assert seconds == pytest.approx(8, abs=2)
    lab.run(20)
    assert bed.oxygen.load > 0.999
    assert 80 < bed.temperature_c - cold < 110


def test_spread_is_what_a_run_leaves() -> None:
    """A preloaded layer holds what was asked and slips e^(-N (1 - x)), the exact value."""
    layer = Layer(2.0, 8.0, 8)
    layer.spread(1.5)
    assert layer.mol == pytest.approx(1.5, abs=1e-12)
    assert layer.slope == pytest.approx(math.exp(-8 * 0.25), rel=1e-6)


def test_poison_slows_and_stays() -> None:
    """Activity multiplies transfer units; regeneration gives the capacity back, not the pace."""
    bed = PurifierBed(PurifierSpec(), 23.0)
    bed.poison_to(0.25)
    bed.update(10.0, 23.0, 2400.0)
    assert bed.oxygen.slope == pytest.approx(math.exp(-2.0), rel=1e-6)
    with pytest.raises(ValueError, match="activity"):
        bed.poison_to(0.0)


@pytest.mark.long
def test_the_second_bed_serves_while_the_first_is_hot() -> None:
    """Two beds: circulation goes on, the bed in the loop is never the one regenerating."""
    purifier = PurifierSpec(beds=2, cool_min=60.0)
    lab = Lab(LabSpec(purifiers=(purifier,), climate=STILL), 1, 0)
    lab.act("bed_load", "p1", oxygen_percent=50.0)
    lab.act("regenerate", "p1")
    hottest = 0.0
    while lab.truth("p1")["regenerating"]:
        lab.run(300)
        truth = lab.truth("heron")
        assert truth["circulating"] == 1.0
        assert truth["bed_in_loop"] == 2.0
        assert truth["bed_temperature"] < 30
        assert truth["oxygen"] < 0.05
        hottest = max(hottest, truth["bed_1_temperature"])
    assert hottest > 200
    assert lab.truth("p1")["bed_in_loop"] == 2.0
    lab.act("regenerate", "p1")
    lab.run(10)
    assert lab.truth("p1")["bed_in_loop"] == 1.0
    assert lab.truth("p1")["bed_regenerating"] == 2.0


def test_a_lone_bed_is_out_of_the_loop_until_it_is_done() -> None:
    """One bed: isolated, blower off, back by itself; a second start is refused meanwhile."""
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.act("regenerate", "heron")
    lab.run(3600)
    truth = lab.truth("heron")
    assert (truth["bed_in_loop"], truth["circulating"], truth["circulation_flow"]) == (0, 0, 0)
    assert truth["outlet_oxygen"] == pytest.approx(truth["oxygen"])
    with pytest.raises(ValueError, match="already"):
        lab.act("regenerate", "p1")


def test_a_program_broken_off_restores_nothing_it_had_not_reached() -> None:
    """Stopped at heat: oxide untouched, the hot bed stands in the loop, the blower off."""
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.act("bed_load", "p1", oxygen_percent=80.0, water_percent=50.0)
    lab.act("regenerate", "p1")
    lab.run(2 * 3600)
    lab.act("regenerate_abort", "p1")
    lab.run(60)
    truth = lab.truth("p1")
    assert truth["bed_oxygen_load"] == pytest.approx(80.0, abs=0.5)
    assert (truth["regenerating"], truth["bed_in_loop"], truth["circulating"]) == (0, 1, 0)
    assert truth["bed_temperature"] > 150


def test_a_program_cut_short_brings_hydrogen_into_the_box() -> None:
    """Broken off while forming gas is in the bed: its void, some hundred ppm of hydrogen."""
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.act("bed_load", "p1", oxygen_percent=80.0)
    lab.act("regenerate", "p1")
    lab.run(3 * 3600)
    before = lab.truth("heron")["pressure"]
    lab.act("regenerate_abort", "p1")
    lab.run(20)
    assert 100 < lab.truth("heron")["hydrogen"] < 600
    assert lab.truth("heron")["pressure"] == pytest.approx(before, abs=0.3)


@pytest.mark.long
def test_wrong_cylinder_flows_and_does_nothing() -> None:
    """Forming gas without hydrogen: pressure falls as it should, the oxide stays.

    Judged in the cooling, when nothing is reduced any more.
    """
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.act("bed_load", "p1", oxygen_percent=80.0)
    lab.act("regenerate", "p1", right_gas=False)
    lab.run(8 * 3600)
    truth = lab.truth("p1")
    assert truth["regeneration_step"] == 5.0
    assert truth["forming_gas_pressure"] < 100
    assert truth["bed_oxygen_load"] == pytest.approx(80.0, abs=1.0)


@pytest.mark.long
def test_boxes_on_one_purifier_see_each_other() -> None:
    """A dose in one comes to the other, diluted and later; what both lose is on the bed; their
    pressures go together."""
    boxes = (BoxSpec(), BoxSpec(name="egret"))
    lab = Lab(LabSpec(boxes=boxes, climate=STILL), 1, 0)
    lab.run(600)
    lab.act("pressure_control", "egret", on=False)
    held = lab.purifiers["p1"].beds[0].oxygen.mol
    lab.act("oxygen_dose", "heron", oxygen_l=0.1)
    peak = [0.0, 0.0]
    for _ in range(3600):
        lab.run(1)
        for i, name in enumerate(("heron", "egret")):
            peak[i] = max(peak[i], lab.truth(name)["oxygen"])
    assert 20 < peak[0] / peak[1] < 200
    taken = lab.purifiers["p1"].beds[0].oxygen.mol - held
    assert taken == pytest.approx(100.0 * CM3_MOL + 2 * 1.7 * CM3_MOL, rel=0.01)
    one, other = lab.truth("heron"), lab.truth("egret")
    assert one["circulation_flow"] == other["circulation_flow"] == pytest.approx(30.0)
    assert one["pressure"] == pytest.approx(other["pressure"], abs=0.02)
    lab.act("set_band", "heron", low_mbar=0.0, high_mbar=9.0)
    lab.act("pedal_add", "heron", seconds=1.0)
    lab.run(40)
    after = lab.truth("egret")["pressure"]
    assert after > other["pressure"] + 0.3
    assert lab.truth("heron")["pressure"] == pytest.approx(after, abs=0.1)


@pytest.mark.long
def test_boxes_keep_mixing_round_a_bypassed_bed() -> None:
    """With the bed bypassed nothing is taken, and two boxes even out."""
    boxes = (BoxSpec(), BoxSpec(name="egret"))
    lab = Lab(LabSpec(boxes=boxes, climate=STILL), 1, 0)
    lab.act("bypass", "p1", on=True)
    lab.act("oxygen_dose", "heron", oxygen_l=0.1)
    before = lab.purifiers["p1"].beds[0].oxygen.mol
    lab.run(7200)
    assert lab.purifiers["p1"].beds[0].oxygen.mol == pytest.approx(before, abs=1e-12)
    one, other = lab.truth("heron")["oxygen"], lab.truth("egret")["oxygen"]
    assert one == pytest.approx(other, rel=0.02)
    assert one > 30


def test_bypass_and_shut_valves_look_like_a_stop_with_the_blower_on() -> None:
    """Oxygen climbs at the box's own slope while the blower's bit stays on."""
    for act, params, flow in (
        ("bypass", {"on": True}, 60.0),
        ("bed_valves", {"is_open": False}, 0),
    ):
        lab = Lab(LabSpec(climate=STILL), 1, 0)
        lab.run(600)
        lab.act(act, "p1", **params)
        lab.run(600)
        start = lab.truth("heron")["oxygen"]
        lab.run(3600)
        truth = lab.truth("heron")
        assert truth["oxygen"] - start == pytest.approx(1.5, rel=0.1)
        assert truth["circulating"] == 1.0
        assert truth["circulation_flow"] == pytest.approx(flow)


def test_flow_scales_every_level() -> None:
    """A filter that leaves 40 % multiplies ppm by 2.5; a slower blower likewise; a dose decays
    as much slower."""
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.run(600)
    full = lab.truth("heron")["oxygen"]
    lab.act("filter_clogs", "p1", flow_share=0.4)
    lab.run(3600)
    assert lab.truth("heron")["oxygen"] / full == pytest.approx(2.5, rel=0.03)
    assert lab.truth("p1")["blower_speed"] == 100.0
    lab.act("filter_clogs", "p1", flow_share=1.0)
    lab.act("blower_speed", "p1", percent=40.0)
    lab.run(3600)
    assert lab.truth("heron")["oxygen"] / full == pytest.approx(2.5, rel=0.03)
    assert lab.truth("p1")["blower_speed"] == pytest.approx(40.0, rel=0.01)


def test_blower_warms_up() -> None:
    """After a start the flow is there within a minute, its last 5 % within half an hour."""
    lab = Lab(LabSpec(climate=STILL), 1, 0)
    lab.act("circulation_off", "heron")
    lab.run(3600)
    lab.act("circulation_on", "heron")
    flows = []
    for seconds in (20, 60, 1720):
        lab.run(seconds)
        flows.append(lab.truth("heron")["circulation_flow"])
    assert 30 < flows[0] < 45
    assert flows[1] == pytest.approx(57, abs=1.5)
    assert flows[2] == pytest.approx(60, abs=0.3)


def test_heat_of_reaction_is_counted_once() -> None:
    """A preload brings no heat; a dose of 1 L warms 5 kg by 3 K (314 kJ/mol, derived)."""
    bed = PurifierBed(PurifierSpec(), 25.0)
    bed.preload(O2, 0.5)
    bed.update(10.0, 25.0, 1e9)
    assert bed.temperature_c == pytest.approx(25.0, abs=1e-9)
    bed.oxygen.pass_gas(1000.0 * CM3_MOL, 50.0)
    bed.update(10.0, 25.0, 1e9)
    assert bed.temperature_c - 25.0 == pytest.approx(3.1, abs=0.1)
