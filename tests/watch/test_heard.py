"""No alarm is muted by one that pages nobody: a parent holds only what it speaks for.

A bench starts at 02:14; the desk is paged from high on.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.hours import Span
from dewline.watch_plan import (
    Above,
    Below,
    Escalation,
    FalseFor,
    OnCall,
    RulePlan,
    StaleAfter,
)
from tests.watch.conftest import Bench

MIN, H = 60, 3600
DESK = OnCall("desk", "high", ("heron", "daemon"))
DAY, NIGHT = (Span(8 * 60, 18 * 60),), (Span(18 * 60, 8 * 60),)
EIGHT_S = 5 * H + 46 * MIN  # from 02:14, when a bench starts, to 08:00


@pytest.fixture
def family(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """stopped (medium, 3 min) above high (high, 20 s), with one contact from high on."""

    def build(
        parent: dict[str, Any] | None = None,
        child: dict[str, Any] | None = None,
        on_call: tuple[OnCall, ...] = (DESK,),
        **more: Any,
    ) -> Bench:
        high = {"priority": "high", "on_s": 20, "under": ("heron.stopped",), **(child or {})}
        return bench(
            make_rule("high", "moisture", Above(5.0), **high),
            make_rule("stopped", "circulating", FalseFor(180_000), **(parent or {})),
            on_call=on_call,
            **more,
        )

    return build


def calls(b: Bench, alarm: str = "high") -> list[tuple[float, str]]:
    """When an alarm called people, and how."""
    return [(s, t) for s, t, state in b.told(alarm) if state == "unacknowledged"]


@pytest.mark.long
def test_a_bad_night_is_told(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """4.7 bar, −3 mbar, loop stopped, 8 ppm for five hours: both high alarms call the desk."""
    parents = ("heron.supply-low", "heron.supply-very-low", "heron.stopped")
    b = bench(
        make_rule("supply-low", "temperature", Below(5.0), on_s=60, under=parents[1:2]),
        make_rule("supply-very-low", "temperature", Below(4.0), on_s=10, priority="high"),
        make_rule("stopped", "circulating", FalseFor(180_000), under=parents[1:2]),
        make_rule("pressure", "pressure", Below(-1.0), on_s=60, priority="high", under=parents[:2]),
        make_rule("high", "moisture", Above(5.0), on_s=300, priority="high", under=parents[1:]),
        on_call=(DESK,),
    )
    for second in range(0, 5 * H, 5):
        b.at(second, temperature=4.7, circulating=0.0, pressure=-3.0, moisture=8.0)
    called = {e.alarm for e in b.events if e.transition == "raised" and e.priority == "high"}
    assert called == {"heron.pressure", "heron.high"}


def test_a_parent_that_is_told_speaks_for_its_child(family: Callable[..., Bench]) -> None:
    """A parent of the same priority, or one from which the desk wants to hear: one page."""
    from_medium = OnCall("desk", "medium", ("heron",))
    for b in (family(parent={"priority": "high"}), family(on_call=(from_medium,))):
        b.hold(0, 400, circulating=0.0, moisture=9.0)
        assert [e.alarm for e in b.events if e.transition == "raised"] == ["heron.stopped"]


def test_everybody_whom_the_child_calls_has_to_hear_of_its_parent(
    family: Callable[..., Bench],
) -> None:
    """The desk hears of the parent, the second contact of the child alone: both are called."""
    both = (OnCall("desk", "medium", ("heron",)), OnCall("head", "high", ("heron",)))
    b = family(on_call=both)
    b.hold(0, 60, circulating=0.0, moisture=9.0)
    assert calls(b) == [(20, "raised")]


@pytest.mark.long
def test_a_parent_outside_the_hours_of_its_contacts_holds_nothing(
    family: Callable[..., Bench],
) -> None:
    """By day a medium alarm is told, at night it is not: held by day alone, released at six."""
    on_call = (OnCall("day", "medium", ("heron",), DAY), OnCall("desk", "high", ("heron",), NIGHT))
    night = family(on_call=on_call)
    night.hold(0, 60, circulating=0.0, moisture=9.0)
    assert calls(night) == [(20, "raised")]
    day = family(on_call=on_call)
    for second in range(EIGHT_S, EIGHT_S + 11 * H, 10):
        day.at(second, circulating=0.0, moisture=9.0)
    assert day.told("high")[0][1] == "suppressed"
    ((at_s, _),) = calls(day)
    assert 0 <= at_s - (EIGHT_S + 10 * H) <= 10  # with the next reading
    assert [e.why for e in day.events if e.transition == "unsuppressed"] == [
        "heron.stopped calls nobody at this time"
    ]


def test_whoever_is_called_because_nobody_is_on_duty_counts(family: Callable[..., Bench]) -> None:
    """The desk is off duty, so a high alarm goes to the head at once; a medium one goes nowhere."""
    on = (OnCall("day", "high", ("heron",), DAY),)
    goes_on = (Escalation("day", "head", 900_000, "high", ("heron",), DAY),)
    b = family(on_call=on, escalations=goes_on)
    b.hold(0, 60, circulating=0.0, moisture=9.0)
    assert calls(b)[0] == (20, "raised")
    b = family(parent={"priority": "high"}, on_call=on, escalations=goes_on)
    b.hold(0, 60, circulating=0.0, moisture=9.0)
    assert calls(b) == []


def test_a_chain_in_which_everybody_is_off_duty_reaches_nobody(
    family: Callable[..., Bench],
) -> None:
    """Nobody hears of the child at night, so it is held until somebody comes."""
    on = (OnCall("day", "high", ("heron",), DAY),)
    goes_on = (Escalation("day", "head", 900_000, "high", ("heron",), DAY, DAY),)
    b = family(on_call=on, escalations=goes_on)
    b.hold(0, 60, circulating=0.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["suppressed"]


def test_a_child_that_calls_nobody_is_held_as_before(family: Callable[..., Bench]) -> None:
    """Medium under medium, with nobody from medium on: held, nothing is lost."""
    b = family(child={"priority": "medium"})
    b.hold(0, 400, circulating=0.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["suppressed"]


def test_a_parent_silenced_by_a_mode_holds_nothing(family: Callable[..., Bench]) -> None:
    """The purge explains the stopped loop, but the moisture rule says itself what explains it."""
    b = family(parent={"priority": "high", "suppress_while": (("purging", 4 * H * 1000),)})
    b.hold(0, 400, purging=1.0, circulating=0.0, moisture=9.0)
    assert b.told("stopped") == [(180, "suppressed", "suppressed")]
    assert calls(b) == [(20, "raised")]


def test_a_parent_held_by_another_speaks_through_it(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A power cut is one page: mains above bus above signal, each held by the one above."""
    stale = make_rule("stale", "oxygen", StaleAfter(15_000), under=("daemon.bus",))
    bus = make_rule(
        "bus", "one-link", FalseFor(10_000), place="daemon", priority="high", under=("heron.mains",)
    )
    mains = make_rule("mains", "analyzer_on", FalseFor(5_000), priority="high")
    b = bench(stale, bus, mains, on_call=(OnCall("desk", "medium", ("heron", "daemon")),))
    b.at(0, oxygen=1.0, analyzer_on=1.0)
    b.scan(1, {"daemon.one-link": 0.0, "heron.analyzer_on": 0.0})
    for second in range(2, 120):
        b.scan(second, {"daemon.one-link": 0.0, "heron.analyzer_on": 0.0})
    assert [e.alarm for e in b.events if e.state == "unacknowledged"] == ["heron.mains"]


