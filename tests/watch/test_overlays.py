"""Commands, overlays, latches: what people do to alarms and what they are answered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.watch_plan import Above, RulePlan
from tests.watch.conftest import Bench

HIGH = Above(10.0)


@pytest.fixture
def standing(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> Callable[..., Bench]:
    """A bench on which ``high`` stands, and ``latching`` with it."""

    def build(**more: Any) -> Bench:
        b = bench(
            make_rule("high", "oxygen", HIGH, **more),
            make_rule("latching", "moisture", HIGH, latch=True, **more),
        )
        b.at(0, oxygen=11.0, moisture=11.0)
        return b

    return build


def test_acknowledge_names_who(standing: Callable[..., Bench]) -> None:
    """Unacknowledged -> acknowledged; the reply has the id of the event."""
    b = standing()
    reply = b.say("acknowledge", "high", by="iolo", why="seen on the panel")
    event = b.events[-1]
    assert event.why == "seen on the panel"
    assert (reply.ok, reply.event_id) == (True, event.id)
    assert (event.transition, event.state, event.by) == ("acknowledged", "acknowledged", "iolo")
    b.at(1, oxygen=1.0)
    assert b.told("high")[-1] == (1, "cleared", "normal")


def test_acknowledge_twice_is_refused_in_words(standing: Callable[..., Bench]) -> None:
    """The second person is answered that there is nothing to acknowledge."""
    b = standing()
    b.say("acknowledge", "high")
    reply = b.say("acknowledge", "high")
    assert not reply.ok
    assert reply.message == "heron.high is acknowledged: there is nothing to acknowledge"


def test_returned_waits_for_an_acknowledgement(standing: Callable[..., Bench]) -> None:
    """Over by itself it still waits for an acknowledgement; then it is normal."""
    b = standing()
    b.at(1, oxygen=1.0)
    assert b.told("high")[-1] == (1, "returned", "returned")
    b.say("acknowledge", "high")
    assert b.told("high")[-1] == (1, "acknowledged", "normal")


def test_returned_is_raised_again(standing: Callable[..., Bench]) -> None:
    """Raised again before anybody acknowledged."""
    b = standing()
    b.at(1, oxygen=1.0)
    b.at(2, oxygen=11.0)
    assert b.told("high")[-1] == (2, "raised", "unacknowledged")


def test_auto_acknowledge_clears_by_itself(standing: Callable[..., Bench]) -> None:
    """acknowledge: auto goes straight to normal."""
    b = standing(acknowledge="auto")
    b.at(1, oxygen=1.0)
    assert b.told("high")[-1] == (1, "cleared", "normal")


def test_latch_stays_until_reset(standing: Callable[..., Bench]) -> None:
    """Latched unacknowledged -> acknowledged -> reset; each step only in its turn."""
    b = standing()
    assert "still active" in b.say("reset", "latching").message
    b.at(1, moisture=1.0)
    assert b.told("latching")[-1] == (1, "returned", "latched-unacknowledged")
    assert not b.say("reset", "latching").ok
    b.say("acknowledge", "latching")
    assert b.say("reset", "latching").ok
    assert [s for _, _, s in b.told("latching")][-2:] == ["latched-acknowledged", "normal"]


def test_shelve_needs_a_reason_and_an_end(standing: Callable[..., Bench]) -> None:
    """No reason, no end, an end too far: each refused with the way out; the state stays."""
    b = standing()
    for more in ({"for_s": 60}, {"for_s": 60, "why": "  "}):
        assert "needs a reason" in b.say("shelve", "high", **more).message
    for for_s in (None, 0, -5, 24 * 3600 + 1):
        reply = b.say("shelve", "high", why="cell swap", for_s=for_s)
        assert "at most 24 h" in reply.message
    assert b.told("high")[-1][2] == "unacknowledged"


def test_critical_is_shelved_for_15_min_at_most(standing: Callable[..., Bench]) -> None:
    """A critical alarm cannot be shelved for a night."""
    b = standing(priority="critical")
    assert "at most 15 min" in b.say("shelve", "high", why="test", for_s=901).message
    assert b.say("shelve", "high", why="test", for_s=900).ok


def test_shelf_ends_by_itself(standing: Callable[..., Bench]) -> None:
    """At its end the alarm calls again if it is active; ``until`` was said and in the event."""
    b = standing()
    said = b.say("shelve", "high", why="cell swap", for_s=60).message
    assert said == "heron.high is shelved until 2026-03-02 02:15"
    shelved = b.events[-1]
    assert (shelved.until_ms, shelved.why) == (shelved.time_ms + 60_000, "cell swap")
    b.wait(59)
    assert b.told("high")[-1] == (0, "shelved", "shelved")
    b.wait(61)
    assert b.told("high")[-1] == (60, "unshelved", "unacknowledged")
    assert b.events[-1].why == "time is up"


def test_shelved_and_clear_ends_in_normal(standing: Callable[..., Bench]) -> None:
    """Under the overlay the condition is evaluated as before, without events."""
    b = standing()
    b.say("shelve", "high", why="cell swap", for_s=60)
    b.at(5, oxygen=1.0)
    assert b.told("high")[-1][1] == "shelved"
    b.say("unshelve", "high", by="iolo")
    assert b.told("high")[-1] == (5, "unshelved", "normal")
    assert b.events[-1].by == "iolo"


def test_normal_alarm_can_be_shelved_ahead(standing: Callable[..., Bench]) -> None:
    """Before planned work: no event while the shelf lasts."""
    b = standing()
    b.at(1, oxygen=1.0)
    b.say("acknowledge", "high")
    b.say("shelve", "high", why="calibration", for_s=60)
    b.at(2, oxygen=50.0)
    b.at(3, oxygen=1.0)
    b.wait(70)
    assert [t for _, t, _ in b.told("high")][-2:] == ["shelved", "unshelved"]
    assert b.told("high")[-1][2] == "normal"


@pytest.mark.parametrize("command", ["shelve", "out-of-service"])
def test_latch_survives_an_overlay(standing: Callable[..., Bench], command: str) -> None:
    """A latch set before or under an overlay is there when the overlay is gone."""
    b = standing()
    b.say(command, "latching", why="work", for_s=600)
    b.at(5, moisture=1.0)
    b.say("unshelve" if command == "shelve" else "return-to-service", "latching")
    assert b.told("latching")[-1][2] == "latched-unacknowledged"


def test_a_latch_is_kept_through_a_shelf_that_begins_after_the_condition(
    standing: Callable[..., Bench],
) -> None:
    """Over by itself and latched, then shelved: at the end of the shelf it is latched as before."""
    b = standing()
    b.at(1, moisture=1.0)
    b.say("shelve", "latching", why="work", for_s=600)
    b.say("unshelve", "latching")
    assert b.told("latching")[-1][2] == "latched-unacknowledged"


@pytest.mark.parametrize("command", ["shelve", "out-of-service"])
def test_an_overlay_latches_nothing_that_was_normal(
    standing: Callable[..., Bench], command: str
) -> None:
    """Neither a latch that was reset before, nor a rule that latches when it is active."""
    b = standing()
    b.at(1, moisture=1.0)
    b.say("acknowledge", "latching")
    b.say("reset", "latching")
    b.say(command, "latching", why="work", for_s=600)
    b.say("unshelve" if command == "shelve" else "return-to-service", "latching")
    assert b.told("latching")[-1][2] == "normal"


def test_latch_set_under_a_shelf_is_kept(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Active only under the shelf: at its end the alarm is latched."""
    b = bench(make_rule("latching", "moisture", HIGH, latch=True))
    b.at(0, moisture=1.0)
    b.say("shelve", "latching", why="work", for_s=60)
    b.at(5, moisture=50.0)
    b.at(6, moisture=1.0)
    b.wait(60)
    assert b.told("latching")[-1] == (60, "unshelved", "latched-unacknowledged")


