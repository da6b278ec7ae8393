"""What time does to an alarm: escalations, reminders, chattering, the priority of the night."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest

from dewline.hours import Hours, Span
from dewline.watch.alarms.rates import REMEMBERED, chatter
from dewline.watch_plan import Above, Escalation, OnCall, RulePlan, SignalPlan, WatchPlan
from tests.patience import PATIENCE_S
from tests.watch.conftest import START_MS, Bench

MIN = 60
DESK = Escalation("night-desk", "lab-head", 15 * MIN * 1000, "high", ("heron",))
HEAD = Escalation("lab-head", "director", 30 * MIN * 1000, "high", ("heron",))


@pytest.fixture
def high(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    def build(
        escalations: Iterable[Escalation] = (), plan: dict[str, Any] | None = None, **more: Any
    ) -> Bench:
        more.setdefault("priority", "high")
        rule = make_rule("high", "oxygen", Above(10.0), **more)
        return bench(rule, escalations=escalations, **(plan or {}))

    return build


@pytest.mark.parametrize("chain", [(DESK, HEAD), (HEAD, DESK)])
def test_nobody_acknowledges_so_it_moves_on_along_the_chain(
    high: Callable[..., Bench], chain: tuple[Escalation, ...]
) -> None:
    """15 min to the first, 30 min more to the next; each once, in whatever order they are written.

    `to` names the contact.
    """
    b = high(chain)
    b.at(0, oxygen=11.0)
    b.wait(3600 * 3)
    assert b.told() == [
        (0, "raised", "unacknowledged"),
        (15 * MIN, "escalated", "unacknowledged"),
        (45 * MIN, "escalated", "unacknowledged"),
    ]
    assert [(e.to, e.off_duty, e.why) for e in b.events[1:]] == [
        ("lab-head", False, "night-desk did not acknowledge within 15 min"),
        ("director", False, "lab-head did not acknowledge within 30 min"),
    ]


def test_acknowledging_stops_the_chain(high: Callable[..., Bench]) -> None:
    """After an acknowledgement nobody else is called."""
    b = high((DESK, HEAD))
    b.at(0, oxygen=11.0)
    b.wait(14 * MIN)
    b.say("acknowledge", "high")
    b.wait(3600)
    assert "escalated" not in [t for _, t, _ in b.told()]


def test_flapping_does_not_restart_the_chain(high: Callable[..., Bench]) -> None:
    """Time runs from the first unacknowledged raise, through returns and further raises."""
    b = high((DESK,))
    for minute in range(20):
        b.at(minute * MIN, oxygen=11.0)
        b.at(minute * MIN + 10, oxygen=1.0)
        b.at(minute * MIN + 20, oxygen=11.0)
    assert [t for t, kind, _ in b.told() if kind == "escalated"] == [15 * MIN]


def test_returned_alarm_is_not_escalated(high: Callable[..., Bench]) -> None:
    """The condition is over, so nobody else is called."""
    b = high((DESK,))
    b.at(0, oxygen=11.0)
    b.at(60, oxygen=1.0)
    b.wait(3600)
    assert [t for _, t, _ in b.told()] == ["raised", "returned"]


def test_an_escalation_that_fell_due_in_a_return_is_made_at_the_next_raise(
    high: Callable[..., Bench],
) -> None:
    """Returned when the time was up: nobody was called, so the next contact still has to be."""
    b = high((DESK,))
    b.at(0, oxygen=11.0)
    b.at(60, oxygen=1.0)
    b.at(15 * MIN + 30, oxygen=11.0)
    b.wait(3600)
    assert [t for t, kind, _ in b.told() if kind == "escalated"] == [15 * MIN + 31]


def test_lower_priorities_and_other_places_do_not_escalate(high: Callable[..., Bench]) -> None:
    """from_priority and places choose."""
    for escalation in (
        Escalation("a", "b", 60_000, "critical", ("heron",)),
        Escalation("a", "b", 60_000, "low", ("egret",)),
    ):
        b = high((escalation,))
        b.at(0, oxygen=11.0)
        b.wait(600)
        assert len(b.events) == 1


def test_reminder_of_an_unacknowledged_alarm(high: Callable[..., Bench]) -> None:
    """Every half hour while it stands and nobody acknowledged."""
    b = high(remind_every_ms=30 * MIN * 1000)
    b.at(0, oxygen=11.0)
    b.wait(65 * MIN)
    assert b.told()[1:] == [
        (30 * MIN, "reminded", "unacknowledged"),
        (60 * MIN, "reminded", "unacknowledged"),
    ]
    assert {e.why for e in b.events[1:]} == {"every 30 min"}


def test_a_reminder_is_no_new_alarm(high: Callable[..., Bench]) -> None:
    """Neither an alarm flood nor the priority of the hour comes of asking again."""
    b = high(remind_every_ms=60_000)
    b.at(0, oxygen=11.0)
    b.wait(5 * MIN + 1)
    assert len(b.events) == 6
    assert b.watch._parts.rate.count(START_MS + 5 * MIN * 1000) == 1


def test_the_alarm_on_a_flood_of_alarms_is_not_counted_in_it(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """Three came and the flood is told: it was three, and the notice of it is no fourth."""
    roles = ("oxygen", "moisture", "pressure")
    flood = make_rule("flood", "alarm-rate", Above(2.5), place="daemon")
    rules = [make_rule(f"{role}-high", role, Above(5.0)) for role in roles]
    b = bench(*rules, flood, extra=[make_signal("daemon.alarm-rate", "")])
    b.at(0, **dict.fromkeys(roles, 9.0))
    b.wait(10)
    (told,) = [e for e in b.events if e.alarm == "daemon.flood"]
    assert told.value == 3.0
    assert [value for _, name, value in b.derived if name == "daemon.alarm-rate"][-1] == 3.0


def test_an_escalation_moves_no_reminder_and_is_no_new_alarm(high: Callable[..., Bench]) -> None:
    """It calls somebody else about the same alarm, whose next reminder comes when it was due."""
    b = high((DESK,), remind_every_ms=20 * MIN * 1000)
    b.at(0, oxygen=11.0)
    b.wait(19 * MIN)
    assert b.watch._parts.rate.count(START_MS + 19 * MIN * 1000) == 0
    b.wait(21 * MIN)
    told = [(t, kind) for t, kind, _ in b.told()]
    assert told == [(0, "raised"), (15 * MIN, "escalated"), (20 * MIN, "reminded")]


def test_reminder_asks_again_although_acknowledged(high: Callable[..., Bench]) -> None:
    """Re-alarm: a rule with remind_every calls again although it was acknowledged."""
    b = high(remind_every_ms=30 * MIN * 1000)
    b.at(0, oxygen=11.0)
    b.wait(10 * MIN)
    b.say("acknowledge", "high")
    b.wait(45 * MIN)
    assert b.told()[-1] == (40 * MIN, "reminded", "unacknowledged")


def test_no_reminder_once_it_is_over(high: Callable[..., Bench]) -> None:
    """Returned and normal alarms are not reminded of."""
    b = high(remind_every_ms=30 * MIN * 1000)
    b.at(0, oxygen=11.0)
    b.at(1, oxygen=1.0)
    b.wait(3600)
    assert [t for _, t, _ in b.told()] == ["raised", "returned"]


def test_flapping_by_one_digit_is_one_raise_and_one_return(high: Callable[..., Bench]) -> None:
    """± one digit round the limit for an hour stays inside the deadband."""
    b = high(deadband=0.2)
    for second in range(3600):
        b.at(second, oxygen=10.1 if second % 2 else 9.9)
    b.at(3600, oxygen=9.0)
    assert [t for _, t, _ in b.told()] == ["raised", "returned"]


@pytest.mark.long
def test_three_cycles_in_a_minute_chatter_once_an_hour(high: Callable[..., Bench]) -> None:
    """One notice an hour however long it goes on; the alarm itself goes on as before."""
    b = high()
    for second in range(0, 3 * 3600, 10):
        b.at(second, oxygen=11.0)
        b.at(second + 5, oxygen=1.0)
    times = [t for t, kind, _ in b.told() if kind == "chattering"]
    assert times == [25, 3625, 7225]
    whys = {e.why for e in b.events if e.transition == "chattering"}
    assert whys == {"raised and returned 3 times within a minute"}


def test_the_times_that_count_as_chatter() -> None:
    """Three returns less than a minute apart, or eleven changes in less than ten minutes."""
    returns = [(0, True), (30_000, True)]
    assert chatter([*returns, (59_999, True)], 59_999) is not None
    assert chatter([*returns, (60_000, True)], 60_000) is None
    changes = [(n * 50_000, False) for n in range(11)]
    assert chatter(changes, 599_999) == "more than 10 raises and returns within 10 min"
    assert chatter(changes, 600_000) is None


def test_slow_chatter_is_more_than_ten_transitions_in_ten_minutes(
    high: Callable[..., Bench],
) -> None:
    """Six raises and five returns in ten minutes chatter; ten transitions do not."""
    b = high()
    for n in range(6):
        b.at(n * 100, oxygen=11.0)
        b.at(n * 100 + 50, oxygen=1.0)
    assert [t for t, kind, _ in b.told() if kind == "chattering"] == [500]
    (notice,) = [e for e in b.events if e.transition == "chattering"]
    assert notice.why == "more than 10 raises and returns within 10 min"
    b = high()
    for n in range(8):
        b.at(n * 121, oxygen=11.0)
        b.at(n * 121 + 60, oxygen=1.0)
    assert "chattering" not in [kind for _, kind, _ in b.told()]


def test_an_alarm_keeps_no_more_changes_than_chatter_is_judged_by(
    high: Callable[..., Bench],
) -> None:
    """However often it comes and goes, what is saved of it does not grow."""
    b = high()
    for second in range(0, 400, 10):
        b.at(second, oxygen=11.0)
        b.at(second + 5, oxygen=1.0)
    assert len(b.watch._parts.alarms["heron.high"].changes) == REMEMBERED


@pytest.mark.parametrize(
    ("zone", "staffed", "priority"),
    [
        ("Europe/Lisbon", (Span(8 * 60, 18 * 60),), "low"),
        ("Europe/Lisbon", (Span(2 * 60, 10 * 60),), "high"),
        ("Asia/Tokyo", (Span(8 * 60, 18 * 60),), "high"),
        ("Europe/Lisbon", (Span(22 * 60, 6 * 60),), "high"),
        ("Europe/Lisbon", (Span(3 * 60, 2 * 60),), "low"),
        ("UTC", None, "high"),
    ],
)
def test_night_priority_by_the_clock_of_the_site(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    zone: str,
    staffed: Hours | None,
    priority: str,
) -> None:
    """02:14 UTC is 02:14 in Lisbon in March and 11:14 in Tokyo; hours may wrap midnight."""
    rule = make_rule("high", "oxygen", Above(10.0), priority="high", night="low")
    b = bench(rule, timezone=zone, staffed=staffed)
    b.at(0, oxygen=11.0)
    assert b.events[0].priority == priority


DAY, NIGHT = (Span(8 * 60, 18 * 60),), (Span(18 * 60, 8 * 60),)
EIGHT_S = 5 * 3600 + 46 * MIN  # from 02:14 to 08:00
OFF = Escalation("day-desk", "lab-head", 15 * MIN * 1000, "high", ("heron",), DAY)


def test_the_time_of_a_contact_runs_from_when_they_come_on_duty(high: Callable[..., Bench]) -> None:
    """The night desk was told; the day desk's time runs from when its hours begin."""
    on_call = (
        OnCall("night-desk", "high", ("heron",), NIGHT),
        OnCall("day-desk", "high", ("heron",), DAY),
    )
    b = high((OFF,), plan={"on_call": on_call})
    b.at(0, oxygen=11.0)
    b.wait(EIGHT_S + 3600)
    assert b.told()[1:] == [(EIGHT_S + 15 * MIN, "escalated", "unacknowledged")]
    assert (b.events[1].to, b.events[1].off_duty) == ("lab-head", False)
    assert b.events[1].why == "day-desk did not acknowledge within 15 min"


