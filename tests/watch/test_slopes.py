"""Rising and falling: when a slope raises, when it returns, what is written down."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import Above, Falling, Rising, RulePlan
from tests.watch.conftest import Bench

OVER_MS = 1_800_000
H = 3600


def feed_slope(
    b: Bench,
    start_s: int,
    stop_s: int,
    first: float,
    per_h: float,
    rng: random.Random,
    role: str = "oxygen",
    step_s: int = 10,
) -> None:
    for second in range(start_s, stop_s, step_s):
        value = first + per_h * (second - start_s) / H + rng.gauss(0, 0.01)
        b.at(second, **{role: value})


def test_raised_when_the_bound_of_the_interval_passes_the_limit(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """1 ppm/h against 0.5 ppm/h: raised well inside the window; 0.4 ppm/h never."""
    rng = random.Random(3)
    b = bench(make_rule("climbing", "oxygen", Rising(0.5, OVER_MS, 0.95), unit="ppm/h"))
    feed_slope(b, 0, 2 * H, 1.0, 0.4, rng)
    assert b.told() == []
    feed_slope(b, 2 * H, 3 * H, 1.8, 1.0, rng)
    ((at_s, transition, _),) = b.told()
    assert transition == "raised"
    assert 2 * H + 600 < at_s < 2 * H + 1800
    event = b.events[0]
    assert (event.limit, event.limit_unit, event.unit) == (0.5, "ppm/h", "ppm")
    assert event.value is not None
    assert event.value > 1.8


def test_not_raised_before_there_are_twenty_medians(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A steep start is not enough for a slope."""
    b = bench(make_rule("climbing", "oxygen", Rising(0.5, OVER_MS, 0.95)))
    feed_slope(b, 0, 600, 1.0, 100.0, random.Random(3))
    assert b.told() == []
    feed_slope(b, 600, 700, 1.0 + 100 / 6, 100.0, random.Random(3))
    assert [t for _, t, _ in b.told()] == ["raised"]
    assert 600 <= b.told()[0][0] <= 630


@pytest.mark.parametrize(("after", "returns"), [(0.45, False), (0.2, True)])
def test_returns_when_the_slope_is_below_limit_minus_a_fifth(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], after: float, returns: bool
) -> None:
    """0.45 of 0.5 ppm/h is inside the default deadband of 20 %; 0.2 is below."""
    rng = random.Random(5)
    b = bench(make_rule("climbing", "oxygen", Rising(0.5, OVER_MS, 0.95)))
    feed_slope(b, 0, H, 1.0, 1.0, rng)
    feed_slope(b, H, 3 * H, 2.0, after, rng)
    assert [t for _, t, _ in b.told()] == (["raised", "returned"] if returns else ["raised"])


def test_falling_mirrors_rising(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The limit in the event is negative."""
    b = bench(make_rule("losing", "pressure", Falling(0.5, OVER_MS, 0.95)))
    feed_slope(b, 0, H, 5.0, -1.0, random.Random(4), role="pressure")
    assert [t for _, t, _ in b.told()] == ["raised"]
    assert b.events[0].limit == -0.5


def test_spikes_do_not_make_a_slope(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A fifth of all medians far off (less than the 29.3 % that a median of slopes tolerates)."""
    rng = random.Random(8)
    b = bench(make_rule("climbing", "oxygen", Rising(0.5, OVER_MS, 0.95)))
    for second in range(0, 2 * H, 10):
        spike = 50.0 if second // 30 % 5 == 0 else 0.0
        b.at(second, oxygen=1.0 + spike + rng.gauss(0, 0.01))
    assert b.told() == []


def test_delay_of_a_slope_rule_runs_on_readings_between_medians(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Medians come every 90 s, the stale time is 15 s: the on-delay must still end."""
    b = bench(make_rule("climbing", "oxygen", Rising(0.5, 3 * OVER_MS, 0.95), on_s=600))
    feed_slope(b, 0, 2 * H, 1.0, 2.0, random.Random(3))
    assert [t for _, t, _ in b.told()] == ["raised"]
    event = b.events[0]
    assert event.since_ms == event.time_ms - 600_000


def test_slope_signals_are_written_and_can_have_rules(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """oxygen_slope and moisture_slope in ppm/h, with every median that closes."""
    b = bench(make_rule("steep", "oxygen_slope", Above(0.5)))
    rng = random.Random(2)
    for second in range(0, H, 10):
        b.at(second, oxygen=1.0 + second / H + rng.gauss(0, 0.01), moisture=3.0)
    oxygen = [(t, v) for t, name, v in b.derived if name == "heron.oxygen_slope"]
    moisture = [v for _, name, v in b.derived if name == "heron.moisture_slope"]
    assert len(oxygen) == 100  # one a 30 s bucket once there are twenty
    assert oxygen[-1][1] == pytest.approx(1.0, abs=0.02)
    assert moisture == [0.0] * 100
    assert [t for _, t, _ in b.told("steep")] == ["raised"]
    assert b.events[0].unit == "ppm/h"


@pytest.mark.long
def test_saved_window_goes_on_with_the_same_numbers() -> None:
    """Restored in the middle of a bucket, every later estimate is equal to the last bit."""
    rng = random.Random(11)
    window, other = MedianWindow(OVER_MS), MedianWindow(OVER_MS)
    for second in range(0, 3 * H, 7):
        value = rng.gauss(0, 1)
        window.add(second * 1000, value)
        other.add(second * 1000, value)
        if second % 21 == 0:
            state = other.save()
            other = MedianWindow(OVER_MS)
            other.restore(state)
        assert window.estimate(0.95) == other.estimate(0.95)


def test_medians_older_than_the_window_are_dropped() -> None:
    """After a pause longer than the window there is nothing left to fit."""
    window = MedianWindow(OVER_MS)
    for second in range(0, 1800, 10):
        window.add(second * 1000, 1.0)
    assert window.estimate(0.95) is not None
    window.add(3 * H * 1000, 1.0)
    window.add(3 * H * 1000 + 40_000, 1.0)
    assert window.estimate(0.95) is None
    assert len(window.points) == 1