def test_out_of_service_stands_above_shelved(standing: Callable[..., Bench]) -> None:
    """Shelf ends below it without a change of state; afterwards the shelf's own state counts."""
    b = standing()
    b.say("shelve", "high", why="cell swap", for_s=60)
    said = b.say("out-of-service", "high", by="iolo").message
    assert said == "heron.high is out-of-service"  # and not only until the end of the shelf
    b.wait(30)
    b.say("return-to-service", "high")
    assert b.told("high")[-1] == (30, "returned-to-service", "shelved")
    b.say("out-of-service", "high")
    b.wait(70)
    assert b.told("high")[-1] == (60, "unshelved", "out-of-service")
    b.say("return-to-service", "high")
    assert b.told("high")[-1] == (70, "returned-to-service", "unacknowledged")


def test_acknowledge_under_an_overlay_is_refused(standing: Callable[..., Bench]) -> None:
    """A hidden alarm cannot be acknowledged."""
    b = standing()
    b.say("shelve", "high", why="cell swap", for_s=60)
    assert b.say("acknowledge", "high").message.startswith("heron.high is shelved")
    assert not b.say("shelve", "high", why="again", for_s=60).ok


def test_every_refusal_names_the_alarm_its_state_and_the_reason(
    standing: Callable[..., Bench],
) -> None:
    """What cannot be done now is answered in a whole sentence."""
    b = standing()
    assert b.say("unshelve", "high").message == "heron.high is unacknowledged: it is not shelved"
    said = b.say("return-to-service", "high").message
    assert said == "heron.high is unacknowledged: it is in service"
    said = b.say("shelve", "high", for_s=60).message
    assert said == "shelving heron.high needs a reason"
    b.say("out-of-service", "high")
    assert b.say("out-of-service", "high").message == "heron.high is out-of-service: nothing to do"
    said = b.say("shelve", "high", why="cell swap", for_s=60).message
    assert said == "heron.high is out-of-service: it cannot be shelved now"
    b.at(1, moisture=1.0)
    said = b.say("reset", "latching").message
    assert said == (
        "heron.latching is latched-unacknowledged: only an acknowledged latch can be reset"
    )
    unknown = b.say("acknowledge", "plover.quite-another")
    assert (unknown.ok, unknown.message) == (False, "no alarm 'plover.quite-another'")


