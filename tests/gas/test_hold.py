"""A whole pressure hold: what the estimator must keep, case by case."""

import math
import random

import pytest

from dewline.errors import OutOfRange
from dewline.gas import hold, ingress, leak, trend
from dewline.gas.hold import (
    UNKNOWN_COMPLIANCE,
    BoundedCompliance,
    HoldReading,
    HoldSensors,
    KnownCompliance,
)
from dewline.gas.ingress import OxygenReading, OxygenSensor

RIGID = KnownCompliance(0.0, 0.0)
PERFECT = HoldSensors(0.0, 0.0, 0.0, 0.0, 0.0)


def line(
    gauge_per_h: float = 0.0,
    gas_per_h: float = 0.0,
    air_per_h: float = 0.0,
    hours: float = 1.0,
    noise: float = 0.0,
) -> list[HoldReading]:
    """A hold in straight lines, every 20 s."""
    rng = random.Random(1)
    return [
        HoldReading(
            20.0 * k,
            5 + gauge_per_h * k / 180 + rng.gauss(0, noise),
            22 + gas_per_h * k / 180,
            1013 + air_per_h * k / 180,
        )
        for k in range(round(hours * 180) + 1)
    ]


def test_a_rigid_hold_is_the_two_point_sum() -> None:
    """Straight lines in a rigid box: the rate of ``leak.pressure_hold`` between its ends."""
    readings = line(-0.8, 0.3, -0.6)
    found = hold.evaluate(readings, 1200, RIGID, PERFECT)
    start, end = (
        leak.HoldPoint(r.gauge_mbar * 100, r.gas_c + 273.15, r.barometer_mbar * 100)
        for r in (readings[0], readings[-1])
    )
    two_points = leak.pressure_hold(1.2, start, end, 3600)
    assert found.per_h == pytest.approx(two_points.hourly_rate_per_h, rel=2e-3)
    assert found.raw_l_h == pytest.approx(-0.8 * 1200 / 1018, rel=2e-3)


def test_giving_walls_multiply_the_rate() -> None:
    """At constant room, walls of 1.6 L/mbar make the rate (V/p + C)/(V/p) = 2.36 times rigid."""
    readings = line(-0.5)
    rigid = hold.evaluate(readings, 1200, RIGID, PERFECT)
    giving = hold.evaluate(readings, 1200, KnownCompliance(1.6, 0), PERFECT)
    assert giving.rate_l_h / rigid.rate_l_h == pytest.approx(2.36, abs=0.01)
    assert giving.rigid_l_h == rigid.rate_l_h


@pytest.mark.parametrize("compliance", [0.0, 0.8, 4.0])
def test_temperature_and_weather_alone_are_no_leak(compliance: float) -> None:
    """A tight box answers the room with the share (V/p)/(V/p + C); the rate found is nothing."""
    share = 1184 / 1013 / (1184 / 1013 + compliance)
    gauge_per_h = share * (1018 / 295.3 * 0.5 + 0.9)
    readings = line(gauge_per_h, 0.5, -0.9)
    found = hold.evaluate(readings, 1184, KnownCompliance(compliance, 0.05))
    assert abs(found.per_h) < 2e-5
    assert not found.resolved
    assert found.class_number is None


def test_unknown_walls_are_in_the_interval() -> None:
    """The interval of a hold with unknown walls reaches from the stiffest to the slackest."""
    readings = line(-1.0)
    found = hold.evaluate(readings, 1200)
    for c in (0.3, 1.0, 3.9):
        truth = hold.evaluate(readings, 1200, KnownCompliance(c, 0), PERFECT).rate_l_h
        assert abs(truth - found.rate_l_h) <= found.expanded_l_h
    assert found.budget_l_h["compliance"] > found.budget_l_h["temperature"]
    assert 1.64 < found.coverage_factor < 2


def test_k_is_2_where_the_walls_are_known() -> None:
    """With a measured compliance the expanded uncertainty is twice the combined standard one."""
    found = hold.evaluate(line(-1.0), 1200, KnownCompliance(0.8, 0.1))
    assert found.coverage_factor == pytest.approx(2)
    combined = math.hypot(*found.budget_l_h.values())
    assert found.expanded_l_h == pytest.approx(2 * combined)


