"""Room air and holes. Ratios, flows and Péclet numbers derived, held against PsychroLib too."""

import psychrolib
import pytest
from scipy.integrate import solve_ivp

from dewline.gas import air

RATIOS = [(23, 50, 15), (20, 30, 30), (20, 20, 45), (27, 70, 8), (30, 80, 6)]


@pytest.mark.parametrize(("t_c", "humidity", "ratio"), RATIOS)
def test_room_air_has_no_one_ratio(t_c: float, humidity: float, ratio: float) -> None:
    """Oxygen to water is 15 at 23 °C/50 %, 30, 45, 8 and 6 elsewhere (derived, rounded)."""
    assert air.room_air(t_c, humidity).ratio == pytest.approx(ratio, rel=0.04)


@pytest.mark.parametrize(("t_c", "humidity", "ratio"), RATIOS)
def test_room_air_against_psychrolib(t_c: float, humidity: float, ratio: float) -> None:
    """PsychroLib's humidity ratio gives the same oxygen to water within 0.1 %."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    by_mass = psychrolib.GetHumRatioFromRelHum(t_c, humidity / 100, 101_325)
    moles = by_mass / 0.621945  # water a mole of dry air, ASHRAE's ratio of molar masses
    assert air.room_air(t_c, humidity).ratio == pytest.approx(0.20946 / moles, rel=1e-3)


def test_humid_air_has_less_oxygen() -> None:
    """206 555 ppm at 23 °C and 50 %, 1.39 % below dry air."""
    assert air.room_air(23, 50).oxygen_ppm == pytest.approx(206_554.6, abs=0.5)


def test_twenty_to_one_is_no_test() -> None:
    """0.3 L/h of air against 57 m³/h: +1.1 ppm oxygen, +0.07 ppm water, which no sensor sees."""
    room = air.room_air(23, 50)
    assert 0.3e-3 * room.oxygen_ppm / 57 == pytest.approx(1.1, abs=0.03)
    assert 0.3e-3 * room.water_ppm / 57 == pytest.approx(0.07, abs=0.005)


def test_a_hole_in_a_box_at_positive_pressure_loses_gas() -> None:
    """0.2 mm: 1.5 L/h out at +3 mbar, 0.9 L/h in at -1 mbar, which is +3.2 ppm (derived)."""
    density = air.gas_density_kg_m3(28.0134, 101_325, 295.15)
    out, into = (air.hole_flow_m3_s(2e-4, dp, density) * 3.6e6 for dp in (300, 100))
    assert (out, into) == pytest.approx((1.5, 0.9), rel=0.04)
    assert into * 1e-3 * air.room_air(23, 50).oxygen_ppm / 57 == pytest.approx(3.2, abs=0.1)


def test_back_diffusion_needs_a_scratch() -> None:
    """At +3 mbar a 9 um slit and a 14 um bore let in under 4 % of free diffusion (Pe above 5)."""
    for peclet in (air.peclet_slit(9e-6, 300), air.peclet_bore(14e-6, 300)):
        assert 5 < peclet < 6
        assert air.back_diffusion_share(peclet) < 0.04


@pytest.mark.parametrize("peclet", [0.01, 0.5, 2.3, 8.0])
def test_back_diffusion_share_solves_its_equation(peclet: float) -> None:
    """scipy integrates C' = -Pe C - J from the room (C = 1) inward and finds C = 0 at the box.

    J is the share: the inward flux in units of what diffuses with no outflow.
    """
    flux = air.back_diffusion_share(peclet)
    run = solve_ivp(lambda _, c: -peclet * c - flux, (0, 1), [1.0], rtol=1e-11, atol=1e-12)
    assert run.y[0, -1] == pytest.approx(0, abs=1e-8)


def test_no_outflow_is_free_diffusion() -> None:
    """At Pe 0 the share is 1."""
    assert air.back_diffusion_share(0) == 1


def test_room_displacement() -> None:
    """10 m³ into a closed room of 50 m³ leave 17.1 %; 300 L/min reach 19.5 % in 12 min.

    19.5 %: 29 CFR 1910.134(d)(2)(iii), oxygen-deficient.
    """
    assert air.room_oxygen_percent(10, 50) == pytest.approx(17.1, abs=0.05)
    assert air.room_oxygen_percent(0.3 * 12, 50) == pytest.approx(19.5, abs=0.1)