@pytest.mark.parametrize("priority", ["medium", "high"])
@pytest.mark.parametrize("how", ["shelve", "out-of-service"])
def test_who_shelves_a_parent_answers_for_its_priority_alone(
    family: Callable[..., Bench], how: str, priority: str
) -> None:
    """A high child of a shelved medium parent calls; one no graver than the parent stays quiet."""
    b = family(parent={"priority": priority}, on_call=(OnCall("desk", "medium", ("heron",)),))
    b.at(0, circulating=1.0, moisture=1.0)
    b.say(how, "stopped", why="work on the loop", for_s=8 * H)
    b.hold(1, 400, circulating=0.0, moisture=9.0)
    assert calls(b) == ([] if priority == "high" else [(21, "raised")])


def test_a_parent_in_its_on_delay_holds_no_longer_than_that(family: Callable[..., Bench]) -> None:
    """A loop that stops and starts for an hour, never for 3 min: held for 3 min in all."""
    b = family(parent={"priority": "high"})
    for second in range(H):
        b.at(second, circulating=float(second % 100 == 99), moisture=9.0)
    assert b.told("high")[0] == (20, "suppressed", "suppressed")
    ((at_s, _),) = calls(b)
    assert at_s <= 20 + 180
    assert b.told("stopped") == []


