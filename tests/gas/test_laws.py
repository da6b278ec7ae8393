"""Laws the sums must keep for every argument, found by searching for counter-examples."""

import math
import timeit
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.gas import antechamber, cleanup, dilution, humidity, leak
from dewline.gas.antechamber import Cycle
from dewline.gas.leak import HoldPoint

pressures = st.floats(5e4, 1.1e5)
frost_points = st.floats(-109.9, 0.0)


@given(frost_points, pressures)
def test_frost_point_and_ppm_undo_each_other(t_c: float, total_pa: float) -> None:
    """frost point -> ppm -> frost point comes back within 1e-5 K."""
    ppm = humidity.ppm_of_vapour(humidity.stable_pressure_pa(t_c), total_pa)
    assert humidity.frost_point_c(ppm, total_pa) == pytest.approx(t_c, abs=1e-5)


@given(st.floats(-99, 80), pressures)
def test_dew_point_and_ppm_undo_each_other(t_c: float, total_pa: float) -> None:
    """dew point -> ppm -> dew point comes back within 1e-6 K, across 0 °C too.

    Within 0.001 K of the triple point the two formulas meet with a step of 1e-5.
    """
    tolerance = 1e-3 if abs(t_c - 0.01) < 1e-3 else 1e-6
    ppm = humidity.ppm_of_vapour(humidity.dew_pressure_pa(t_c), total_pa)
    assert humidity.dew_point_c(ppm, total_pa) == pytest.approx(t_c, abs=tolerance)


@given(st.floats(-95, -0.1), pressures)
def test_the_dew_point_lies_below_the_frost_point(t_c: float, total_pa: float) -> None:
    """Below 0 °C supercooled water needs a colder surface than ice, by up to 4.5 K."""
    dew_c = humidity.dew_point_c(
        humidity.ppm_of_vapour(humidity.stable_pressure_pa(t_c), total_pa), total_pa
    )
    assert 0 < t_c - dew_c < 4.5


@given(st.floats(-109.9, 100), st.floats(0, 5))
def test_vapour_pressure_rises_with_temperature(t_c: float, step: float) -> None:
    """A warmer surface has the higher vapour pressure, also where ice gives way to water.

    It rises by at least 3 % per kelvin, 3e-11 of itself over 1e-9 K: far above the rounding of
    the formula. Across less than that rounding may hide the rise, but never makes it a fall of
    more than 1e-12.
    """
    warmer = min(t_c + step, 100.0)
    colder_pa, warmer_pa = humidity.stable_pressure_pa(t_c), humidity.stable_pressure_pa(warmer)
    assert warmer_pa > colder_pa * (1 - 1e-12)
    if warmer - t_c >= 1e-9:
        assert warmer_pa > colder_pa


@given(st.floats(1, 1e6), st.floats(0, 1), st.floats(0, 20), st.floats(0.05, 1))
def test_purge_forward_and_back(start: float, share: float, volumes: float, mixing: float) -> None:
    """The volumes that lead to what is left are the volumes that led there."""
    inlet = start * share * 0.5
    left = inlet + (start - inlet) * math.exp(-mixing * volumes)
    needed = dilution.volumes_needed(start, left, inlet, mixing)
    if needed is not None and left - inlet > 1e-4 * start:
        assert needed == pytest.approx(volumes, rel=1e-6, abs=1e-6)


@given(st.floats(10, 1e6), st.floats(0.001, 0.999), st.floats(1e-3, 1e5), st.floats(0, 5))
def test_cycles_needed_is_enough_and_least(
    start: float, ratio: float, target: float, refill: float
) -> None:
    """The count found reaches the target; one fewer does not; none is found only at the floor."""
    cycle = Cycle(ratio * 1e5, 1e5, refill)
    cycles = antechamber.cycles_needed(start, target, cycle)
    if cycles is None:
        assert target <= refill
        return
    assert antechamber.residual_ppm(start, cycle, cycles) <= target
    if cycles:
        assert antechamber.residual_ppm(start, cycle, cycles - 1) > target


@given(
    st.floats(0.1, 5),
    st.floats(-900, 900),
    st.floats(-900, 900),
    st.floats(-3, 3),
    st.floats(0, 4e-5),
)
def test_hold_there_and_back_is_nothing(
    volume: float, g1: float, g2: float, kelvin: float, compliance: float
) -> None:
    """Amounts are a state: the ratio there times the ratio back is 1."""
    a, b = HoldPoint(g1, 295.0, 101_325.0), HoldPoint(g2, 295.0 + kelvin, 100_900.0)
    there = leak.pressure_hold(volume, a, b, 3600, compliance).hourly_rate_per_h
    ratio = 1 + there
    if compliance == 0:
        back = leak.pressure_hold(volume, b, a, 3600, compliance).hourly_rate_per_h
        assert ratio * (1 + back) == pytest.approx(1, rel=1e-9)
    else:
        # A compliant box's own volume has changed by then: it is the second box that goes back.
        second = volume + compliance * (g2 - g1)
        back = leak.pressure_hold(second, b, a, 3600, compliance).hourly_rate_per_h
        assert ratio * (1 + back) == pytest.approx(1, rel=1e-9)


@given(st.floats(0.5, 3), st.floats(1e-7, 4e-5), st.floats(1e-4, 5e-3))
def test_compliance_comes_back_from_its_step(volume: float, compliance: float, dv: float) -> None:
    """The rise a known volume makes in a giving box yields the compliance it was made with."""
    rise = dv / (volume / 101_325 + compliance)
    found = leak.compliance_from_step(volume, 101_325, dv, rise)
    assert found == pytest.approx(compliance, rel=1e-6, abs=1e-12)


@given(st.floats(0.2, 1e5), st.floats(0.1, 1e4))
def test_cleanup_is_never_promised_below_the_steady_level(start: float, target: float) -> None:
    """Seconds are None exactly when the target lies at or under what the box settles at."""
    box = cleanup.balance(
        volume_m3=1.2, flow_m3_h=60, efficiency=0.95, leak_per_h=5e-4, source_cm3_h=2
    )
    seconds = box.time_to_s(start, target)
    if start <= target:
        assert seconds == 0
    elif target <= box.steady_ppm:
        assert seconds is None
    else:
        assert seconds is not None
        assert seconds > 0


def test_dial_gauge_gives_the_upper_end() -> None:
    """A gauge of ± 1 % of 30 inHg at 10 mbar may stand at 20 mbar; the residual is taken there."""
    upper = antechamber.absolute_pa(-100_325.0, 101_325.0, 1016.0)
    assert upper == pytest.approx(2016.0)
    assert math.isclose(antechamber.absolute_pa(-100_325.0, 101_325.0), 1000.0)


def test_frost_point_is_cheap_enough_for_every_reading() -> None:
    """A call costs at most five of the formula that it inverts (about 2.2), by the best of runs.

    A search by halving, as for the dew point, takes about thirty.
    """

    def best_s(call: Callable[[], float]) -> float:
        return min(timeit.repeat(call, number=2000, repeat=7))

    formula_s = best_s(lambda: humidity.ice_pressure_pa(210.0))
    assert best_s(lambda: humidity.frost_point_c(3.3, 101_325.0)) < 5 * formula_s
