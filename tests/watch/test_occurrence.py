"""``occurrence``: every event of an alarm names the event with which that occurrence began."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline.watch_plan import Above, Escalation, RulePlan, TrueFor, WatchPlan
from tests.watch.conftest import Bench

Made = Callable[..., Bench]
MakeRule = Callable[..., RulePlan]


def began(b: Bench, alarm: str = "high") -> list[tuple[str, int | None]]:
    """Of every event of an alarm its transition, and which of its events it names, from 0."""
    events = [e for e in b.events if e.alarm == f"heron.{alarm}"]
    ids = [e.id for e in events]
    return [
        (e.transition, None if e.occurrence is None else ids.index(e.occurrence)) for e in events
    ]


def test_all_events_of_an_occurrence_name_its_raise(bench: Made, make_rule: MakeRule) -> None:
    """Acknowledged, escalated, returned; raised again it is another occurrence."""
    first = Escalation("desk", "head", 60_000, "high", ("heron",))
    b = bench(make_rule("high", "oxygen", Above(10.0), priority="high"), escalations=(first,))
    b.at(0, oxygen=11.0)
    b.wait(70)
    b.at(80, oxygen=1.0)
    b.at(90, oxygen=11.0)
    b.say("acknowledge", "high")
    b.at(100, oxygen=1.0)
    assert began(b) == [
        *(("raised", 0), ("escalated", 0), ("returned", 0)),
        *(("raised", 3), ("acknowledged", 3), ("cleared", 3)),
    ]


def test_a_suppressed_event_in_place_of_the_raise(bench: Made, make_rule: MakeRule) -> None:
    """Under a mode; let go it calls, and is the same occurrence."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), suppress_while=(("purging", 3_600_000),)),
    )
    b.at(0, purging=1.0, oxygen=1.0)
    b.at(10, oxygen=20.0)
    b.at(20, purging=0.0)
    for second in range(21, 7200, 30):
        b.at(second, oxygen=20.0)
    b.at(7300, oxygen=1.0)
    assert began(b) == [("suppressed", 0), ("unsuppressed", 0), ("returned", 0)]


def test_begun_under_a_shelf_the_end_of_the_shelf_is_told_in_its_place(
    bench: Made, make_rule: MakeRule
) -> None:
    """What happens to a normal alarm belongs to no occurrence."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=1.0)
    b.say("shelve", "high", why="work", for_s=60)
    b.at(10, oxygen=11.0)
    b.wait(70)
    b.at(80, oxygen=1.0)
    assert began(b) == [("shelved", None), ("unshelved", 1), ("returned", 1)]


def test_a_shelf_over_an_alarm_that_stands_is_of_its_occurrence(
    bench: Made, make_rule: MakeRule
) -> None:
    """Over and begun again beneath the shelf it is another occurrence."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=11.0)
    b.say("shelve", "high", why="work", for_s=60)
    b.wait(70)
    b.say("shelve", "high", why="work", for_s=60)
    b.at(80, oxygen=1.0)
    b.at(90, oxygen=11.0)
    b.wait(140)
    assert began(b) == [
        ("raised", 0),
        ("shelved", 0),
        ("unshelved", 0),
        ("shelved", 0),
        ("unshelved", 4),
    ]


@pytest.mark.parametrize("frozen", [False, True])
def test_a_latch_is_reset_in_its_occurrence(bench: Made, make_rule: MakeRule, frozen: bool) -> None:
    """Also by a watch that was restored in between; a shelf put on a normal alarm is of none."""
    b = bench(make_rule("high", "circulating", TrueFor(0), latch=True))
    b.at(0, circulating=1.0)
    b.at(10, circulating=0.0)
    if frozen:
        b.freeze()
    b.say("acknowledge", "high")
    b.say("reset", "high")
    b.say("shelve", "high", why="work", for_s=60)
    assert began(b) == [
        *(("raised", 0), ("returned", 0), ("acknowledged", 0), ("reset", 0)),
        ("shelved", None),
    ]


def test_the_end_of_a_rule_names_the_occurrence(
    bench: Made, make_rule: MakeRule, make_plan: Callable[..., WatchPlan]
) -> None:
    """``cleared``, because the rule is gone."""
    b = bench(make_rule("high", "oxygen", Above(10.0)))
    b.at(0, oxygen=11.0)
    b.resume(5, "reload", plan=make_plan([]))
    assert began(b) == [("raised", 0), ("cleared", 0)]
