"""Planned work: what it keeps quiet and until when, and what is told when it ends."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.readings import Quality, Reading
from dewline.watch_plan import Above, BoxPlan, OnCall, RulePlan, SignalPlan, WatchPlan
from tests.watch.conftest import START_MS, Bench

H = 3600
QUIET = (("opened", 24 * H * 1000), ("solvent-work", 2 * H * 1000), ("maintenance", 24 * H * 1000))


@pytest.fixture
def box(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Bench:
    """A bench with a rule that planned work silences, and one that nothing silences."""
    b = bench(
        make_rule("moist", "moisture", Above(5.0), priority="high", suppress_while=QUIET),
        make_rule("flood", "oxygen", Above(1000.0), priority="critical"),
    )
    b.at(0, moisture=0.5, oxygen=0.3)
    return b


def planned(b: Bench, kind: str = "opened", hours: float | None = 3.0) -> str:
    for_s = None if hours is None else hours * H
    return str(b.say("planned", box="heron", kind=kind, for_s=for_s).message)


def test_it_says_what_goes_quiet_and_until_when(box: Bench) -> None:
    """The alarms by name, a shorter time of their own, the end in the time of the site."""
    said = planned(box, hours=3.0)
    assert said == (
        "heron: opened until 2026-03-02 05:14; quiet until then: moist; all others call as before; "
        "what stands at the end is told at once; "
        "a box that was open then recovers for 12 h, in which some stay quiet"
    )
    assert "quiet until then: moist;" in planned(box, "solvent", 2.0)
    assert "quiet until then: moist for 2 h;" in planned(box, "solvent", 3.0)
    assert box.watch.planned()["heron"] == {
        "opened": START_MS + 3 * H * 1000,
        "solvent": START_MS + 3 * H * 1000,
    }


@pytest.mark.parametrize("kind", [{"priority": "critical"}, {"latch": True}])
def test_what_no_work_silences_is_not_said_to_go_quiet(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], kind: dict[str, Any]
) -> None:
    """A critical or latching rule calls in whatever work its rule names, and the answer says so."""
    b = bench(make_rule("flood", "oxygen", Above(1000.0), suppress_while=QUIET, **kind))
    b.at(0, oxygen=0.3)
    assert "; no alarm goes quiet; all others call as before;" in planned(b)
    b.at(60, oxygen=2000.0)
    assert b.told("flood") == [(60, "raised", "unacknowledged")]


def test_work_announced_again_goes_on_from_its_begin(box: Bench) -> None:
    """The longest time of a rule counts from when the work began: an hour of two is over."""
    planned(box, "solvent", 2.0)
    box.wait(H)
    assert "quiet until then: moist for 1 h;" in planned(box, "solvent", 2.0)


def test_what_stands_already_does_not_go_quiet(box: Bench) -> None:
    """It goes on to remind and escalate, so it is named apart."""
    box.at(60, moisture=40.0)
    assert "quiet" in planned(box)
    assert "moist stands already and calls on" in planned(box)
    assert "no alarm goes quiet" in planned(box)


def test_several_alarms_are_named_in_order(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """By name, whatever their order in the config; a comma between them."""
    roles = {"wet": "moisture", "air": "oxygen", "warm": "temperature", "high": "pressure"}
    b = bench(*(make_rule(r, role, Above(5.0), suppress_while=QUIET) for r, role in roles.items()))
    b.at(0, moisture=9.0, oxygen=9.0, temperature=1.0, pressure=1.0)
    said = planned(b).split("; ")
    assert said[1:3] == ["quiet until then: high, warm", "air, wet stands already and calls on"]


def test_a_mode_of_an_older_state_can_be_ended(box: Bench) -> None:
    """A note of before set it without a plan, and a restart kept it."""
    planned(box, "solvent", 3.0)
    box.watch._parts.modes["heron"].planned.clear()
    assert box.say("planned-end", box="heron", kind="solvent").ok
    assert not box.watch.modes()["heron"]


def test_nothing_goes_quiet_where_no_rule_knows_the_work(box: Bench) -> None:
    """A plan that silences nothing says so."""
    assert "no alarm goes quiet" in planned(box, "gloves", 3.0)


def test_what_stands_when_it_ends_by_itself_is_told_at_once(box: Bench) -> None:
    """No wait for a level that goes back by itself, nor under the mode that follows."""
    planned(box, hours=3.0)
    box.at(60, moisture=40.0)
    assert box.told("moist") == [(60, "suppressed", "suppressed")]
    for minute in range(2, 180):
        box.at(60 * minute, moisture=40.0 - minute / 10)
    box.wait(3 * H)
    assert box.told("moist")[-1] == (3 * H, "unsuppressed", "unacknowledged")
    assert "planned" in (box.events[-1].why or "")


def test_what_stands_is_told_though_the_box_went_on_to_recover(box: Bench) -> None:
    """Air seen and gone ends the mode; the end that was announced holds all the same."""
    planned(box, hours=3.0)
    box.at(60, moisture=40.0, oxygen=Reading(209_000.0, Quality.GOOD))
    box.at(2 * H, moisture=30.0, oxygen=300.0)
    box.wait(3 * H)
    assert box.told("moist")[-1] == (3 * H, "unsuppressed", "unacknowledged")


def test_an_end_by_hand_tells_at_once_and_names_what_stands(box: Bench) -> None:
    """The person who ends it reads what stands; people on call are paged."""
    planned(box, hours=3.0)
    box.at(60, moisture=40.0)
    box.now_s = 120
    reply = box.say("planned-end", box="heron", kind="opened")
    assert reply.ok
    assert "moist" in reply.message
    assert box.told("moist")[-1] == (120, "unsuppressed", "unacknowledged")
    again = box.say("planned-end", box="heron", kind="opened")
    assert not again.ok
    assert "nothing of the kind is planned" in again.message


@pytest.mark.parametrize("on_call", [(), (OnCall("desk", "high", ("heron",)),)])
def test_one_trouble_that_stands_at_the_end_is_one_page(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], on_call: tuple[OnCall, ...]
) -> None:
    """Its milder levels go on under the worst one, as they would without the work.

    Where somebody is on call the work holds each of them by itself, until it ends.
    """
    b = bench(
        make_rule("worst", "moisture", Above(20.0), priority="high", suppress_while=QUIET),
        make_rule(
            "mild",
            "moisture",
            Above(5.0),
            priority="high",
            suppress_while=QUIET,
            under=("heron.worst",),
        ),
        on_call=on_call,
    )
    b.at(0, moisture=0.5, oxygen=0.3)
    planned(b, hours=3.0)
    b.at(60, moisture=40.0)
    b.wait(3 * H)
    assert b.told("worst")[-1] == (3 * H, "unsuppressed", "unacknowledged")
    assert b.told("mild")[-1] == (60, "suppressed", "suppressed")
    b.hold(3 * H + 1, 3 * H + 3, moisture=10.0)
    assert b.told("mild")[-1][1:] == ("unsuppressed", "unacknowledged")


def test_an_end_tells_of_what_that_work_kept_quiet_and_of_parents_alone(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """What other work silences, what is on its way back and what a parent speaks for stay held."""
    other = (("solvent-work", 2 * H * 1000),)
    b = bench(
        make_rule("moist", "moisture", Above(5.0), priority="high", suppress_while=QUIET),
        make_rule("damp", "moisture", Above(1.0), under=("heron.moist",), suppress_while=QUIET),
        make_rule("solvent", "oxygen", Above(10.0), suppress_while=other),
        make_rule("brief", "pressure", Above(10.0), suppress_while=QUIET[:1], off_s=600),
        make_rule("warm", "temperature", Above(30.0), priority="high", suppress_while=QUIET[:1]),
    )
    b.at(0, moisture=0.5, oxygen=0.3, pressure=1.0, temperature=20.0)
    planned(b, "opened")
    planned(b, "solvent")
    b.at(60, moisture=40.0, oxygen=40.0, pressure=20.0, temperature=40.0)
    b.at(61, moisture=40.0, oxygen=40.0, pressure=1.0, temperature=40.0)
    said = b.say("planned-end", box="heron", kind="opened").message
    assert said == "heron: opened is over; moist, warm stands"
    called = {e.alarm: e.why for e in b.events if e.transition == "unsuppressed"}
    assert called == dict.fromkeys(("heron.moist", "heron.warm"), "planned opened is over")
    b.hold(62, 70, moisture=40.0, oxygen=40.0, pressure=1.0, temperature=40.0)
    assert {e.alarm for e in b.events if e.transition == "unsuppressed"} == set(called)


def test_an_end_at_one_box_tells_nothing_of_another(
    make_plan: Callable[..., WatchPlan],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """The same work goes on at egret: what stands there stays quiet until that is over."""
    places = ("heron", "egret")
    quiet: dict[str, Any] = {"suppress_while": QUIET}
    rules = [
        make_rule("flood", "oxygen", Above(1000.0)),
        # Below another one, so that the end has to pass over what it finds at egret first.
        make_rule("moist", "moisture", Above(5.0), under=("heron.flood",), **quiet),
        make_rule("moist", "moisture", Above(5.0), place="egret", **quiet),
    ]
    plan = make_plan(rules, extra=[make_signal("egret.moisture", "ppm")])
    plan.boxes["egret"] = BoxPlan(name="egret")
    b = Bench(plan)
    for place in places:
        assert b.say("planned", box=place, kind="opened", for_s=3 * H).ok
    b.scan(60, {f"{place}.moisture": 40.0 for place in places})
    said = b.say("planned-end", box="heron", kind="opened").message
    assert said == "heron: opened is over; moist stands"
    b.wait(120)
    assert [t for _, t, _ in b.told("heron.moist")] == ["suppressed", "unsuppressed"]
    assert [t for _, t, _ in b.told("egret.moist")] == ["suppressed"]


def test_an_end_tells_nothing_of_what_a_parent_held(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The parent is over, and its child waits for the readings whether it goes back by itself."""
    b = bench(
        make_rule("warm", "temperature", Above(30.0)),
        make_rule("moist", "moisture", Above(5.0), under=("heron.warm",), suppress_while=QUIET[1:]),
    )
    b.at(0, temperature=40.0, moisture=9.0)
    b.at(60, temperature=20.0, moisture=9.0)
    planned(b, "solvent", 1.0)
    said = b.say("planned-end", box="heron", kind="solvent").message
    assert said == "heron: solvent is over; nothing that it kept quiet stands"
    assert [t for _, t, _ in b.told("moist")] == ["suppressed"]