def test_a_hand_on_a_glove_for_a_minute_does_not_matter() -> None:
    """Block medians: kicks of 5 mbar in 3 % of the readings move the rate by less than 5 %."""
    readings = line(-1.0, hours=3, noise=0.01)
    kicked = [
        r._replace(gauge_mbar=r.gauge_mbar + 5) if 200 <= n < 204 or 400 <= n < 404 else r
        for n, r in enumerate(readings)
    ]
    calm = hold.evaluate(readings, 1200, KnownCompliance(0.8, 0.1))
    found = hold.evaluate(kicked, 1200, KnownCompliance(0.8, 0.1))
    assert found.rate_l_h == pytest.approx(calm.rate_l_h, rel=0.05)


def test_scatter_with_memory_counts_for_less() -> None:
    """A slow wave in the gauge leaves 8 readings' worth; white scatter leaves most of 60."""
    white = hold.evaluate(line(noise=0.05), 1200, RIGID)
    waves = [r._replace(gauge_mbar=5 + 0.05 * math.sin(r.t_s / 250)) for r in line()]
    slow = hold.evaluate(waves, 1200, RIGID)
    assert slow.independent == 8
    assert white.independent > 30


def test_needed_time_is_enough() -> None:
    """Holding on as long as ``needed_s`` says reaches the wanted uncertainty, and not far below."""
    wanted = 2e-4
    short = hold.evaluate(line(-0.02, noise=0.01), 1200, KnownCompliance(0.8, 0.1))
    assert short.expanded_per_h > wanted
    needed = short.needed_s(wanted)
    assert needed is not None
    long = hold.evaluate(
        line(-0.02, noise=0.01, hours=needed / 3600), 1200, KnownCompliance(0.8, 0.1)
    )
    assert 0.7 * wanted < long.expanded_per_h < 1.05 * wanted


def test_no_length_helps_against_unknown_walls() -> None:
    """A fast leak with unknown walls never gets below what the walls leave open."""
    found = hold.evaluate(line(-1.0), 1200)
    assert found.needed_s(1e-4) is None
    assert found.needed_s(1.0) is not None


def test_planned_time_agrees_with_a_hold_of_that_length() -> None:
    """A tight box held as long as planned comes out within 40 % of the wanted uncertainty."""
    wanted, swing = 3e-4, 0.5
    seconds = hold.planned_s(wanted, 1200, UNKNOWN_COMPLIANCE, HoldSensors(), swing)
    hours = seconds / 3600
    share = 1200 / 1013 / (1200 / 1013 + UNKNOWN_COMPLIANCE.l_per_mbar)
    gas_per_h = swing / hours
    found = hold.evaluate(
        line(share * 1018 / 295.3 * gas_per_h, gas_per_h, hours=hours, noise=0.01), 1200
    )
    assert found.expanded_per_h == pytest.approx(wanted, rel=0.4)


def test_the_class_needs_the_whole_interval() -> None:
    """A rate under a limit whose interval crosses it belongs to the next class."""
    readings = line(-0.48, hours=3)
    exact = hold.evaluate(readings, 1200, RIGID, PERFECT)
    assert leak.iso_10648_2_class(exact.per_h) == exact.class_number == 1
    blurred = hold.evaluate(readings, 1200, RIGID)
    assert leak.iso_10648_2_class(blurred.per_h) == 1
    assert blurred.class_number == 2


def test_a_step_measures_the_walls() -> None:
    """2 L that raise the gauge 1 mbar: 2 L/mbar in all, less V/p; error from that of the rise."""
    found = hold.measured_compliance(1200, 1018, 2.0, 1.0, 0.05)
    assert found.l_per_mbar == pytest.approx(2 - 1200 / 1018)
    assert found.standard == pytest.approx(0.1)


READINGS = line(-0.5)


@pytest.mark.parametrize(
    "readings",
    [
        READINGS[:19],
        READINGS[:25],
        [*READINGS, READINGS[0]],
        [READINGS[0], *READINGS],
        [*READINGS, HoldReading(9999, math.nan, 22, 1013)],
        [*READINGS, HoldReading(9999, 5, math.nan, 1013)],
        [*READINGS, HoldReading(9999, 5, 22, math.inf)],
        [*READINGS, HoldReading(9999, 5, 22, 0)],
        [*READINGS, HoldReading(math.nan, 5, 22, 1013)],
    ],
    ids=["few", "short", "back", "twice", "gauge", "gas", "barometer", "vacuum", "time"],
)
def test_a_hold_that_cannot_be_judged_is_refused(readings: list[HoldReading]) -> None:
    """Too few, too short, out of order, or not a number: OutOfRange."""
    with pytest.raises(OutOfRange, match="allowed"):
        hold.evaluate(readings, 1200)


