"""The statistics of leak tests against scipy; GUM is JCGM 100:2008 and its Supplement 1."""

import math
import random

import pytest
import scipy

from dewline.gas import coverage, ingress, trend
from dewline.gas.ingress import OxygenReading, OxygenSensor


@pytest.mark.long
def test_slope_is_the_least_squares_slope() -> None:
    """Independent scatter: slope as scipy's linregress, its error within the GUM-S1 widening."""
    rng = random.Random(7)
    times = [0.1 * k for k in range(60)]
    values = [3 - 0.7 * t + rng.gauss(0, 0.2) for t in times]
    ours, theirs = trend.fit(times, values), scipy.stats.linregress(times, values)
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-12)
    widened = math.sqrt((ours.independent - 2) / (ours.independent - 4) * 60 / ours.independent)
    assert ours.standard == pytest.approx(theirs.stderr * widened, rel=1e-9)


@pytest.mark.long
@pytest.mark.parametrize("ratio", [0.1, 0.5, 1.0, 3.0, 20.0])
def test_half_width_of_normal_plus_rectangle(ratio: float) -> None:
    """scipy integrates the convolution over our half-width and finds 95.45 %."""
    sigma, half = 1.0, ratio
    width = coverage.half_width(sigma, half)

    def density(x: float) -> float:
        inside = scipy.stats.norm.cdf((x + half) / sigma) - scipy.stats.norm.cdf((x - half) / sigma)
        return float(inside / (2 * half))

    inside, _ = scipy.integrate.quad(
        density, -width, width, epsabs=1e-10, points=[-half, half] if half < width else None
    )
    assert inside == pytest.approx(math.erf(math.sqrt(2)), abs=1e-7)


def test_coverage_factors_of_the_gum() -> None:
    """k = 2 for a normal error, 1.65 for a rectangular one (GUM G.1.3, table G.1 for 95.45 %)."""
    assert coverage.half_width(1.5) == 3.0
    rectangle = coverage.half_width(0.0, 1.0)
    assert rectangle / (1 / math.sqrt(3)) == pytest.approx(1.65, abs=0.005)
    assert coverage.half_width(1e-5, 1.0) == pytest.approx(rectangle, rel=1e-4)


def test_few_readings_widen_as_student_t() -> None:
    """Twice our error for 8 independent readings is within 3 % of t(95.45 %, 6) (scipy)."""
    widened = 2 * math.sqrt(6 / 4)
    assert widened == pytest.approx(scipy.stats.t.ppf((1 + coverage.COVERAGE) / 2, 6), rel=0.03)


@pytest.mark.parametrize("lag_s", [5.0, 130.0, 500.0])
def test_the_lag_of_the_sensor_is_taken_out(lag_s: float) -> None:
    """scipy integrates box and lagging analyzer; the rate found is the box's within 0.1 %.

    Without taking the lag out, a 500 s analyzer reads 4 % or more too low over 40 min.
    """
    rate, air = 2e-4, 209_460.0

    def flow(_: float, state: list[float]) -> list[float]:
        box, shown = state
        return [rate / 3600 * (air - box), (box - shown) / lag_s]

    times = [10.0 * k for k in range(301)]
    run = scipy.integrate.solve_ivp(
        flow, (0, 3000), [0.1, 0.1], t_eval=times, rtol=1e-10, atol=1e-12
    )
    readings = [OxygenReading(t, c) for t, c in zip(times, run.y[1], strict=True)]
    found = ingress.evaluate_oxygen(readings, 1200, OxygenSensor(lag_s=lag_s))
    assert found.per_h == pytest.approx(rate, rel=1e-3)
    if lag_s == 500:
        careless = ingress.evaluate_oxygen(readings, 1200, OxygenSensor(lag_s=0))
        assert careless.per_h < 0.96 * rate