def test_the_end_outlives_a_restart(box: Bench) -> None:
    """The plan is part of the state that is saved."""
    planned(box, hours=3.0)
    box.at(60, moisture=40.0)
    box.freeze()
    box.wait(3 * H)
    assert box.told("moist")[-1] == (3 * H, "unsuppressed", "unacknowledged")


@pytest.mark.parametrize(
    ("kind", "hours", "says"),
    [
        ("opened", 25.0, "at most 24 h"),
        ("solvent", 9.0, "at most 8 h"),
        ("opened", None, "at most 24 h"),
        ("opened", 0.0, "at most 24 h"),
        ("painting", 1.0, "one of opened, solvent, gloves, commissioning, maintenance"),
    ],
)
def test_what_cannot_be_planned_is_refused(
    box: Bench, kind: str, hours: float | None, says: str
) -> None:
    """Each kind of work has a longest time; the refusal names it and silences nothing."""
    assert says in planned(box, kind, hours)
    assert not set(box.watch.modes()["heron"])
    assert "near it: heron" in box.say("planned", box="herron", kind="opened", for_s=60).message
    assert box.say("planned", kind="opened", for_s=60).message == "no box ''"
    assert box.say("planned", box="heron", for_s=60).message.startswith("no kind '';")


def test_a_note_of_planned_work_is_the_same_for_its_longest_time(box: Bench) -> None:
    """``note heron opened`` mutes as ``planned`` does, so it says and ends as that does."""
    reply = box.say("note", box="heron", kind="opened", why="new gloves")
    assert "opened until 2026-03-03 02:14" in reply.message
    assert "moist" in reply.message
    box.at(60, moisture=40.0)
    box.now_s = 120
    assert "moist" in box.say("note", box="heron", kind="opened", why="over").message
    assert box.told("moist")[-1] == (120, "unsuppressed", "unacknowledged")


