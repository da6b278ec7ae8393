"""Leak rates against worked mole balances, an ODE solver and Pint.

Sources: tables computed with pint 0.25.3 (mole balance) and scipy solve_ivp;
the form of the hourly rate and the class limits are those of ISO 10648-2:1994,
both FROM MEMORY, the standard itself was not seen.
"""

import csv
from pathlib import Path
from typing import Any

import pint
import pytest
import scipy

from dewline.gas import ingress, leak
from dewline.gas.ingress import OxygenReading
from dewline.gas.leak import HoldPoint

DATA = Path(__file__).parent / "data"
HOLDS = list(csv.DictReader((DATA / "leak_hold.csv").read_text().splitlines()))
OXYGEN = list(csv.DictReader((DATA / "o2_method.csv").read_text().splitlines()))
UREG: pint.UnitRegistry[float] = pint.UnitRegistry()
RESOLUTION_PA = 5.0


def hold(row: dict[str, str]) -> leak.HoldRate:
    start, end = (
        HoldPoint(
            float(row[f"pg{n}_mbar"]) * 100,
            float(row[f"T{n}_K"]),
            float(row[f"baro{n}_mbar"]) * 100,
        )
        for n in (1, 2)
    )
    return leak.pressure_hold(float(row["V_m3"]), start, end, float(row["t_h"]) * 3600)


@pytest.mark.parametrize("row", HOLDS, ids=lambda r: r["case"][0])
def test_pressure_hold_table(row: dict[str, str]) -> None:
    """Flow and hourly rate meet the table within 1e-6, or 1e-9 absolute where nothing leaks."""
    rate = hold(row)
    expected = [float(row[k]) for k in ("Q_Pa_m3_s", "hourly_rate_per_h", "comp_dpdt_mbar_h")]
    got = [rate.flow_pa_m3_s, rate.hourly_rate_per_h, rate.change_pa / 100 / float(row["t_h"])]
    assert got == pytest.approx(expected, rel=1e-6, abs=1e-9)
    raw_mbar_h = rate.raw_change_pa / 100 / float(row["t_h"])
    assert raw_mbar_h == pytest.approx(float(row["raw_gauge_slope_mbar_h"]), rel=1e-6)


@pytest.mark.parametrize("row", HOLDS, ids=lambda r: r["case"][0])
def test_pressure_hold_flows(row: dict[str, str]) -> None:
    """The same flow in mbar L/s, as the table and Pint say, within 1e-6."""
    flow = hold(row).flow_pa_m3_s
    got = leak.mbar_l_per_s(flow)
    assert got == pytest.approx(float(row["Q_mbar_L_s"]), rel=1e-6, abs=1e-9)
    assert got == pytest.approx(UREG.Quantity(flow, "Pa*m^3/s").to("mbar*liter/s").magnitude)


@pytest.mark.parametrize("row", HOLDS, ids=lambda r: r["case"][0])
def test_pressure_hold_class(row: dict[str, str]) -> None:
    """The class of the table; temperature and barometer alone resolve nothing."""
    rate = hold(row)
    expected = row["iso10648_2_class_by_rate"]
    assert rate.resolved(RESOLUTION_PA) == (expected != "not_resolved")
    if expected not in ("n/a", "not_resolved"):
        assert leak.iso_10648_2_class(rate.hourly_rate_per_h) == int(expected)
    if expected == "n/a":
        assert leak.iso_10648_2_class(rate.hourly_rate_per_h) is None


@pytest.mark.parametrize("row", HOLDS, ids=lambda r: r["case"][0])
def test_pressure_hold_is_a_mole_balance(row: dict[str, str]) -> None:
    """Pint counts the moles before and after; the flow is their difference at the first state."""
    q, volume = UREG.Quantity, UREG.Quantity(float(row["V_m3"]), "m^3")
    gas_constant = q(8.314462618, "J/mol/K")

    def moles(n: int) -> Any:
        total = q(float(row[f"baro{n}_mbar"]), "mbar") + q(float(row[f"pg{n}_mbar"]), "mbar")
        return total * volume / (gas_constant * q(float(row[f"T{n}_K"]), "K"))

    flow = (
        (moles(2) - moles(1))
        * gas_constant
        * q(float(row["T1_K"]), "K")
        / q(float(row["t_h"]), "hour")
    )
    got = hold(row).flow_pa_m3_s
    assert got == pytest.approx(flow.to("Pa*m^3/s").magnitude, rel=1e-6, abs=1e-9)


