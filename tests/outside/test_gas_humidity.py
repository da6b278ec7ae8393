"""Water in gas against IAPWS releases, published verification values and reference libraries.

Sources: IAPWS R14-08(2011) and R7-97(2012) through iapws 1.5.5 and CoolProp;
Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, through this test's
own line; ASHRAE Handbook-Fundamentals 2017 ch. 1 through PsychroLib 2.5.
"""

import csv
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psychrolib
import pytest
from iapws._iapws import _Sublimation_Pressure
from iapws.iapws97 import _PSat_T

from dewline.errors import OutOfRange
from dewline.gas import humidity

DATA = Path(__file__).parent / "data"
FROST_POINTS = list(csv.DictReader((DATA / "frost_point.csv").read_text().splitlines()))
PPMS = list(csv.DictReader((DATA / "ppmv_to_frost.csv").read_text().splitlines()))
ATM_PA = 101_325.0


HumidAir = Callable[[str, float, float, float], tuple[Any, ...]]
"""A property of humid air, then its unit, from its name, K, Pa and what water there is."""


@pytest.fixture(name="humid_air", scope="module")
def humid_air_fixture() -> HumidAir:
    """CoolProp's, which takes seconds to import: once, in one process."""
    from CoolProp.HumidAirProp import HAProps_Aux  # noqa: PLC0415

    return HAProps_Aux


@pytest.mark.parametrize("row", FROST_POINTS, ids=lambda r: r["t_frost_C"])
def test_vapour_pressure_table(row: dict[str, str]) -> None:
    """Every 5 °C the table of iapws 1.5.5 (R14-08, IF97) is met within 1e-6."""
    t_c = float(row["t_frost_C"])
    assert humidity.stable_pressure_pa(t_c) == pytest.approx(float(row["p_ice_Pa"]), rel=1e-6)
    for total_pa in (101_325.0, 101_425.0):
        ppm = humidity.ppm_of_vapour(humidity.stable_pressure_pa(t_c), total_pa)
        assert ppm == pytest.approx(float(row[f"ppmv_{total_pa:.0f}Pa"]), rel=1e-6)


@pytest.mark.parametrize("row", PPMS, ids=lambda r: r["ppmv"])
def test_frost_point_table(row: dict[str, str]) -> None:
    """ppm to frost point meets the inverted R14-08 table within 0.001 K, at both pressures."""
    ppm = float(row["ppmv"])
    for total_pa in (101_325.0, 101_425.0):
        expected = float(row[f"t_frost_C_{total_pa:.0f}Pa"])
        assert humidity.frost_point_c(ppm, total_pa) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(
    "row", [r for r in PPMS if float(r["ppmv"]) > 0.05], ids=lambda r: r["ppmv"]
)
def test_dew_point_table(row: dict[str, str]) -> None:
    """ppm to dew point over supercooled water (Murphy and Koop) meets its table's 0.01 K."""
    expected = float(row["t_dew_supercooled_C_MurphyKoop"])
    assert humidity.dew_point_c(float(row["ppmv"]), ATM_PA) == pytest.approx(expected, abs=0.0051)


def test_sublimation_verification_value() -> None:
    """R14-08(2011) Table 3: p(230 K) = 8.94735 Pa (quoted in the iapws test suite)."""
    assert humidity.ice_pressure_pa(230.0) == pytest.approx(8.94735, rel=1e-6)


def test_triple_point() -> None:
    """R14-08: 611.657 Pa at 273.16 K, over ice and (IF97) over water alike."""
    assert humidity.ice_pressure_pa(273.16) == pytest.approx(611.657, rel=1e-7)
    assert humidity.liquid_pressure_pa(273.16) == pytest.approx(611.657, rel=1e-6)


@pytest.mark.parametrize(
    ("t_k", "mpa"), [(300, 0.353658941e-2), (500, 0.263889776e1), (600, 0.123443146e2)]
)
def test_if97_verification_values(t_k: float, mpa: float) -> None:
    """R7-97 Table 35, values FROM MEMORY and equal to what iapws computes."""
    assert humidity.liquid_pressure_pa(t_k) == pytest.approx(mpa * 1e6, rel=1e-8)