def test_a_ring_of_parents_holds_nobody_for_ever(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Each under the other, which the config refuses: one of the two calls."""
    b = bench(
        make_rule("a", "oxygen", Above(5.0), priority="high", on_s=5, under=("heron.b",)),
        make_rule("b", "moisture", Above(5.0), priority="high", on_s=5, under=("heron.a",)),
        on_call=(DESK,),
    )
    b.hold(0, 60, oxygen=9.0, moisture=9.0)
    assert len([e for e in b.events if e.transition == "raised"]) == 1


def test_a_parent_that_is_held_by_another_when_its_mode_is_over_speaks_through_that(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The purge is over and the loop goes on standing: the forecast under it stands for a level."""
    b = bench(
        make_rule("loop", "circulating", FalseFor(10_000), priority="high"),
        make_rule(
            "warm",
            "temperature",
            Above(30.0),
            priority="high",
            under=("heron.loop",),
            suppress_while=(("purging", 4 * H * 1000),),
        ),
        make_rule("high", "moisture", Above(5.0), priority="high", under=("heron.warm",)),
        on_call=(DESK,),
    )
    b.hold(0, 30, purging=1.0, circulating=1.0, temperature=40.0, moisture=1.0)
    b.hold(30, 60, purging=1.0, circulating=0.0, temperature=40.0, moisture=1.0)
    b.hold(60, 90, purging=0.0, circulating=0.0, temperature=40.0, moisture=9.0)
    assert [e.alarm for e in b.events if e.state == "unacknowledged"] == ["heron.loop"]


@pytest.mark.parametrize("seen", [False, True])
def test_a_milder_alarm_does_not_answer_for_a_graver_one(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], seen: bool
) -> None:
    """A medium forecast, which paged nobody at night, stops no escalation of what it foresaw."""
    goes_on = (Escalation("desk", "head", 15 * MIN * 1000, "high", ("heron",)),)
    b = bench(
        make_rule("early", "moisture", Above(3.0)),
        make_rule("high", "moisture", Above(5.0), priority="high", under=("heron.early",)),
        on_call=(DESK,),
        escalations=goes_on,
    )
    b.at(0, moisture=4.0)
    if seen:
        b.say("acknowledge", "early")
    for second in range(1, 20 * MIN, 5):
        b.at(second, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["raised", "escalated"]


@pytest.mark.long
def test_who_saw_the_forecast_by_day_has_not_seen_the_level_at_night(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Held by day under a medium forecast that was acknowledged: at six it calls the desk."""
    on_call = (OnCall("day", "medium", ("heron",), DAY), OnCall("desk", "high", ("heron",), NIGHT))
    b = bench(
        make_rule("early", "moisture", Above(3.0)),
        make_rule("high", "moisture", Above(5.0), priority="high", under=("heron.early",)),
        on_call=on_call,
    )
    b.at(EIGHT_S + H, moisture=4.0)
    b.say("acknowledge", "early")
    for second in range(EIGHT_S + H + 1, EIGHT_S + 11 * H, 10):
        b.at(second, moisture=9.0)
    assert [(t, s) for _, t, s in b.told("high")] == [
        ("suppressed", "suppressed"),
        ("unsuppressed", "unacknowledged"),
    ]
