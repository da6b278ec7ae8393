"""Room air: ratios derived, held against PsychroLib too."""

import psychrolib
import pytest

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