@pytest.mark.parametrize(("for_s", "lasts_ms"), [(0.5, 500), (0.0001, 1)])
def test_a_shelf_may_be_short_and_names_who_and_why(
    standing: Callable[..., Bench], for_s: float, lasts_ms: int
) -> None:
    """Less than a second too; what is less than a millisecond lasts one."""
    b = standing()
    b.say("shelve", "high", by="iolo", why="cell swap", for_s=for_s)
    shelved = b.events[-1]
    assert (shelved.by, shelved.why) == ("iolo", "cell swap")
    assert shelved.until_ms == shelved.time_ms + lasts_ms
    b.say("unshelve", "high")
    b.wait(60)
    assert [t for _, t, _ in b.told("high")][-2:] == ["shelved", "unshelved"]


def test_unknown_alarm_gets_near_names(standing: Callable[..., Bench]) -> None:
    """A misspelt name is answered with the names near it."""
    b = standing()
    reply = b.say("acknowledge", "heron.hihg")
    assert not reply.ok
    assert reply.message.startswith("no alarm 'heron.hihg'; near it: heron.high")
    assert b.say("acknowledge", None).message == "no alarm is named"
    assert b.say("silence", "high").message == "no command 'silence'"


def test_note_is_accepted_or_refused(standing: Callable[..., Bench]) -> None:
    """A note names a box and a kind that exist."""
    b = standing()
    assert b.say("note", box="heron", kind="gloves", why="left pair").ok
    assert "near it: heron" in b.say("note", box="herron", kind="gloves").message
    assert "one of gloves" in b.say("note", box="heron", kind="glove").message


def test_alarm_table_is_what_is_not_normal(standing: Callable[..., Bench]) -> None:
    """One event document per alarm that is not normal."""
    b = standing()
    assert [(r["alarm"], r["state"]) for r in b.watch.alarm_table()] == [
        ("heron.high", "unacknowledged"),
        ("heron.latching", "unacknowledged"),
    ]
    b.say("acknowledge", "high")
    b.at(1, oxygen=1.0)
    assert [r["alarm"] for r in b.watch.alarm_table()] == ["heron.latching"]
