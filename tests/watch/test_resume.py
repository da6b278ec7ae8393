"""Restart and reload: what stays, what starts again, what ends."""

from __future__ import annotations

import hashlib
from collections.abc import Callable

from dewline.events import Event
from dewline.readings import Quality, Reading, Scan
from dewline.watch_plan import Above, Below, Rising, RulePlan, StaleAfter, WatchPlan
from tests.patience import PATIENCE_S
from tests.watch.conftest import Bench

START_MS = 1_772_417_640_000  # of the bench


def test_restart_repeats_nothing_and_keeps_since(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """30 standing alarms, a restart: no event; ``since`` and acknowledgement as before."""
    b = bench(
        *(make_rule(f"a{n}", "oxygen", Above(10.0 + n), remind_every_ms=None) for n in range(30))
    )
    b.at(0, oxygen=99.0)
    b.say("acknowledge", "a3", by="iolo")
    before = b.watch.alarm_table()
    b.freeze()
    assert b.resume(600, "restart", gap_s=590).events == ()
    b.hold(601, 620, oxygen=99.0)
    assert len(b.events) == 31
    assert b.watch.alarm_table() == before


def test_return_during_the_gap_is_one_event(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Over when readings come again: one return, with the old since."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=99.0)
    b.freeze()
    b.resume(600, "restart", gap_s=590)
    b.hold(601, 605, oxygen=1.0)
    assert b.told() == [(0, "raised", "unacknowledged"), (601, "returned", "returned")]
    assert b.events[1].since_ms == b.events[0].since_ms


def test_delays_start_again_after_a_restart(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Nothing was watched during the gap, so it counts for no delay."""
    b = bench(make_rule("high", "oxygen", Above(10.0), on_s=20))
    b.hold(0, 15, oxygen=11.0)
    b.freeze()
    b.resume(20, "restart", gap_s=5)
    b.hold(21, 45, oxygen=11.0)
    assert b.told() == [(41, "raised", "unacknowledged")]


def test_stale_time_starts_again_after_a_restart(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The gap itself makes no signal stale."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(15_000)))
    b.at(0, oxygen=1.0)
    b.freeze()
    b.resume(3600, "restart", gap_s=3599)
    assert b.told() == []
    b.wait(3700)
    assert b.told() == [(3615, "raised", "unacknowledged")]


def test_shelf_that_ended_in_the_gap_ends_at_once(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Its event comes with the Resumed; a shelf that has not ended goes on to its end."""
    b = bench(make_rule("high", "oxygen", Above(10.0)), make_rule("low", "oxygen", Below(-1.0)))
    b.at(0, oxygen=11.0)
    b.say("shelve", "high", why="work", for_s=60)
    b.say("shelve", "low", why="work", for_s=7200)
    b.freeze()
    b.resume(3600, "restart", gap_s=3590)
    assert b.told("high")[-1] == (3600, "unshelved", "unacknowledged")
    b.wait(7300)
    assert b.told("low")[-1] == (7200, "unshelved", "normal")


def test_reload_keeps_delays_and_states(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_plan: Callable[..., WatchPlan],
) -> None:
    """An unchanged rule does not notice a reload, not even inside its delay."""
    high = make_rule("high", "oxygen", Above(10.0), on_s=20)
    stands = make_rule("stands", "moisture", Above(1.0))
    b = bench(high, stands)
    b.at(0, moisture=2.0, oxygen=11.0)
    b.hold(1, 10, oxygen=11.0, moisture=2.0)
    new = make_rule("new", "pressure", Above(5.0))
    b.resume(10, "reload", plan=make_plan([high, stands, new]))
    b.hold(10, 25, oxygen=11.0, moisture=2.0, pressure=9.0)
    assert b.told("high") == [(20, "raised", "unacknowledged")]
    assert b.told("stands") == [(0, "raised", "unacknowledged")]
    assert b.told("new") == [(10, "raised", "unacknowledged")]


def test_removed_rule_ends_its_alarm(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_plan: Callable[..., WatchPlan],
) -> None:
    """``cleared``, by what was last said of it; no event for a normal alarm.

    The labels are those of the end: its time, and whether the clock can be believed then.
    """
    keep = make_rule("keep", "oxygen", Above(1.0))
    b = bench(
        keep,
        make_rule("gone", "oxygen", Above(2.0), priority="high"),
        make_rule("quiet", "oxygen", Above(99.0)),
    )
    b.at(0, oxygen=9.0)
    raised = b.events[1]
    b.watch._parts.writer.note_clock(Reading(0.0, Quality.GOOD))
    outcome = b.resume(5, "reload", plan=make_plan([keep]))
    at_ms = START_MS + 5000
    assert outcome.events == (
        Event(
            id=hashlib.sha256(f"saltmarsh|heron.gone|cleared|{at_ms}|0".encode()).hexdigest()[:16],
            seq=3,
            time_ms=at_ms,
            at_ms=at_ms,
            site="saltmarsh",
            box="heron",
            alarm="heron.gone",
            transition="cleared",
            state="normal",
            priority="high",
            signal="heron.oxygen",
            occurrence=raised.id,
            why="rule removed",
            clock="unsynchronised",
        ),
    )
    assert [r["alarm"] for r in b.watch.alarm_table()] == ["heron.keep"]


def test_rule_removed_during_a_stop_ends_at_the_restart(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_plan: Callable[..., WatchPlan],
) -> None:
    """The config changed while the daemon was down."""
    b = bench(make_rule("gone", "oxygen", Above(2.0)))
    b.at(0, oxygen=9.0)
    b.freeze()
    outcome = b.resume(60, "restart", gap_s=50, plan=make_plan([]))
    assert [(e.alarm, e.transition, e.why) for e in outcome.events] == [
        ("heron.gone", "cleared", "rule removed")
    ]


def test_changed_condition_keeps_what_stands_until_the_new_one_ends_it(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_plan: Callable[..., WatchPlan],
) -> None:
    """From a level to a slope: the alarm stands until the new condition says otherwise."""
    b = bench(make_rule("high", "oxygen", Above(2.0)))
    b.at(0, oxygen=9.0)
    b.resume(1, "reload", plan=make_plan([make_rule("high", "oxygen", Below(1.0))]))
    assert len(b.events) == 1
    b.at(2, oxygen=9.0)
    assert b.told()[-1] == (2, "returned", "returned")


def test_slopes_start_again_after_a_restart(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A step across a gap is no slope."""
    b = bench(make_rule("climbing", "oxygen", Rising(1.0, 1_800_000, 0.95)))
    for second in range(0, 1800, 10):
        b.at(second, oxygen=1.0 + second % 3 / 100)
    b.freeze()
    b.resume(1810, "restart", gap_s=10)
    for second in range(1820, 3000, 10):
        b.at(second, oxygen=9.0 + second % 3 / 100)
    assert b.told() == []


def test_first_start_writes_no_event(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A watch that was never fed begins with its Resumed."""
    b = bench(make_rule("stale", "oxygen", StaleAfter(15_000)))
    assert b.resume(0, "start").events == ()
    b.wait(PATIENCE_S)
    assert b.told() == [(15, "raised", "unacknowledged")]


def test_since_is_the_same_to_the_millisecond_after_a_restart(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Wall and watch time differ by some more ms after a restart; ``since`` stays the same."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=99.0)
    since = b.events[0].since_ms
    b.freeze()
    b.resume(600, "restart", gap_s=590)
    at_ms = START_MS + 601_000
    b.drive.feed(Scan(at_ms + 44, at_ms, "panel", {"heron.oxygen": Reading(1.0, Quality.GOOD)}))
    assert (b.events[-1].transition, b.events[-1].time_ms) == ("returned", at_ms + 44)
    assert b.events[-1].since_ms == since
