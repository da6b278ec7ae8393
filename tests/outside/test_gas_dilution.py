"""Purging and antechamber cycles against tables, exact rationals and scipy.

Sources: derived dilution laws; tables computed with scipy gammaincc and
solve_ivp, exact rationals and pint 0.25.3. The mixing factor is common
practice, no source.
"""

import csv
from fractions import Fraction
from pathlib import Path

import pint
import pytest
import scipy

from dewline.errors import OutOfRange
from dewline.gas import antechamber, dilution
from dewline.gas.antechamber import Cycle

DATA = Path(__file__).parent / "data"
PURGES = list(csv.DictReader((DATA / "purge.csv").read_text().splitlines()))
CYCLES = list(csv.DictReader((DATA / "antechamber.csv").read_text().splitlines()))
GAUGES = list(csv.DictReader((DATA / "gauge_inhg.csv").read_text().splitlines()))
AIR_PPM = 209_460.0


@pytest.mark.parametrize("row", PURGES, ids=lambda r: r["C_target_ppm"])
def test_purge_table(row: dict[str, str]) -> None:
    """Volumes for a mixed and an imperfectly mixed box, within 1e-4; none is under plug flow
    but where the target is above start/e."""
    target = float(row["C_target_ppm"])
    pure = dilution.volumes_needed(AIR_PPM, target)
    assert pure == pytest.approx(float(row["vol_changes_mixed_Cin0"]), abs=1e-4)
    impure = dilution.volumes_needed(AIR_PPM, target, 1.0)
    if row["vol_changes_mixed_Cin1ppm"] == "inf":
        assert impure is None
    else:
        assert impure == pytest.approx(float(row["vol_changes_mixed_Cin1ppm"]), abs=1e-4)
    for mixing in (0.7, 0.5):
        volumes = dilution.volumes_needed(AIR_PPM, target, 0.0, mixing)
        assert volumes == pytest.approx(float(row[f"vol_changes_K{mixing}"]), abs=1e-4)
    assert float(row["plug_flow_limit"]) == dilution.PLUG_VOLUMES


def test_purge_solves_its_equation() -> None:
    """scipy integrates V dC/dt = Q (Cin - C) for the seconds found and arrives at the target."""
    volumes = dilution.volumes_needed(AIR_PPM, 10, 1)
    assert volumes is not None
    seconds = dilution.purge_s(volumes, 1.1, 18.0)
    run = scipy.integrate.solve_ivp(
        lambda _, c: 18.0 / 3600 / 1.1 * (1 - c), (0, seconds), [AIR_PPM], rtol=1e-11, atol=1e-9
    )
    assert run.y[0, -1] == pytest.approx(10, rel=1e-6)


def test_purge_of_practice() -> None:
    """20.9 % to 100 ppm at mixing 0.7: 11 volumes, 13 m³, 44 min at 300 L/min for 1.2 m³.

    Common practice rounded; derived here.
    """
    volumes = dilution.volumes_needed(209_000, 100, 0, 0.7)
    assert volumes == pytest.approx(11, abs=0.1)
    assert volumes is not None
    assert volumes * 1.2 == pytest.approx(13, abs=0.2)
    assert dilution.purge_s(volumes, 1.2, 18) / 60 == pytest.approx(44, abs=0.5)


@pytest.mark.parametrize("row", CYCLES, ids=lambda r: f"{r['p_low_mbar_abs']}x{r['n_cycles']}")
def test_antechamber_table(row: dict[str, str]) -> None:
    """Residual oxygen for pure and impure refill within 1e-5, against exact rationals too."""
    low, high = (Fraction(row[k]) for k in ("p_low_mbar_abs", "p_high_mbar_abs"))
    cycles = int(row["n_cycles"])
    for refill, key in ((0, "pure_refill"), (1, "refill_1ppm"), (10, "refill_10ppm")):
        cycle = Cycle(float(low) * 100, float(high) * 100, refill)
        left = antechamber.residual_ppm(AIR_PPM, cycle, cycles)
        assert left == pytest.approx(float(row[f"O2_ppm_{key}"]), rel=1e-5)
        exact = refill + (Fraction(209_460) - refill) * (low / high) ** cycles
        assert left == pytest.approx(float(exact), rel=1e-12)


@pytest.mark.parametrize("row", CYCLES, ids=lambda r: f"{r['p_low_mbar_abs']}x{r['n_cycles']}")
def test_cycles_needed_is_the_least(row: dict[str, str]) -> None:
    """For a target a hair above what n cycles leave, exactly n are needed; a hair below, more."""
    cycles = int(row["n_cycles"])
    cycle = Cycle(float(row["p_low_mbar_abs"]) * 100, 101_325, 1.0)
    left = antechamber.residual_ppm(AIR_PPM, cycle, cycles)
    before = antechamber.residual_ppm(AIR_PPM, cycle, cycles - 1)
    if before - left > 1e-6:
        assert antechamber.cycles_needed(AIR_PPM, left * (1 + 1e-12), cycle) == cycles
        assert antechamber.cycles_needed(AIR_PPM, before, cycle) == cycles - 1


def test_depth_counts_as_much_as_number() -> None:
    """Three cycles to 50 mbar leave 25 ppm, three to 10 mbar 0.2 ppm (derived)."""
    left = [antechamber.residual_ppm(AIR_PPM, Cycle(p, 101_325), 3) for p in (5000, 1000)]
    assert left == pytest.approx([25.17, 0.2014], rel=1e-3)


def test_refill_gas_is_the_floor() -> None:
    """A target at or under the refill gas's own ppm is never reached."""
    assert antechamber.cycles_needed(AIR_PPM, 1.0, Cycle(100, 101_325, 1.0)) is None


@pytest.mark.long
@pytest.mark.parametrize("row", GAUGES, ids=lambda r: f"{r['baro_mbar']}:{r['gauge_inHg']}")
def test_gauge_table(row: dict[str, str]) -> None:
    """inHg gauge and barometer to absolute (pint); a negative absolute is an error, not 0."""
    inches = pint.UnitRegistry().Quantity(float(row["gauge_inHg"]), "inHg")
    gauge_pa, barometer_pa = inches.to("Pa").magnitude, float(row["baro_mbar"]) * 100
    if row["verdict"] == "ok":
        got = antechamber.absolute_pa(gauge_pa, barometer_pa) / 100
        assert got == pytest.approx(float(row["p_abs_mbar"]), abs=6e-4)
    else:
        with pytest.raises(OutOfRange, match="gauge or barometer is wrong"):
            antechamber.absolute_pa(gauge_pa, barometer_pa)


def test_short_transfer_of_practice() -> None:
    """One cycle at 50 mbar of 62 L lets 0.64 L of oxygen in: 534 ppm in 1.2 m³ (derived)."""
    left = antechamber.residual_ppm(AIR_PPM, Cycle(5000, 101_325), 1)
    dose_m3 = antechamber.dose_m3(left, 0.062)
    assert dose_m3 * 1e3 == pytest.approx(0.64, abs=0.005)
    assert dose_m3 / 1.2 * 1e6 == pytest.approx(534, abs=1)