def test_where_nobody_is_on_duty_it_goes_on_at_once(high: Callable[..., Bench]) -> None:
    """Nobody could be asked, so it escalates at once; ``off_duty`` says so."""
    for on_call in (
        (OnCall("day-desk", "high", ("heron",), DAY),),
        (OnCall("day-desk", "high", ("heron",), DAY), OnCall("x", "critical", ("heron",), None)),
        (OnCall("day-desk", "high", ("heron",), DAY), OnCall("x", "high", ("egret",), None)),
    ):
        b = high((OFF,), plan={"on_call": on_call})
        b.at(0, oxygen=11.0)
        b.wait(PATIENCE_S)
        assert b.told()[1:] == [(1, "escalated", "unacknowledged")]
        assert (b.events[1].to, b.events[1].off_duty) == ("lab-head", True)
        assert b.events[1].why == "nobody was there, day-desk is off duty"


def test_whoever_is_off_duty_in_a_chain_is_passed_over(high: Callable[..., Bench]) -> None:
    """The second contact is off duty when their turn comes: the third is called at once."""
    first = Escalation("night-desk", "day-desk", 15 * MIN * 1000, "high", ("heron",), NIGHT)
    b = high((first, OFF), plan={"on_call": (OnCall("night-desk", "high", ("heron",), NIGHT),)})
    b.at(0, oxygen=11.0)
    b.wait(3600)
    assert [t for t, kind, _ in b.told() if kind == "escalated"] == [15 * MIN, 15 * MIN]
    assert [e.to for e in b.events[1:]] == ["day-desk", "lab-head"]


