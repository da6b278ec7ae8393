"""What a reading of each quality may do to an alarm."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from dewline.readings import Quality, Reading
from dewline.watch.sensors.doubt import Doubt
from dewline.watch_plan import Above, Below, Outside, RulePlan, SignalPlan, StaleAfter
from tests.watch.conftest import Bench

BAD = [q for q in Quality if q >= 20]


@pytest.mark.parametrize("quality", [*BAD, Quality.WARMING_UP, Quality.UNPROVEN])
def test_neither_raises_nor_clears(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], quality: Quality
) -> None:
    """Bad, warming-up and unproven readings leave a level alarm as it is."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=Reading(50.0, quality))
    assert b.told() == []
    b.at(1, oxygen=50.0)
    b.at(2, oxygen=Reading(1.0, quality))
    assert [t for t, *_ in b.told()] == [1]


def test_over_range_raises_above_and_never_clears(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Over-range raises a high limit; it is no evidence against a low one."""
    b = bench(
        make_rule("high", "oxygen", Above(100.0)), make_rule("beyond", "oxygen", Above(5000.0))
    )
    b.at(0, oxygen=Reading(1000.0, Quality.OVER_RANGE))
    assert [(e.alarm, e.value, e.quality) for e in b.events] == [
        ("heron.high", 1000.0, "uncertain/over-range")
    ]
    b.at(1, oxygen=6000.0)
    b.at(2, oxygen=Reading(1000.0, Quality.OVER_RANGE))
    assert [t for t, *_ in b.told("beyond")] == [1]


def test_under_range_raises_below_and_never_above(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Under-range raises a low limit only."""
    b = bench(
        make_rule("low", "pressure", Below(-8.0)),
        make_rule("range", "pressure", Outside(-8.0, 8.0)),
    )
    b.at(0, pressure=Reading(-10.0, Quality.UNDER_RANGE))
    assert {e.alarm for e in b.events} == {"heron.low", "heron.range"}
    b.at(1, pressure=Reading(20.0, Quality.UNDER_RANGE))
    assert len(b.events) == 2


def test_over_range_does_not_raise_a_low_limit(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A value at the top of its range is no evidence of being low, whatever its number."""
    b = bench(make_rule("low", "oxygen", Below(2000.0)))
    b.at(0, oxygen=Reading(1000.0, Quality.OVER_RANGE))
    assert b.told() == []


def test_bad_readings_neither_break_nor_complete_a_delay(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A delay runs on through a few bad readings but ends only on a usable one."""
    b = bench(make_rule("high", "oxygen", Above(10.0), on_s=10))
    b.hold(0, 5, oxygen=11.0)
    b.hold(5, 12, oxygen=None)
    assert b.told() == []
    b.at(12, oxygen=11.0)
    assert b.told() == [(12, "raised", "unacknowledged")]


def test_a_delay_starts_again_after_the_stale_time_without_usable_readings(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Nobody knows what happened meanwhile, so the condition has to hold again from here."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), on_s=20),
        make_rule("stale", "oxygen", StaleAfter(15_000), acknowledge="auto"),
    )
    b.hold(0, 5, oxygen=11.0)
    b.hold(5, 19, oxygen=None)
    b.hold(19, 39, oxygen=11.0)
    assert b.told("high") == []
    b.at(39, oxygen=11.0)
    assert b.told("high") == [(39, "raised", "unacknowledged")]


def test_an_off_delay_starts_again_too(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The return needs the whole off-delay of readings as well."""
    b = bench(make_rule("high", "oxygen", Above(10.0), off_s=10))
    b.at(0, oxygen=11.0)
    b.hold(1, 9, oxygen=1.0)
    b.hold(9, 30, oxygen=None)
    b.hold(30, 40, oxygen=1.0)
    assert [t for t, *_ in b.told()] == [0]
    b.at(40, oxygen=1.0)
    assert [t for t, *_ in b.told()] == [0, 40]


def test_default_stale_time_is_five_polls_of_a_slow_signal(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """A signal polled every 10 s may pause for 50 s before its delay starts again."""
    slow = make_signal("heron.slow", "ppm", every_ms=10_000)
    b = bench(make_rule("high", "slow", Above(1.0), on_s=60), extra=[slow])
    for second in (0, 10, 50, 60):
        b.at(second, slow=2.0)
    assert b.told() == [(60, "raised", "unacknowledged")]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, None])
def test_good_without_a_finite_number_is_no_number(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], value: float | None
) -> None:
    """A good reading without a finite number counts as bad/not-a-number."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0)),
        make_rule("low", "oxygen", Below(-10.0)),
        make_rule("stale", "oxygen", StaleAfter(5_000)),
    )
    b.hold(0, 6, oxygen=Reading(value, Quality.GOOD))
    assert [(e.alarm, e.quality) for e in b.events] == [("heron.stale", "bad/not-a-number")]
    assert b.events[0].value is None


def test_analyzer_off_counts_as_bad_and_then_as_warming_up(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """With analyzer_on at 0 oxygen is bad/off; for 15 min after its return it may not raise."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, analyzer_on=1.0, oxygen=0.1)
    b.at(1, analyzer_on=0.0, oxygen=500.0)
    b.at(2, oxygen=500.0)
    b.at(100, analyzer_on=1.0, oxygen=500.0)
    b.at(100 + 899, oxygen=500.0)
    assert b.told() == []
    b.at(100 + 900, oxygen=500.0)
    assert b.told() == [(1000, "raised", "unacknowledged")]


def test_analyzer_off_does_not_clear_in_the_scan_that_brings_it(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A switched-off analyzer shows 0; that is no clean box, whatever the order in the scan."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=50.0, analyzer_on=1.0)
    b.scan(1, {"heron.oxygen": 0.0, "heron.analyzer_on": 0.0})
    assert [t for t, *_ in b.told()] == [0]


def test_analyzer_off_makes_the_signal_stale(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Off is bad, so the stale rule raises."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(15_000)))
    b.at(0, analyzer_on=1.0, oxygen=0.1)
    b.hold(1, 20, analyzer_on=0.0, oxygen=0.1)
    assert [(e.transition, e.quality) for e in b.events] == [("raised", "bad/off")]


def test_an_event_of_a_reading_that_is_not_good_names_the_last_good_one(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The value of a saturated cell is an end of the range; what it showed before is known."""
    b = bench(
        make_rule("high", "oxygen", Above(100.0)),
        make_rule("silent", "oxygen", StaleAfter(10_000)),
        make_rule("low", "oxygen", Below(50.0)),
    )
    b.at(0, oxygen=90.0)
    b.at(1, oxygen=Reading(250_000.0, Quality.OVER_RANGE))
    b.at(2, oxygen=Reading(250_000.0, Quality.OVER_RANGE))
    b.hold(3, 20, oxygen=None)
    b.at(20, oxygen=40.0)
    told = {e.alarm: e for e in reversed(b.events) if e.transition == "raised"}
    assert told["heron.high"].last_good == {"value": 90.0, "time": "2026-03-02T02:14:00.000Z"}
    assert told["heron.silent"].last_good == {"value": 90.0, "time": "2026-03-02T02:14:00.000Z"}
    assert told["heron.low"].last_good is None
    assert b.events[-1].document()["last_good"] is None


def test_where_nothing_good_was_ever_read_none_is_named(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """An end of the range is not taken for a value, also through a restart."""
    b = bench(make_rule("high", "oxygen", Above(100.0)))
    b.at(0, oxygen=Reading(90.0, Quality.OVER_RANGE))
    b.freeze()
    b.at(1, oxygen=Reading(250_000.0, Quality.OVER_RANGE))
    assert [(e.alarm, e.last_good) for e in b.events] == [("heron.high", None)]


@pytest.mark.long
@pytest.mark.parametrize("quality", [Quality.OVER_RANGE, Quality.UNDER_RANGE, Quality.GOOD])
def test_no_outlook_stands_on_a_reading_that_the_page_disowns(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], quality: Quality
) -> None:
    """A cell at the end of its range says nothing of the time at which a limit is reached."""
    b = bench(
        make_rule("high", "oxygen", Outside(-1.0, 9.99), unit="ppm", priority="high"),
        make_rule("worse", "oxygen", Above(50.0), unit="ppm", priority="critical"),
    )
    for second in range(0, 4 * 3600, 5):
        level = 0.5 + 0.001 * max(0, second - 3600)
        end = -2.0 if quality is Quality.UNDER_RANGE else 10.0
        shown = level if level < 9.98 else Reading(end, quality)
        b.at(second, circulating=1.0, oxygen=shown, moisture=1.0, pressure=2.0)
    (raised,) = b.events
    assert raised.quality == quality.text
    assert (raised.outlook is None) == (quality is not Quality.GOOD)


@pytest.mark.long
def test_no_outlook_of_a_gas_whose_sensor_is_not_to_be_trusted(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """It slipped by a factor of ten: the level may be told, a time to the limit not."""
    b = bench(
        make_rule("raised", "oxygen", Above(30.0), unit="ppm", priority="high"),
        make_rule("worse", "oxygen", Above(500.0), unit="ppm", priority="critical"),
    )
    for second in range(0, 4 * 3600, 5):
        level = 1.0 + 0.0002 * max(0, second - 3600)
        level *= 10.0 if second >= 7200 else 1.0
        b.at(second, circulating=1.0, oxygen=level, moisture=1.0, pressure=2.0)
    (raised,) = b.events
    assert b.watch._parts.sensors.standing("heron") == {"oxygen": Doubt.SLIPPED}
    assert raised.outlook is None


def test_no_evidence_names_the_end_of_a_range_as_a_level(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The profile's 25 % is not what the box reached; that the cell is over its range is."""
    b = bench(
        make_rule("rush", "oxygen", Above(100.0), unit="ppm", on_s=60, priority="critical"),
        make_rule("wet", "moisture", Above(5.0), unit="ppm", on_s=120, priority="high"),
    )
    for second in range(0, 4200, 5):
        rush = second >= 3600
        oxygen = Reading(250_000.0, Quality.OVER_RANGE) if rush else 0.5
        b.at(second, circulating=1.0, oxygen=oxygen, moisture=30.0 if rush else 1.0, pressure=2.0)
    told = {event.alarm: event.cause.evidence for event in b.events}
    assert told.keys() == {"heron.rush", "heron.wet"}
    said = " · ".join(text for evidence in told.values() for text in evidence)
    assert "250000" not in said
    assert "249999" not in said
    assert "O2 went over its range" in said
