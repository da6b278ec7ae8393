"""Ids, seq and labels of events."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import replace

import pytest

from dewline.errors import DewlineError
from dewline.events import Cause, Event
from dewline.readings import Quality, Reading, Resumed, Scan, Tick
from dewline.watch.watch import Watch
from dewline.watch_plan import Above, RulePlan, SignalPlan, StaleAfter, WatchPlan
from tests.watch.conftest import START_MS, Bench


def test_id_is_the_hash_of_what_happened(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """First 16 hex digits of SHA-256 of site|alarm|transition|at_ms|n, n counting repeats."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    for value in (11.0, 1.0, 11.0):  # three scans of one moment
        b.at(5, oxygen=value)
    at_ms = b.events[0].at_ms
    assert [(e.transition, e.at_ms) for e in b.events] == [
        ("raised", at_ms),
        ("returned", at_ms),
        ("raised", at_ms),
    ]
    b.at(6, oxygen=1.0)  # of another moment: counted from 0 again
    for event, n in zip(b.events, (0, 0, 1, 0), strict=True):
        text = f"saltmarsh|heron.high|{event.transition}|{event.at_ms}|{n}"
        assert event.id == hashlib.sha256(text.encode()).hexdigest()[:16]


def test_an_event_says_all_that_is_known_at_its_moment(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The reading, the rule with its words, the mode of the box, and what the clock is worth."""
    words = {"advice": "Close both doors.", "when_over": "Open them.", "caution": "It is cold."}
    b = bench(make_rule("high", "oxygen", Above(10.0), priority="high", unit="ppm", **words))
    b.watch._parts.writer.note_clock(Reading(0.0, Quality.GOOD))
    b.say("planned", box="heron", kind="maintenance", for_s=60)
    b.at(1, oxygen=11.0)
    (event,) = b.events
    assert isinstance(event.cause, Cause)
    assert event == Event(
        id=event.id,
        seq=1,
        time_ms=START_MS + 1000,
        at_ms=START_MS + 1000,
        site="saltmarsh",
        box="heron",
        alarm="heron.high",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.oxygen",
        value=11.0,
        unit="ppm",
        quality="good",
        limit=10.0,
        limit_unit="ppm",
        since_ms=START_MS + 1000,
        occurrence=event.id,
        clock="unsynchronised",
        mode="maintenance",
        cause=event.cause,
        advice="Close both doors.",
        when_over="Open them.",
        caution="It is cold.",
    )
    b.watch._parts.writer.note_clock(Reading(1.0, Quality.GOOD))
    b.watch._parts.writer.note_clock(None)  # a reading that does not speak of it
    b.at(2, oxygen=1.0)
    assert b.events[-1].clock == "synchronised"


def test_seq_counts_from_one_without_a_hole_and_through_a_restore(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """seq is part of the state."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    for second in range(6):
        b.at(second, oxygen=11.0 if second % 2 else 1.0)
        b.freeze()
    assert [e.seq for e in b.events] == list(range(1, 6))
    assert b.watch.event_seq == 5


def test_wall_time_is_only_a_label(
    make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan]
) -> None:
    """The wall clock jumps an hour: no alarm moves, labels follow, ticks keep the last offset."""
    rules = [
        make_rule("high", "oxygen", Above(10.0), on_s=30),
        make_rule("stale", "oxygen", StaleAfter(15_000)),
    ]
    watch = Watch(make_plan(rules))
    events: list[Event] = []
    start_ms = 1_772_417_640_000
    for second in range(70):
        at_ms = start_ms + second * 1000
        jump_ms = 0 if second < 20 else -3_600_000
        events += watch.feed(Tick(at_ms)).events
        if second < 50:
            reading = {"heron.oxygen": Reading(11.0, Quality.GOOD)}
            events += watch.feed(Scan(at_ms + jump_ms, at_ms, "x", reading)).events
    assert [(e.alarm, (e.at_ms - start_ms) // 1000) for e in events] == [
        ("heron.high", 30),
        ("heron.stale", 64),
    ]
    assert [e.time_ms - e.at_ms for e in events] == [-3_600_000, -3_600_000]
    assert events[0].since_ms == events[0].time_ms - 30_000


def test_time_that_goes_back_is_held(
    make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan]
) -> None:
    """An item older than the last one counts as if it came at the time of the last one."""
    watch = Watch(make_plan([make_rule("high", "oxygen", Above(10.0))]))
    reading = {"heron.oxygen": Reading(11.0, Quality.GOOD)}
    watch.feed(Tick(10_000_000))
    (event,) = watch.feed(Scan(9_000_000, 9_000_000, "x", reading)).events
    assert (event.at_ms, event.time_ms) == (10_000_000, 9_000_000)


def test_unknown_signals_are_passed_over(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A signal of another plan is no error."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    assert b.scan(0, {"egret.oxygen": 5.0, "nonsense": None}).events == ()


def test_derived_signals_are_not_taken_from_a_scan(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """A recorded slope or alarm rate may come from another plan: it is not taken in."""
    rate = replace(make_signal("daemon.alarm_rate", ""), instrument=None)
    slope = replace(make_signal("heron.oxygen_slope", "ppm/h"), instrument=None)
    b = bench(
        make_rule("flood", "alarm_rate", Above(10.0), place="daemon"),
        make_rule("steep", "oxygen_slope", Above(1.0)),
        extra=[rate, slope],
    )
    b.scan(0, {"daemon.alarm_rate": 50.0, "heron.oxygen_slope": 50.0})
    assert b.events == []


def test_table_rows_and_events_share_one_form(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """alarm_table holds event documents, every key present."""
    b = bench(make_rule("high", "oxygen", Above(10.0), unit="ppm", advice="Look."))
    b.at(0, oxygen=11.0)
    (row,) = b.watch.alarm_table()
    assert row == b.events[0].document()
    assert (row["limit"], row["limit_unit"], row["unit"], row["advice"]) == (
        10.0,
        "ppm",
        "ppm",
        "Look.",
    )


def test_start_of_a_fresh_watch_with_a_resumed(
    make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan]
) -> None:
    """save of a watch that was never fed restores into one that was never fed."""
    plan = make_plan([make_rule("stale", "oxygen", StaleAfter(15_000))])
    watch = Watch(plan)
    other = Watch(plan)
    other.restore(watch.save())
    assert other.feed(Resumed(5_000, 5_000, "start", 0, "h")).events == ()
    assert other.save() != watch.save()


def test_state_of_another_version_is_refused(
    make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan]
) -> None:
    """A snapshot this version cannot read is an error, not a guess."""
    watch = Watch(make_plan([make_rule("high", "oxygen", Above(10.0))]))
    with pytest.raises(DewlineError, match="version 99"):
        watch.restore({**watch.save(), "version": 99})
