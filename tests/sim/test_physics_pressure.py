"""Holes, valves and what moves the pressure of a box, each by its law."""

import math

import pytest

from dewline_sim.physics.openings import (
    DIFFUSION_M2_S,
    VISCOSITY_PA_S,
    Opening,
    forced_open,
)
from dewline_sim.physics.spec import (
    BoxSpec,
    GloveSpec,
)
from tests.sim.still_lab import HERON, see, still


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


@pytest.mark.long
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