def test_what_waited_for_the_morning_has_its_day_priority_then(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Low at night, high by day: at 08:00 it still stands, so it is high and calls again."""
    rule = make_rule("high", "oxygen", Above(10.0), priority="high", night="low")
    b = bench(rule, staffed=DAY)
    b.at(0, oxygen=11.0)
    b.wait(EIGHT_S + 3600)
    assert b.told()[1:] == [(EIGHT_S, "reminded", "unacknowledged")]
    assert (b.events[0].priority, b.events[1].priority) == ("low", "high")
    assert b.events[1].why == "waited for the morning"


def test_what_is_acknowledged_or_over_by_the_morning_does_not_call_again(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Acknowledged or over in the night: nothing at eight."""
    rule = make_rule("high", "oxygen", Above(10.0), priority="high", night="low")
    for end in ("acknowledged", "returned"):
        b = bench(rule, staffed=DAY)
        b.at(0, oxygen=11.0)
        if end == "acknowledged":
            b.say("acknowledge", "high")
        else:
            b.at(60, oxygen=1.0)
        b.wait(EIGHT_S + 3600)
        assert b.told()[-1][1] == end


def test_a_medium_alarm_about_to_end_calls_nobody(high: Callable[..., Bench]) -> None:
    """Back within its limit, only its off-delay runs: no escalation; out of it again, there is."""
    desk = Escalation("night-desk", "lab-head", 15 * MIN * 1000, "medium", ("heron",))
    b = high((desk,), off_s=600, priority="medium")
    b.at(0, oxygen=11.0)
    for second in range(14 * MIN, 20 * MIN, 10):
        b.at(second, oxygen=1.0)
    assert [t for _, t, _ in b.told()] == ["raised"]
    b.at(20 * MIN, oxygen=11.0)
    b.wait(21 * MIN + 1)
    assert b.told()[-1][1] == "escalated"
    assert b.told()[-1][0] <= 21 * MIN


@pytest.mark.parametrize("priority", ["high", "critical"])
def test_a_rush_that_nobody_answers_reaches_the_second_person(
    high: Callable[..., Bench], priority: str
) -> None:
    """Seven seconds of air, then the off-delay: only reminders are postponed by it."""
    b = high((DESK,), off_s=30 * MIN, priority=priority, remind_every_ms=10 * MIN * 1000)
    b.at(0, oxygen=300.0)
    for second in range(7, 25 * MIN, 5):
        b.at(second, oxygen=1.0)
    assert b.told()[1:] == [(15 * MIN, "escalated", "unacknowledged")]


def test_two_levels_on_their_way_back_call_the_second_person_once(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Both high and in their off-delay: the escalation of the worse one is that of both."""
    b = bench(
        make_rule("rush", "oxygen", Above(150.0), priority="critical", off_s=30 * MIN),
        make_rule("high", "oxygen", Above(10.0), priority="high", off_s=30 * MIN),
        escalations=(DESK,),
    )
    b.at(0, oxygen=300.0)
    for second in range(7, 25 * MIN, 5):
        b.at(second, oxygen=1.0)
    escalated = [(e.alarm, e.to) for e in b.events if e.transition == "escalated"]
    assert escalated == [("heron.rush", "lab-head")]


def test_a_worse_level_calls_instead_of_the_milder_one(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Not acknowledged at 10 ppm; at 100 ppm the next contact is called once."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), priority="high"),
        make_rule("very", "oxygen", Above(100.0), priority="critical"),
        escalations=(DESK,),
    )
    b.at(0, oxygen=11.0)
    b.at(10 * MIN, oxygen=200.0)
    b.wait(3600)
    assert b.told("high") == [(0, "raised", "unacknowledged")]
    assert b.told("very")[1:] == [(15 * MIN, "escalated", "unacknowledged")]


def test_one_answer_is_enough_for_two_levels_of_a_signal(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The worse level is acknowledged in the very moment in which the milder one is raised."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), priority="high", on_s=60),
        make_rule("very", "oxygen", Above(100.0), priority="critical"),
        escalations=(DESK,),
    )
    b.hold(0, MIN + 1, oxygen=200.0)
    b.say("acknowledge", "very")
    b.wait(3600)
    assert b.told("high") == [(MIN, "raised", "unacknowledged")]
    assert b.told("very")[1:] == [(MIN, "acknowledged", "acknowledged")]


def test_a_milder_alarm_that_called_nobody_starts_no_time(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """An alarm that was only listed for the morning was no call: time runs from the first page."""
    b = bench(
        make_rule("raised", "oxygen", Above(2.0), priority="low"),
        make_rule("high", "oxygen", Above(10.0), priority="high"),
        escalations=(DESK,),
    )
    b.at(0, oxygen=3.0)
    b.at(3600, oxygen=11.0)
    b.wait(7200)
    assert [t for t, kind, _ in b.told() if kind == "escalated"] == [3600 + 15 * MIN]


def test_what_comes_again_after_a_rest_is_a_new_call(high: Callable[..., Bench]) -> None:
    """Raised again after an hour: the second time has its own fifteen minutes."""
    b = high((DESK,))
    b.at(0, oxygen=11.0)
    b.wait(16 * MIN)
    b.at(16 * MIN, oxygen=1.0)
    b.at(80 * MIN, oxygen=11.0)
    b.wait(120 * MIN)
    escalated = [t for t, kind, _ in b.told() if kind == "escalated"]
    assert escalated == [15 * MIN, 95 * MIN]


def test_an_acknowledged_worse_level_stops_the_escalation_of_the_milder_one(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Acknowledged at 100 ppm: nobody else is called for 10 ppm either."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), priority="high"),
        make_rule("very", "oxygen", Above(100.0), priority="critical"),
        escalations=(DESK,),
    )
    b.at(0, oxygen=11.0)
    b.at(10, oxygen=200.0)
    b.say("acknowledge", "very")
    b.at(20 * MIN, oxygen=50.0)
    b.wait(3 * 3600)
    assert "escalated" not in [kind for _, kind, _ in b.told()]


@pytest.mark.long
@pytest.mark.parametrize("priority", [("high", "medium"), ("medium", "high")])
def test_saturday_noon_is_night_where_weekdays_are_staffed(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], priority: tuple[Any, Any]
) -> None:
    """From Friday 18:00 to Monday 08:00 a rule has its priority of the night."""
    day, night = priority
    rule = make_rule("high", "oxygen", Above(10.0), priority=day, night=night)
    b = bench(rule, staffed=(Span(8 * 60, 18 * 60, (0, 1, 2, 3, 4)),))
    noon_s = 5 * 86_400 + 9 * 3600 + 46 * MIN  # a bench starts on a Monday at 02:14
    b.at(noon_s, oxygen=11.0)
    assert b.events[0].priority == night
    b.wait(noon_s + 2 * 86_400)
    calls = [(t, e.priority) for (t, kind, _), e in zip(b.told(), b.events, strict=True)][1:]
    monday_s = 7 * 86_400 + EIGHT_S
    assert calls == ([] if night == "high" else [(monday_s, "high")])


def test_whoever_a_reload_adds_was_not_asked_before_it(
    high: Callable[..., Bench], make_plan: Callable[..., WatchPlan]
) -> None:
    """The alarm stands for ten minutes: the new contact has their minute from the reload on.

    Contacts that were in the plan before go on as they did, and a second reload changes nothing.
    """
    desk = OnCall("night-desk", "high", ("heron",))
    b = high((DESK,), plan={"on_call": (desk,)})
    b.at(0, oxygen=11.0)
    b.wait(10 * MIN)
    rule = b.watch.plan.rules["heron.high"]
    quick = Escalation("day-desk", "chief", 60_000, "high", ("heron",))
    both = (desk, OnCall("day-desk", "high", ("heron",)))
    more = make_plan([rule], (DESK, quick), on_call=both)
    b.resume(10 * MIN, "reload", plan=more)
    b.freeze()
    b.wait(10 * MIN + 50)
    b.resume(10 * MIN + 50, "reload", plan=more)
    b.wait(20 * MIN)
    escalated = [(t, e.to) for (t, _, _), e in zip(b.told(), b.events, strict=True) if e.to]
    assert escalated == [(11 * MIN, "chief"), (15 * MIN, "lab-head")]
