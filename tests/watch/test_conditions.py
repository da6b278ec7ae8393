"""When each condition holds, at its limits."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline.readings import Quality, Reading
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    Count,
    FalseFor,
    Guard,
    Outside,
    Reaches,
    RulePlan,
    SignalPlan,
    StaleAfter,
    TrueFor,
    UnchangedFor,
)
from tests.watch.conftest import Bench


def test_above_is_strict_and_clears_strictly_below_limit_minus_deadband(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Equal to the limit is not above it; equal to limit - deadband is not below it."""
    b = bench(make_rule("high", "oxygen", Above(10.0), deadband=2.0))
    for second, value in enumerate((10.0, 10.1, 8.0, 7.9)):
        b.at(second, oxygen=value)
    assert b.told() == [(1, "raised", "unacknowledged"), (3, "returned", "returned")]


def test_below_mirrors_above(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Raised below the limit, cleared above limit + deadband."""
    b = bench(make_rule("low", "pressure", Below(-1.0), deadband=0.5))
    for second, value in enumerate((-1.0, -1.1, -0.5, -0.4)):
        b.at(second, pressure=value)
    assert [t for t, *_ in b.told()] == [1, 3]


def test_outside_names_the_bound_that_was_crossed(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The event's limit is the side on which the value left; within both deadbands it clears."""
    b = bench(make_rule("range", "pressure", Outside(-8.0, 12.0), deadband=1.0))
    for second, value in enumerate((0.0, -8.5, -7.5, 0.0, 12.5, 11.5, 10.9)):
        b.at(second, pressure=value)
    assert [t for t, *_ in b.told()] == [1, 3, 4, 6]
    assert [e.limit for e in b.events if e.transition == "raised"] == [-8.0, 12.0]


def test_limit_from_a_signal_moves_with_it(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A limit may be another signal; its last good value counts."""
    b = bench(make_rule("high", "pressure", Above("heron.pressure_high")))
    b.at(0, pressure=5.0, pressure_high=6.0)
    b.at(1, pressure_high=4.0)
    b.at(2, pressure=5.0)
    assert b.told() == [(2, "raised", "unacknowledged")]
    assert b.events[0].limit == 4.0


def test_bad_limit_signal_neither_raises_nor_clears(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """While the limit is unknown the alarm stays as it is."""
    b = bench(make_rule("high", "pressure", Above("heron.pressure_high")))
    b.at(0, pressure_high=None, pressure=99.0)
    assert b.told() == []
    b.at(1, pressure_high=4.0, pressure=5.0)
    b.at(2, pressure_high=None, pressure=0.0)
    assert [t for t, *_ in b.told()] == [1]
    b.at(3, pressure_high=4.0, pressure=0.0)
    assert [t for t, *_ in b.told()] == [1, 3]


def test_stale_is_raised_by_a_tick_and_ended_by_a_reading(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """15 s without a usable reading; ``since`` is the last one that was usable."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(15_000)))
    b.at(0, oxygen=1.0)
    b.at(3, oxygen=1.0)
    b.hold(4, 18, oxygen=None)
    assert b.told() == []
    b.wait(18)
    assert b.told() == [(18, "raised", "unacknowledged")]
    assert b.events[0].since_ms == b.events[0].time_ms - 15_000
    assert b.events[0].limit == 15.0
    b.at(20.5, oxygen=1.0)
    assert b.told()[-1] == (20.5, "returned", "returned")


def test_signal_that_never_came_is_stale_from_the_start(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The clock of a signal begins with the first item of all."""
    b = bench(make_rule("stale", "moisture", StaleAfter(15_000)))
    b.at(0, oxygen=1.0)
    b.wait(40)
    assert b.told() == [(15, "raised", "unacknowledged")]


@pytest.mark.parametrize(
    "quality", [Quality.OVER_RANGE, Quality.UNDER_RANGE, Quality.WARMING_UP, Quality.UNPROVEN]
)
def test_uncertain_is_not_stale(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], quality: Quality
) -> None:
    """A signal that is out of range or warming up is not stale."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(5_000)))
    b.hold(0, 20, oxygen=Reading(1.0, quality))
    assert b.told() == []


def test_stale_on_delay_runs_on_ticks(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A silent signal brings no readings, so its on-delay runs on ticks."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(5_000), on_s=10))
    b.at(0, oxygen=1.0)
    b.wait(30)
    assert b.told() == [(15, "raised", "unacknowledged")]


def test_unchanged_is_raised_by_time_and_ended_by_a_change(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The very same value for 60 s; the first other value ends it."""
    b = bench(make_rule("frozen", "oxygen", UnchangedFor(60_000, 0.2)))
    b.hold(0, 70, oxygen=1.5)
    assert b.told() == [(60, "raised", "unacknowledged")]
    b.at(70, oxygen=1.6)
    assert b.told()[-1] == (70, "returned", "returned")


def test_unchanged_ignores_small_values(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A flat line at or below ``ignore_below`` does not count; above it the time starts there."""
    b = bench(make_rule("frozen", "oxygen", UnchangedFor(60_000, 0.2)))
    b.hold(0, 200, oxygen=0.2)
    assert b.told() == []
    b.hold(200, 261, oxygen=0.3)
    assert b.told() == [(260, "raised", "unacknowledged")]


def test_silence_is_not_frozen(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A value that stopped coming is stale; when it comes back the same, the time starts again."""
    b = bench(make_rule("frozen", "oxygen", UnchangedFor(60_000, None)))
    b.at(0, oxygen=1.5)
    b.hold(1, 50, oxygen=None)
    b.hold(50, 109, oxygen=1.5)
    assert b.told() == []
    b.wait(110)
    assert b.told() == [(110, "raised", "unacknowledged")]


def test_a_few_bad_readings_do_not_break_unchanged(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A bad reading neither breaks the time nor completes it."""
    b = bench(make_rule("frozen", "oxygen", UnchangedFor(30_000, None)))
    b.hold(0, 10, oxygen=1.5)
    b.hold(10, 14, oxygen=None)
    b.hold(14, 31, oxygen=1.5)
    assert b.told() == [(30, "raised", "unacknowledged")]


def test_true_for_and_false_for(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A bit that stays on or off; the time it has to stay is the limit in the event."""
    b = bench(
        make_rule("purge-long", "purging", TrueFor(10_000)),
        make_rule("stopped", "circulating", FalseFor(5_000)),
    )
    b.hold(0, 3, purging=0.0, circulating=1.0)
    b.hold(3, 14, purging=1.0, circulating=0.0)
    assert b.told() == [(8, "raised", "unacknowledged"), (13, "raised", "unacknowledged")]
    assert [e.limit for e in b.events] == [5.0, 10.0]
    assert all(e.since_ms == b.events[0].since_ms for e in b.events)


def test_count_within(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> None:
    """Raised at the third dip inside the window, over when the window holds fewer."""
    b = bench(make_rule("dips", "pressure", Count(3, 60_000, Below(0.0))))
    for second in range(0, 100):
        b.at(second, pressure=-1.0 if second % 20 < 3 and second < 60 else 2.0)
    # Dips begin at 0, 20 and 40 s; at 60 s the first leaves (t - 60, t].
    assert b.told() == [(40, "raised", "unacknowledged"), (60, "returned", "returned")]
    assert b.events[0].limit == 3.0


def test_count_uses_the_deadband_between_its_begins(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A value that only leaves the limit by less than the deadband has not ended its dip."""
    b = bench(make_rule("dips", "pressure", Count(3, 60_000, Below(0.0)), deadband=0.5))
    for second in range(20):
        b.at(second, pressure=-0.1 if second % 2 else 0.2)
    assert b.told() == []


def test_guard_lets_the_rule_raise_only_while(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Where the guard does not hold nothing is raised, and an alarm that stood is over."""
    guard = Guard("heron.circulating", "above", 0.5)
    b = bench(make_rule("into-bed", "oxygen", Above(1000.0), only_while=guard))
    b.at(0, circulating=0.0)
    b.at(1, oxygen=2000.0)
    assert b.told() == []
    b.at(2, circulating=1.0)
    b.at(3, oxygen=2000.0)
    b.at(4, circulating=0.0)
    assert b.told() == [(3, "raised", "unacknowledged"), (4, "returned", "returned")]


def test_guard_between_two_limits(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """It may raise between the limits; at a limit and beyond an alarm that stood is over."""
    guard = Guard("heron.circulating", "between", 2.5, 3.5)
    b = bench(make_rule("no-gas", "oxygen", Above(1.0), only_while=guard))
    for second, step in enumerate((0.0, 2.5, 3.0, 3.5, 4.0)):
        b.at(second, circulating=step, oxygen=2.0)
    assert b.told() == [(2, "raised", "unacknowledged"), (3, "returned", "returned")]


def test_unknown_guard_leaves_things_as_they_are(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A bad guard signal neither raises nor clears."""
    guard = Guard("heron.circulating", "above", 0.5)
    b = bench(make_rule("into-bed", "oxygen", Above(1000.0), only_while=guard))
    b.at(0, circulating=None, oxygen=2000.0)
    assert b.told() == []
    b.at(1, circulating=1.0, oxygen=2000.0)
    b.at(2, circulating=None, oxygen=0.1)
    assert [t for t, *_ in b.told()] == [1]


def test_guarded_stale_clock_starts_when_the_guard_opens(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """An analyzer that was off is not stale in the second in which it is switched on."""
    guard = Guard("heron.circulating", "above", 0.5)
    b = bench(make_rule("stale", "oxygen", StaleAfter(15_000), only_while=guard))
    b.hold(0, 100, circulating=0.0)
    b.hold(100, 120, circulating=1.0)
    assert b.told() == [(115, "raised", "unacknowledged")]


def test_above_own_waits_for_the_figure_of_the_box(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """Twice the box's own idle figure; no alarm until that figure is known."""
    own = make_signal("heron.moisture_idle", "ppm")
    b = bench(make_rule("wearing", "moisture", AboveOwn(2.0, "idle-baseline")), extra=[own])
    b.at(0, moisture=9.0)
    assert b.told() == []
    b.at(1, moisture_idle=0.2)
    b.at(2, moisture=0.5)
    assert b.told() == [(2, "raised", "unacknowledged")]
    assert b.events[0].limit == 0.4


@pytest.mark.long
def test_reaches_foresees_a_limit_and_nothing_on_a_plateau(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """At 1 ppm/h from 1 ppm, 5 ppm within 3 h is foreseen at about 2 ppm; on a plateau never."""
    b = bench(make_rule("soon", "moisture", Reaches(5.0, 3 * 3_600_000), unit="ppm"))
    for second in range(0, 7200, 20):
        b.at(second, moisture=1.0 + second / 3600)
    ((at_s, transition, _),) = b.told()
    assert transition == "raised"
    assert 3000 < at_s < 6600
    assert b.events[0].limit == 5.0
    for second in range(7200, 7200 + 5 * 3600, 20):
        b.at(second, moisture=3.0)
    assert [t for _, t, _ in b.told()] == ["raised", "returned"]


def test_since_is_when_the_condition_began(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Before the on-delay, at the first sample past the limit."""
    b = bench(make_rule("high", "oxygen", Above(10.0), on_s=30))
    b.hold(0, 5, oxygen=1.0)
    b.hold(5, 40, oxygen=11.0)
    (event,) = b.events
    assert event.since_ms == event.time_ms - 30_000


def test_a_baseline_below_zero_has_no_share_of_its_own(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """A zero that has drifted to -0.1 ppm: twice that is no limit, what is above 0 is above it."""
    own = make_signal("heron.moisture_idle", "ppm")
    b = bench(make_rule("unusual", "moisture", AboveOwn(2.0, "idle-baseline")), extra=[own])
    for second, moisture in enumerate((-0.3, -0.15, -0.05, 0.01)):
        b.at(second, moisture=moisture, moisture_idle=-0.1)
    assert [t for t, *_ in b.told()] == [3]