def test_a_note_of_what_is_done_is_kept_and_silences_nothing(box: Bench) -> None:
    """A filter that was changed is no work that goes on: no end, and no end of one either."""
    for why in (None, "H13", "over"):
        reply = box.say("note", box="heron", kind="filter", why=why)
        assert (reply.ok, reply.message) == (True, "noted for heron: filter")
    saved = box.watch.save()["explain"]
    assert isinstance(saved, dict)
    assert all(word in str(saved["notes"]) for word in ("heron", "filter", str(START_MS)))
    assert not box.watch.modes()["heron"]


@pytest.mark.parametrize("why", ["over", "Done, all tight", "ENDED", "finished", " end"])
def test_a_note_ends_planned_work_by_its_first_word(box: Bench, why: str) -> None:
    """As people wrote it in old records: in whatever case, before a comma too."""
    box.say("note", box="heron", kind="opened", why="new gloves")
    reply = box.say("note", box="heron", kind="opened", why=why)
    assert reply.message == "heron: opened is over; nothing that it kept quiet stands"


@pytest.mark.parametrize("why", [None, "", "not over yet", "overhaul"])
def test_any_other_note_of_planned_work_announces_it(box: Bench, why: str | None) -> None:
    """For its longest time from now, since a note has no end."""
    reply = box.say("note", box="heron", kind="opened", why=why)
    assert "opened until 2026-03-03 02:14" in reply.message
    assert box.watch.planned()["heron"] == {"opened": START_MS + 24 * H * 1000}


def test_planned_work_is_a_note_for_the_causes(box: Bench) -> None:
    """What people say they do at a box is the strongest prior for a cause."""
    planned(box, "solvent", 1.0)
    saved = box.watch.save()["explain"]
    assert isinstance(saved, dict)
    assert "solvent" in str(saved["notes"])
