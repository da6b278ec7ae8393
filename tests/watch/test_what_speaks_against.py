"""What speaks against a cause: times that do not fit, and rises that are too fast for it."""

from __future__ import annotations

from collections.abc import Callable
from math import exp

import pytest

from dewline.events import Cause
from dewline.readings import Quality
from dewline.watch_plan import Above, RulePlan
from tests.watch.conftest import Bench

CALM = {"oxygen": 0.05, "moisture": 0.2, "circulating": 1.0, "pressure": 3.0}


@pytest.fixture
def b(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Bench:
    """Twenty minutes of calm in a box with one rule about each gas."""
    made = bench(
        make_rule("wet", "moisture", Above(5.0), unit="ppm"),
        make_rule("air", "oxygen", Above(20.0), unit="ppm"),
    )
    made.hold(0, 1200, **CALM)
    return made


def first_cause(b: Bench, alarm: str) -> Cause:
    """The cause told when this alarm was raised."""
    return next(e.cause for e in b.events if e.alarm == f"heron.{alarm}")


LEAKS = {"air-leak", "loop-suction-leak", "sample-line", "leak-at-low-pressure", "impulse"}


@pytest.mark.parametrize("decays_s", [5.0, 20.0])
def test_water_that_comes_by_itself_is_no_air(b: Bench, decays_s: float) -> None:
    """A step of moisture 100 s after a spike of oxygen that is gone: air brings both at once."""
    b.hold(1200, 1202, **CALM | {"oxygen": 18.0})
    for second in range(1202, 1300):
        b.at(second, **CALM | {"oxygen": 0.05 + 18.0 * exp((1202 - second) / decays_s)})
    b.hold(1300, 1310, **CALM | {"moisture": 6.2})
    cause = first_cause(b, "wet")
    assert not {cause.name, *cause.also} & LEAKS, cause
    assert not any("0.00 above" in sentence for sentence in cause.evidence)


def test_air_still_brings_its_water(b: Bench) -> None:
    """Both gases up at once, and oxygen still there: a leak stays among the causes."""
    for second in range(1200, 1320):
        share = 1 - exp((1200 - second) / 76)
        b.at(second, **CALM | {"oxygen": 0.05 + 150 * share, "moisture": 0.2 + 9 * share})
    cause = first_cause(b, "wet")
    assert "air-leak" in {cause.name, *cause.also}


@pytest.mark.parametrize("gas", ["moisture", "oxygen"])
def test_a_stop_of_the_loop_makes_no_leap(b: Bench, gas: str) -> None:
    """Seven ppm within one second, five minutes after a stop: no source in a sound box does."""
    alarm = {"moisture": "wet", "oxygen": "air"}[gas]
    b.hold(1200, 1500, **CALM | {"circulating": 0.0})
    up = {"moisture": 7.2, "oxygen": 27.0}[gas]
    b.hold(1500, 1510, **CALM | {"circulating": 0.0, gas: up})
    assert "circulation-stopped" not in {first_cause(b, alarm).name, *first_cause(b, alarm).also}


@pytest.mark.long
def test_a_stop_of_the_loop_explains_what_climbs_as_in_a_stop(b: Bench) -> None:
    """Water that comes up over an hour in a loop that stands is the stop's."""
    for second in range(1200, 1200 + 2 * 3600, 5):
        hours = (second - 1200) / 3600
        b.at(second, **CALM | {"circulating": 0.0, "moisture": 0.2 + 5.0 * hours**0.5})
    assert first_cause(b, "wet").name == "circulation-stopped"


def test_a_leap_has_no_slope(bench: Callable[..., Bench]) -> None:
    """A slope over half an hour with a step of 7 ppm in it is not given as good, a ramp is."""

    def quality(level: Callable[[int], float]) -> Quality:
        b = bench()
        found = Quality.NO_ANSWER
        for second in range(0, 2700, 5):
            noise = 0.01 * (second // 5 * 7919 % 11 - 5)
            outcome = b.at(second, oxygen=level(second) + noise, circulating=1.0)
            reading = outcome.readings.get("heron.oxygen_slope")
            found = found if reading is None else reading.quality
        return found

    assert quality(lambda s: 0.5 if s < 2400 else 7.5) == Quality.UNPROVEN
    assert quality(lambda s: 0.5 + s / 1000) == Quality.GOOD
    assert quality(lambda _: 0.5) == Quality.GOOD