def oxygen_curve(row: dict[str, str]) -> list[OxygenReading]:
    """A reading every 30 s of the row's box: scipy integrates dC/dt = rate (C_air - C)."""
    rate, air_ppm = float(row["rate_exact_per_h"]) / 3600, float(row["C_air_ppm"])
    seconds = float(row["t_min"]) * 60
    times = [30.0 * k for k in range(int(seconds / 30) + 1)]
    run = scipy.integrate.solve_ivp(
        lambda _, c: rate * (air_ppm - c),
        (0, seconds),
        [float(row["C0_ppm"])],
        t_eval=times,
        rtol=1e-12,
        atol=1e-12,
    )
    return [OxygenReading(t, c) for t, c in zip(times, run.y[0], strict=True)]


@pytest.mark.parametrize("row", OXYGEN, ids=lambda r: r["case"][:2].strip())
def test_oxygen_method_table(row: dict[str, str]) -> None:
    """A record that goes from the table's first to its last reading has the table's exact rate.

    Within 1e-6; a falling one shows no ingress.
    """
    curve = oxygen_curve(row)
    assert curve[-1].ppm == pytest.approx(float(row["C1_ppm"]), rel=1e-6)
    found = ingress.evaluate_oxygen(
        curve, float(row["V_m3"]) * 1e3, air_ppm=float(row["C_air_ppm"])
    )
    assert found.per_h == pytest.approx(float(row["rate_exact_per_h"]), rel=1e-6)
    if row["class_by_linear_rate"] == "not_resolved":
        assert not found.resolved
        return
    rate = float(row["rate_linear_per_h"])
    assert leak.iso_10648_2_class(rate) == int(row["class_by_linear_rate"])
    # The two forms of the rate differ by at most half the share of air that has come in.
    assert found.per_h == pytest.approx(rate, rel=float(row["C1_ppm"]) / 209_460)


@pytest.mark.parametrize(
    ("rate_per_h", "expected"),
    [(5e-4, 1), (5.01e-4, 2), (2.5e-3, 3), (1e-2, 4), (1e-1, None), (-4e-4, 1), (0, 1)],
)
def test_class_limits(rate_per_h: float, expected: int | None) -> None:
    """ISO 10648-2 limits, FROM MEMORY: <= 5e-4, < 2.5e-3, < 1e-2, < 1e-1 per hour."""
    assert leak.iso_10648_2_class(rate_per_h) == expected


def test_what_an_unknown_temperature_or_barometer_imitates() -> None:
    """0.1 K in an hour looks like 3.39e-4 /h, 1 hPa of barometer like 9.9e-4 /h (pint)."""
    still = HoldPoint(300, 295.15, 101_325)
    warmer = HoldPoint(300, 295.25, 101_325)
    lower = HoldPoint(300, 295.15, 101_225)
    rate = abs(leak.pressure_hold(1.2, still, warmer, 3600).hourly_rate_per_h)
    assert rate == pytest.approx(3.39e-4, rel=2e-3)
    rate = abs(leak.pressure_hold(1.2, still, lower, 3600).hourly_rate_per_h)
    assert rate == pytest.approx(9.9e-4, rel=1e-2)


def test_giving_walls_against_a_box_of_gas_and_springs() -> None:
    """A box whose walls give 0.8 L/mbar, no leak, 0.5 K warmer: scipy finds the new pressure.

    The gauge rises only (V/p)/(V/p + C) of the rigid rise, and a hold that knows
    the compliance sees no leak where one that takes the box for rigid sees one.
    """
    volume_m3, compliance, barometer = 1.2, 8e-6, 101_325.0
    first = HoldPoint(300, 295.15, barometer)
    moles = first.absolute_pa * volume_m3 / first.gas_k

    def surplus(gauge_pa: float) -> float:
        give = compliance * (gauge_pa - first.gauge_pa)
        return (barometer + gauge_pa) * (volume_m3 + give) / 295.65 - moles

    last = HoldPoint(scipy.optimize.brentq(surplus, -2000, 2000, xtol=1e-12), 295.65, barometer)
    known = leak.pressure_hold(volume_m3, first, last, 3600, compliance)
    rigid = leak.pressure_hold(volume_m3, first, last, 3600)
    assert known.hourly_rate_per_h == pytest.approx(0, abs=1e-9)
    assert abs(rigid.hourly_rate_per_h) > 5e-4
    rigid_rise_pa = first.absolute_pa * 0.5 / 295.15
    stiffness = volume_m3 / first.absolute_pa
    share = stiffness / (stiffness + compliance)
    assert last.gauge_pa - first.gauge_pa == pytest.approx(rigid_rise_pa * share, rel=2e-3)
    assert share == pytest.approx(0.6, abs=0.005)
