"""Bed, clean-up and permeation against tables, CoolProp, chemicals' molar masses and scipy.

Sources: derived balances; tables computed with pint 0.25.3, CoolProp 8 (real
nitrogen) and scipy DOP853; molar masses as in chemicals 1.5.2 (IUPAC). 1 barrer
as defined in doi 10.1201/b13623-11. Permeabilities of butyl rubber are FROM
MEMORY (Polymer Handbook; Peacock, J. Vac. Sci. Technol. 17 (1980) 330).
"""

import csv
import math
from collections.abc import Callable
from pathlib import Path

import pint
import pytest
import scipy

from dewline.gas import bed, cleanup, permeation

DATA = Path(__file__).parent / "data"
BEDS = list(csv.DictReader((DATA / "bed_loading.csv").read_text().splitlines()))
REGENERATIONS = list(csv.DictReader((DATA / "regen_stoich.csv").read_text().splitlines()))
BALANCES = list(csv.DictReader((DATA / "balance_cleanup.csv").read_text().splitlines()))
PERMEATIONS = list(csv.DictReader((DATA / "permeation.csv").read_text().splitlines()))


def uptake(row: dict[str, str]) -> float:
    return bed.uptake_mol(
        flow_m3_h=float(row["Q_m3_h_actual"]),
        gas_k=float(row["T_C"]) + 273.15,
        pressure_pa=float(row["p_mbar_abs"]) * 100,
        inlet_ppm=float(row["C_in_ppm"]),
        duration_s=float(row["t_h"]) * 3600,
        outlet_ppm=float(row["C_out_ppm"]),
    )


@pytest.mark.parametrize("row", BEDS, ids=lambda r: r["case"])
def test_bed_loading_table(row: dict[str, str]) -> None:
    """mol, grams and litres (0 °C, 1013.25 mbar) a bed took up, within 1e-6."""
    amount = uptake(row)
    gas: bed.Held = "oxygen" if row["case"].startswith("O2") else "water"
    got = [amount, bed.grams(amount, gas), bed.litres(amount)]
    expected = [float(row[k]) for k in ("mol", "mass_g", "L_at_0C_1atm")]
    assert got == pytest.approx(expected, rel=1e-6)


@pytest.fixture(name="nitrogen", scope="module")
def nitrogen_fixture() -> Callable[[float, float], float]:
    """The mol/m3 of real nitrogen at K and Pa; CoolProp takes seconds to import, so only once."""
    from CoolProp.CoolProp import PropsSI  # noqa: PLC0415

    return lambda t_k, p_pa: PropsSI("Dmolar", "T", t_k, "P", p_pa, "Nitrogen")


@pytest.mark.long
@pytest.mark.parametrize("row", BEDS, ids=lambda r: r["case"])
def test_bed_loading_against_real_nitrogen(
    row: dict[str, str], nitrogen: Callable[[float, float], float]
) -> None:
    """Real nitrogen of CoolProp carries the same moles within 2.5e-4."""
    density = nitrogen(float(row["T_C"]) + 273.15, float(row["p_mbar_abs"]) * 100)
    volume_m3 = float(row["Q_m3_h_actual"]) * float(row["t_h"])
    caught = (float(row["C_in_ppm"]) - float(row["C_out_ppm"])) * 1e-6
    assert uptake(row) == pytest.approx(density * volume_m3 * caught, rel=2.5e-4)


@pytest.mark.parametrize("row", REGENERATIONS, ids=lambda r: r["O2_on_bed_g"])
def test_regeneration_table(row: dict[str, str]) -> None:
    """CuO + H2 -> Cu + H2O: hydrogen, water, copper and 5 % forming gas, within 1e-6."""
    needs = bed.regeneration(float(row["O2_on_bed_g"]), 0.05, float(row["H2_utilisation"]))
    got = [
        needs.hydrogen_mol,
        needs.hydrogen_g,
        needs.water_g,
        needs.copper_g,
        needs.forming_gas_l,
        needs.forming_gas_l * 293.15 / 273.15,
    ]
    assert got == pytest.approx([float(row[k]) for k in list(row)[2:]], rel=1e-6)


def test_regeneration_keeps_mass() -> None:
    """Oxygen and hydrogen in are water out: 1 g of oxygen makes 1.126 g of water."""
    needs = bed.regeneration(1.0)
    assert needs.water_g == pytest.approx(1.0 + needs.hydrogen_g, rel=1e-6)