@pytest.mark.parametrize(
    ("t_k", "pa"),
    [
        (150, 1.562e-5),
        (180, 0.011239),
        (210, 1.2335),
        (240, 37.667),
        (273.15, 611.213),
        (273.16, 611.657),
        (300, 3536.8),
    ],
)
def test_murphy_koop_liquid_values(t_k: float, pa: float) -> None:
    """Murphy and Koop 2005 Table C1, liquid, to the printed digits; values FROM MEMORY."""
    assert humidity.supercooled_pressure_pa(t_k) == pytest.approx(pa, rel=2e-4)


@pytest.mark.long
@pytest.mark.parametrize("t_c", range(-110, 1, 5))
def test_ice_against_three_libraries(t_c: int, humid_air: HumidAir) -> None:
    """iapws within 1e-9, CoolProp (same equation) within 1e-6, PsychroLib within 0.04 %.

    Murphy and Koop eq. 7 for ice, written here, within 0.11 % down to -100 °C.
    """
    t_k = t_c + 273.15
    ours = humidity.stable_pressure_pa(float(t_c))
    assert ours == pytest.approx(_Sublimation_Pressure(t_k) * 1e6, rel=1e-9)
    assert ours == pytest.approx(humid_air("p_ws", t_k, ATM_PA, 0)[0], rel=1e-6)
    if t_c >= -100:
        psychrolib.SetUnitSystem(psychrolib.SI)
        assert ours == pytest.approx(psychrolib.GetSatVapPres(t_c), rel=4e-4)
        log_p = 9.550426 - 5723.265 / t_k + 3.53068 * math.log(t_k) - 0.00728332 * t_k
        assert ours == pytest.approx(math.exp(log_p), rel=1.1e-3)


@pytest.mark.parametrize("t_c", range(1, 100, 7))
def test_liquid_against_two_libraries(t_c: int, humid_air: HumidAir) -> None:
    """Over liquid: iapws IF97 within 1e-9, CoolProp (IAPWS-95) within 5e-5."""
    t_k = t_c + 273.15
    ours = humidity.stable_pressure_pa(float(t_c))
    assert ours == pytest.approx(_PSat_T(t_k) * 1e6, rel=1e-9)
    assert ours == pytest.approx(humid_air("p_ws", t_k, ATM_PA, 0)[0], rel=5e-5)


@pytest.mark.parametrize("t_c", [-100, -80, -60, -40, -20, 0])
def test_leaving_out_the_enhancement_factor(t_c: int, humid_air: HumidAir) -> None:
    """The ideal mixture moves a frost point by less than 0.08 K (factor of CoolProp, for air)."""
    factor = humid_air("f", t_c + 273.15, ATM_PA, 0)[0]
    ppm = humidity.ppm_of_vapour(humidity.stable_pressure_pa(float(t_c)), ATM_PA)
    assert humidity.frost_point_c(ppm / factor, ATM_PA) == pytest.approx(t_c, abs=0.08)


def test_frost_and_dew_point_differ_at_10_ppm() -> None:
    """At 10 ppm: frost point -60.48 °C (R14-08), dew point -64.62 °C (Murphy and Koop)."""
    assert humidity.frost_point_c(10, ATM_PA) == pytest.approx(-60.480, abs=0.001)
    assert humidity.dew_point_c(10, ATM_PA) == pytest.approx(-64.62, abs=0.01)


def test_freezer_ice_is_a_source_for_a_dry_box() -> None:
    """Ice at -35 °C stands in balance with 220.5 ppm (derived from R14-08)."""
    ppm = humidity.ppm_of_vapour(humidity.stable_pressure_pa(-35.0), ATM_PA)
    assert ppm == pytest.approx(220.520, rel=1e-5)


@pytest.mark.parametrize(
    ("ppm", "total_pa"),
    [(0, ATM_PA), (-1, ATM_PA), (1e-4, ATM_PA), (7000, ATM_PA), (10, 0), (10, -5), (-10, -ATM_PA)],
)
def test_no_frost_point_out_of_range(ppm: float, total_pa: float) -> None:
    """Nothing, less than nothing, below -110 °C or above 0.01 °C: an error, never a number."""
    with pytest.raises(OutOfRange, match="allowed"):
        humidity.frost_point_c(ppm, total_pa)