@pytest.mark.parametrize(
    ("volume", "compliance", "sensors"),
    [
        (0.0, RIGID, PERFECT),
        (math.nan, RIGID, PERFECT),
        (1200, KnownCompliance(-1, 0), PERFECT),
        (1200, KnownCompliance(1, -1), PERFECT),
        (1200, BoundedCompliance(4, 1), PERFECT),
        (1200, BoundedCompliance(-1, 4), PERFECT),
        (1200, RIGID, HoldSensors(gas_k=-1)),
        (1200, RIGID, HoldSensors(gauge_mbar=math.nan)),
    ],
)
def test_a_box_or_budget_that_cannot_be_is_refused(
    volume: float, compliance: hold.Compliance, sensors: HoldSensors
) -> None:
    """No volume, negative walls or uncertainties: OutOfRange."""
    with pytest.raises(OutOfRange, match="allowed"):
        hold.evaluate(READINGS, volume, compliance, sensors)


def rise(ppm_h: float, seconds: int = 3600, digit: float = 0.01) -> list[OxygenReading]:
    return [
        OxygenReading(t, round((0.3 + ppm_h * t / 3600) / digit) * digit)
        for t in range(0, seconds, 10)
    ]


def test_oxygen_rise_is_air_ingress() -> None:
    """82 ppm/h is 3.9e-4 /h: 0.47 L/h into 1.2 m³, within class 1 with its interval."""
    found = ingress.evaluate_oxygen(rise(82), 1200)
    assert found.per_h == pytest.approx(82 / 209_460, rel=1e-3)
    assert found.air_l_h == pytest.approx(0.47, abs=0.01)
    assert found.resolved
    assert found.class_number == 1


def test_gloves_alone_are_no_leak() -> None:
    """1.5 ppm/h that the gloves explain leave nothing resolved."""
    found = ingress.evaluate_oxygen(rise(1.5), 1200, background_ppm_h=(1.5, 0.3))
    assert abs(found.per_h) < found.expanded_per_h
    assert not found.resolved
    assert found.class_number is None


def test_falling_oxygen_resolves_nothing() -> None:
    """A falling reading is no ingress, however sure."""
    readings = [OxygenReading(t, 50 - t * 1e-3) for t in range(0, 3600, 10)]
    found = ingress.evaluate_oxygen(readings, 1200)
    assert found.per_h < 0
    assert not found.resolved


@pytest.mark.parametrize(
    "readings",
    [
        rise(1, 700),
        rise(1, 1100),
        [*rise(1), OxygenReading(9999, math.nan)],
        [*rise(1), OxygenReading(9999, 2e5)],
        [*rise(1), OxygenReading(0, 1)],
        [],
    ],
    ids=["few", "short", "nan", "air", "back", "none"],
)
def test_an_oxygen_record_that_cannot_be_judged_is_refused(readings: list[OxygenReading]) -> None:
    """Too short after the first 10 min, not a number, open to air, out of order: OutOfRange."""
    with pytest.raises(OutOfRange, match="allowed"):
        ingress.evaluate_oxygen(readings, 1200)


@pytest.mark.parametrize(
    "sensor", [OxygenSensor(lag_s=-1), OxygenSensor(0, math.nan), OxygenSensor(0, 0, -1)]
)
def test_an_oxygen_sensor_that_cannot_be_is_refused(sensor: OxygenSensor) -> None:
    """Negative or missing properties of the sensor: OutOfRange."""
    with pytest.raises(OutOfRange, match="allowed"):
        ingress.evaluate_oxygen(rise(1), 1200, sensor)


def test_medians_keep_order_and_count() -> None:
    """61 readings make 60 blocks, 10 make 10; each at the mean time of its run."""
    times = [float(k) for k in range(61)]
    centres, medians = trend.block_medians(times, times)
    assert len(centres) == 60
    assert medians == centres
    assert trend.block_medians(times[:10], times[:10]) == (times[:10], times[:10])


def test_a_slope_needs_readings_over_time() -> None:
    """Fewer than 8, or all at one time: OutOfRange."""
    with pytest.raises(OutOfRange, match="allowed"):
        trend.fit([1.0] * 7, [1.0] * 7)
    with pytest.raises(OutOfRange, match="allowed"):
        trend.fit([1.0] * 9, [1.0] * 9)


def test_a_flat_line_has_no_slope_and_no_error() -> None:
    """Nothing left over is nothing uncertain, not a division by zero."""
    found = trend.fit([float(k) for k in range(20)], [3.0] * 20)
    assert (found.slope, found.standard, found.independent) == (0, 0, 20)