@pytest.mark.parametrize("row", BALANCES, ids=lambda r: r["case"][0])
def test_balance_table(row: dict[str, str]) -> None:
    """Steady ppm, time constant and clean-up time within 1e-6; inf in the table is never."""
    box = cleanup.balance(
        volume_m3=float(row["V_m3"]),
        flow_m3_h=float(row["Qcirc_m3_h"]),
        efficiency=float(row["eta"]),
        leak_per_h=float(row["leak_per_h"]),
        source_cm3_h=float(row["perm_cm3_h"]),
        outlet_ppm=float(row["C_out_ppm"]),
    )
    assert box.steady_ppm == pytest.approx(float(row["C_ss_ppm"]), rel=1e-6)
    assert box.time_constant_s == pytest.approx(float(row["tau_s"]), rel=1e-6)
    seconds = box.time_to_s(float(row["C0_ppm"]), float(row["C1_ppm"]))
    expected = float(row["t_cleanup_s"])
    assert seconds == (pytest.approx(expected, rel=1e-6) if math.isfinite(expected) else None)


def test_cleanup_solves_its_equation() -> None:
    """scipy integrates the whole balance of case B for the seconds found, and meets the target."""
    box = cleanup.balance(
        volume_m3=1.2,
        flow_m3_h=60,
        efficiency=0.95,
        leak_per_h=5e-4,
        source_cm3_h=1.76,
        outlet_ppm=0.1,
    )
    seconds = box.time_to_s(100, 3)
    assert seconds is not None

    def per_hour(_: float, c: float) -> float:
        return (5e-4 * 1.2 * (209_460 - c) + 1.76 - 57 * (c - 0.1)) / 1.2

    run = scipy.integrate.solve_ivp(
        per_hour, (0, seconds / 3600), [100.0], method="DOP853", rtol=1e-11, atol=1e-11
    )
    assert run.y[0, -1] == pytest.approx(3, rel=1e-6)


def test_mass_balance_as_a_veto() -> None:
    """5 ppm against 57 m³/h cleaned takes 285 cm³/h, 1.4 L/h of air, 5 g of water a day."""
    source = 285.0
    box = cleanup.balance(
        volume_m3=1.2, flow_m3_h=60, efficiency=0.95, leak_per_h=0, source_cm3_h=source
    )
    assert box.steady_ppm == pytest.approx(5)
    assert source / 209_460 * 1e6 / 1e3 == pytest.approx(1.4, abs=0.05)
    water_g_day = bed.grams(source * 24 * 1e-3 / 24.2, "water")  # 24.2 L/mol near 22 °C
    assert water_g_day == pytest.approx(5, abs=0.2)


@pytest.mark.parametrize("row", PERMEATIONS, ids=lambda r: r["case"])
def test_permeation_table(row: dict[str, str]) -> None:
    """Flow through gloves and the rise it makes, within 1e-5 of pint's."""
    flow = permeation.permeation_cm3_h(
        float(row["P_barrer"]),
        float(row["area_m2"]),
        float(row["thickness_mm"]) * 1e-3,
        float(row["dp_Pa"]),
    )
    assert flow == pytest.approx(float(row["cm3_STP_per_h"]), rel=1e-5)
    rise = permeation.rise_ppm_h(flow, float(row["V_m3"]), 295.15, 101_625)
    assert rise == pytest.approx(float(row["ppm_per_h_22C_1016.25mbar"]), rel=1e-5)


@pytest.mark.long
def test_barrer_against_pint() -> None:
    """1 barrer in SI by Pint's own cmHg, within its 1e-6 between torr and mmHg."""
    unit = pint.UnitRegistry().Quantity(1e-10, "cm^3*cm/(cm^2*s*cmHg)").to("m^3*m/(m^2*s*Pa)")
    assert unit.magnitude == pytest.approx(permeation.BARRER, rel=1e-6)


def test_gloves_let_more_water_through_than_oxygen() -> None:
    """At the same rubber water permeates faster than oxygen on a 15 times smaller pressure."""
    water = permeation.permeation_cm3_h(permeation.BUTYL_WATER_BARRER[0], 0.9, 4e-4, 1405.46)
    oxygen = permeation.permeation_cm3_h(permeation.BUTYL_OXYGEN_BARRER[1], 0.9, 4e-4, 21_223.5)
    assert water > oxygen
