"""What the watch says of readings beyond the bus: which, since when, until when."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline.readings import Quality, Reading, StandingVerdicts, Verdict, judge
from dewline.watch_plan import Above, RulePlan, UnchangedFor, WatchPlan
from tests.watch.conftest import START_MS, Bench

PANEL = {"oxygen": 1.0, "moisture": 2.0, "pressure": 3.0, "temperature": 22.0,
         "blower_speed": 80.0, "pressure_low": 2.0, "pressure_high": 4.0}  # fmt: skip
REST = {role: value for role, value in PANEL.items() if role != "oxygen"}
Made = Callable[..., Bench]
Ruled = Callable[..., RulePlan]
Stretch = tuple[Quality, float, float | None]


def stretches(b: Bench, signal: str) -> list[Stretch]:
    """What was told of a signal of heron: quality, beginning and end in s."""
    told: dict[tuple[Quality, float], float | None] = {}
    for v in b.verdicts:
        if v.signal == f"heron.{signal}":
            until = None if v.until_ms is None else (v.until_ms - START_MS) / 1000
            told[v.quality, (v.since_ms - START_MS) / 1000] = until
    return [(quality, since, until) for (quality, since), until in told.items()]


def test_a_frozen_panel_is_frozen_since_its_last_change(bench: Made, make_rule: Ruled) -> None:
    """Found after five minutes, told for the whole time since the last number moved."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.hold(0, 40, **{**PANEL, "pressure": 3.1})
    b.hold(40, 400, **PANEL)
    assert stretches(b, "oxygen") == [(Quality.FROZEN, 40, None)]
    assert b.watch.verdicts()[0].time_ms == START_MS + 40_000
    b.at(400, **{**PANEL, "pressure": 3.2})
    assert stretches(b, "oxygen") == [(Quality.FROZEN, 40, 400)]
    assert b.watch.verdicts() == ()


def test_a_signal_that_a_rule_finds_unchanged_is_frozen_since_its_last_change(
    bench: Made, make_rule: Ruled
) -> None:
    """Not since the hours after which the rule speaks; and until the first value that differs."""
    b = bench(make_rule("frozen", "moisture", UnchangedFor(1_800_000, 0.2)))
    for second in range(0, 2000, 5):
        b.at(second, moisture=3.0 if second < 60 else 4.0)
    assert stretches(b, "moisture") == [(Quality.FROZEN, 60, None)]
    for second in range(2000, 2030, 5):
        b.at(second, moisture=4.1)
    assert stretches(b, "moisture") == [(Quality.FROZEN, 60, 2000)]


def test_a_bit_that_a_rule_finds_unchanged_is_not_frozen(bench: Made, make_rule: Ruled) -> None:
    """What may well stand still is not called frozen by a rule that asks for a change."""
    b = bench(make_rule("idle", "fill_valve", UnchangedFor(60_000, None)))
    b.hold(0, 100, fill_valve=1.0)
    assert [e.alarm for e in b.events] == ["heron.idle"]
    assert b.verdicts == []


def test_an_analyzer_is_off_then_warming_up_to_the_millisecond(
    bench: Made, make_rule: Ruled
) -> None:
    """Both words come with the time at which they began, and the second ends by the clock."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    for second in range(0, 1300, 4):
        b.at(second, oxygen=1.0, analyzer_on=float(not 100 <= second < 300))
    assert stretches(b, "oxygen") == [
        (Quality.OFF, 100, 300),
        (Quality.WARMING_UP, 300, 1200),
    ]


def test_a_panel_of_zeros_is_faulty_as_long_as_it_shows_them(bench: Made, make_rule: Ruled) -> None:
    """The bus calls each zero good; the reading is told without its number."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, **PANEL)
    b.hold(1, 5, **dict.fromkeys(PANEL, 0.0))
    b.at(5, **PANEL)
    assert stretches(b, "oxygen") == [(Quality.INSTRUMENT_FAULT, 1, 5)]
    (verdict, *_) = b.verdicts
    assert judge(Reading(0.0, Quality.LOW), [verdict]).shown is None


def test_a_frozen_instrument_that_stops_answering_does_not_answer(
    bench: Made, make_rule: Ruled
) -> None:
    """What the bus calls bad keeps its own word, in the watch as for every reader."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.hold(0, 320, **PANEL)
    b.at(320, **dict.fromkeys(PANEL, Reading(None, Quality.NO_ANSWER)))
    assert b.watch._parts.signals["heron.oxygen"].quality is Quality.NO_ANSWER
    assert judge(Reading(None, Quality.NO_ANSWER), b.watch.verdicts()).quality is Quality.NO_ANSWER


def test_what_stands_goes_through_a_snapshot_and_is_told_once(
    bench: Made, make_rule: Ruled
) -> None:
    """A restored watch goes on with the verdicts it had, with the times at which they began."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.hold(0, 320, **PANEL)
    told = len(b.verdicts)
    b.freeze()
    b.hold(320, 400, **PANEL)
    assert len(b.verdicts) == told
    assert stretches(b, "oxygen") == [(Quality.FROZEN, 0, None)]


@pytest.mark.parametrize("quality", [Quality.GOOD, Quality.LOW, Quality.OVER_RANGE])
def test_the_watch_and_the_readers_agree(bench: Made, make_rule: Ruled, quality: Quality) -> None:
    """Whatever the bus says, a reader sees the quality by which the watch judged the reading.

    But for two moments: in the scan that thaws a panel the watch may still call a reading frozen,
    and the end of a warm-up is told up to ten seconds late.
    """
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    for second in range(0, 1400, 7):
        on = not 100 <= second < 300
        b.at(second, analyzer_on=float(on), **REST, oxygen=Reading(1.0, quality))
        seen = StandingVerdicts(b.watch.verdicts()).judge("heron.oxygen", Reading(1.0, quality))
        if second not in (301, 1204):
            assert seen.quality is b.watch._parts.signals["heron.oxygen"].quality, second


def test_a_doubt_is_said_of_low_readings_only() -> None:
    """The stretch is one, however the readings move about the level up to which it is meant."""
    verdict = Verdict("heron.oxygen", Quality.UNPROVEN, 0, 0, up_to=0.2)
    floor = verdict._replace(up_to=None, at_floor=True)
    low, high = Reading(0.1, Quality.GOOD), Reading(0.3, Quality.GOOD)
    assert [judge(r, [verdict]).quality for r in (low, high)] == [Quality.UNPROVEN, Quality.GOOD]
    assert judge(low, [floor]).quality is Quality.GOOD
    assert judge(Reading(0.1, Quality.LOW), [floor]).quality is Quality.UNPROVEN


def test_a_reload_that_takes_the_reason_away_ends_the_verdict(
    bench: Made, make_rule: Ruled, make_plan: Callable[..., WatchPlan]
) -> None:
    """What no rule finds any more is not said for ever."""
    b = bench(make_rule("frozen", "moisture", UnchangedFor(1_800_000, 0.2)))
    for second in range(0, 2000, 5):
        b.at(second, moisture=4.0)
    assert stretches(b, "moisture") == [(Quality.FROZEN, 0, None)]
    b.resume(2000, "reload", plan=make_plan([make_rule("high", "oxygen", Above(10.0))]))
    b.at(2001, moisture=4.0)
    assert stretches(b, "moisture") == [(Quality.FROZEN, 0, 2000)]
    assert b.watch.verdicts() == ()
