"""Hours that begin and levels that end: what waited for the morning, and one rush as one page."""

from __future__ import annotations

from typing import Any

import pytest

from dewline.events import EventDocument, Transition
from dewline.followers.push.page_text import PageWriter
from dewline.hours import Span, zone_of
from dewline.watch_plan import Above, RulePlan
from tests.followers.conftest import Phone, Story

START_MS = 1_772_417_649_250  # 2026-03-02T02:14:09.250Z, a night in Lisbon
ZONE = zone_of("Europe/Lisbon")
DAY = (Span(7 * 60, 19 * 60),)
SEVEN_S = 4 * 3600 + 45 * 60 + 50.75  # from START_MS to 07:00
LOST_AND_BACK: tuple[tuple[float, Transition], ...] = ((0, "raised"), (2400, "returned"))


def test_what_still_stands_is_told_when_hours_begin(story: Story, phone_of: type[Phone]) -> None:
    """At 07:00, without a figure of five hours ago; its end is told like any other."""
    day = phone_of(hours=DAY)
    day.add(story.event())
    assert day.send(3) == START_MS + SEVEN_S * 1000
    assert day.outbox.cursor == 1
    day.send(SEVEN_S + 1)
    assert day.pages == []
    day.send(SEVEN_S + 3)
    assert day.texts() == [
        "STILL HERON moisture above 5 ppm since 02:14. "
        "Close both inner doors, look at the last transfer."
    ]
    day.add(story.event("returned", at_s=6 * 3600), 6 * 3600)
    day.send(6 * 3600 + 3)
    assert [page.tone for page in day.pages] == ["high", "over"]


@pytest.mark.parametrize("transition", ["acknowledged", "returned", "cleared", "shelved"])
def test_what_is_settled_before_hours_begin_wakes_nobody(
    story: Story, transition: Transition, phone_of: type[Phone]
) -> None:
    """Over, or in somebody's hands, by the morning: there is nothing to be told."""
    day = phone_of(hours=DAY)
    day.add(story.event())
    day.add(story.event(transition, at_s=3600), 3600)
    assert day.send(SEVEN_S + 3) is None
    assert day.pages == []


def test_a_night_of_several_is_one_page_in_the_morning(story: Story, phone_of: type[Phone]) -> None:
    """Ten alarms that waited: one page, worst first, with the list below it."""
    day = phone_of(hours=DAY, from_priority="medium")
    for number in range(10):
        place = "heron" if number % 2 else "egret"
        alarm, at_s = f"{place}.moisture-{number}", 60.0 * number
        day.add(story.event(alarm=alarm, at_s=at_s, priority="medium"), at_s)
    day.send(SEVEN_S)
    day.send(SEVEN_S + 3)
    (page,) = day.pages
    assert page.text.startswith("WAITING for you since 02:14: 10 medium alarms at 2 places.")
    assert page.text.endswith("Look at each in the list below, then acknowledge it.")
    assert len(page.rest.splitlines()) == 11


def test_levels_of_one_signal_that_waited_are_one_line(story: Story, phone_of: type[Phone]) -> None:
    """The gravest speaks for the others; after a restart none of them is told again."""
    events = [
        story.event("raised", "heron.oxygen-high", limit=10.0, priority="medium"),
        story.event("raised", "heron.oxygen-rush", 60, limit=150.0),
        story.event("raised", "heron.oxygen-very", 90, limit=100.0),
    ]
    first, second = (levels(phone_of, hours=DAY, from_priority="medium") for _ in range(2))
    for document in events:
        first.add(document)
    first.send(SEVEN_S)
    first.send(SEVEN_S + 3)
    assert [page.text[:43] for page in first.pages] == [
        "STILL HERON oxygen above 150 ppm since 02:1"
    ]
    assert first.outbox.deferred_cursor == 3
    second.outbox.recall(events, 3, 3)
    assert second.send(SEVEN_S + 60) is None
    for number, name in enumerate(("rush", "very", "high")):
        at_s = SEVEN_S + 120 + number
        second.add(story.event("returned", f"heron.oxygen-{name}", at_s), at_s)
    second.send(SEVEN_S + 200)
    assert [page.tone for page in second.pages] == ["over"]


def test_a_morning_page_is_not_repeated_by_a_restart(story: Story, phone_of: type[Phone]) -> None:
    """Told at seven, the daemon starts anew at eight: silence, and later the end."""
    raised = story.event()
    first = phone_of(hours=DAY)
    first.add(raised)
    first.send(SEVEN_S)
    first.send(SEVEN_S + 3)
    assert (len(first.pages), first.outbox.deferred_cursor) == (1, 1)
    second = phone_of(hours=DAY)
    second.outbox.recall([raised], first.outbox.cursor, first.outbox.deferred_cursor)
    assert second.send(SEVEN_S + 3600) is None
    second.add(story.event("returned", at_s=SEVEN_S + 4000), SEVEN_S + 4000)
    second.send(SEVEN_S + 4003)
    assert [page.tone for page in second.pages] == ["over"]


def test_a_morning_that_was_slept_through_is_made_good(story: Story, phone_of: type[Phone]) -> None:
    """The daemon was down at seven: who comes on duty then is told at the start."""
    raised = story.event()
    phone = phone_of(hours=DAY)
    phone.outbox.recall([raised], 1, 0)
    phone.send(SEVEN_S + 1800)
    phone.send(SEVEN_S + 1803)
    assert [page.tone for page in phone.pages] == ["high"]


def test_a_reminder_in_hours_takes_the_place_of_what_waited(
    story: Story, phone_of: type[Phone]
) -> None:
    """The night's lower priority is lifted at the moment hours begin: one page, not two."""
    day = phone_of(hours=DAY)
    day.add(story.event(priority="high"))
    day.send(SEVEN_S)
    day.add(story.event("reminded", at_s=SEVEN_S, why="waited for the morning"), SEVEN_S)
    day.send(SEVEN_S + 3)
    assert len(day.pages) == 1
    assert day.texts()[0].startswith("STILL HERON moisture 6.2 ppm, above 5 ppm since 02:14.")


def levels(phone_of: type[Phone], **more: Any) -> Phone:
    """A phone that knows three levels of oxygen: 150, 100 and 10 ppm."""
    limits = {"rush": 150.0, "very": 100.0, "high": 10.0}
    rules = {
        f"heron.oxygen-{name}": RulePlan(
            alarm=f"heron.oxygen-{name}", place="heron", rule=f"oxygen-{name}",
            signal="heron.oxygen", condition=Above(limit), unit="ppm",
        )
        for name, limit in limits.items()
    }  # fmt: skip
    return phone_of(writer=PageWriter("saltmarsh", ZONE, rules), **more)


def rush(story: Story) -> list[tuple[float, EventDocument]]:
    """(seconds, document) of a rush that goes up to 300 ppm and down again, unacknowledged."""
    names = {150.0: "heron.oxygen-rush", 100.0: "heron.oxygen-very", 10.0: "heron.oxygen-high"}

    def event(
        transition: Transition, at_s: float, limit: float, **more: Any
    ) -> tuple[float, EventDocument]:
        return at_s, story.event(transition, names[limit], at_s, limit=limit, **more)

    return [
        event("raised", 0, 150.0, value=306.0),
        event("suppressed", 30, 100.0, under="heron.oxygen-rush"),
        event("suppressed", 60, 10.0, under="heron.oxygen-very"),
        event("returned", 900, 150.0, value=60.0),
        event("unsuppressed", 960, 100.0, state="normal", value=60.0),
        event("unsuppressed", 962, 10.0, state="unacknowledged", value=60.0),
        event("returned", 1800, 10.0, value=7.0),
    ]


def test_one_rush_is_one_page_and_one_end(story: Story, phone_of: type[Phone]) -> None:
    """The milder levels speak no more on the way down; over is what is below the last of them."""
    phone = levels(phone_of)
    for at_s, document in rush(story):
        phone.add(document, at_s)
        phone.send(at_s + 3)
    assert [page.tone for page in phone.pages] == ["high", "over"]
    assert phone.texts()[1] == (
        "OVER at 02:44 after 30 min: HERON oxygen above 150 ppm, now 7 ppm. "
        "Nobody has acknowledged: do so once you know why."
    )


@pytest.mark.parametrize("seen", [True, False])
def test_an_end_that_comes_with_the_last_level_knows_who_has_seen_the_first(
    story: Story, seen: bool, phone_of: type[Phone]
) -> None:
    """The last level ends without a word to anybody; whether the first was seen still counts."""
    phone = levels(phone_of)
    for at_s, document in rush(story)[:4]:
        phone.add(document, at_s)
        phone.send(at_s + 3)
    if seen:
        phone.add(story.event("acknowledged", "heron.oxygen-rush", 905, state="normal"), 905)
    for name in ("very", "high"):
        over = story.event("unsuppressed", f"heron.oxygen-{name}", 910, state="normal")
        phone.add(over, 910)
    phone.send(913)
    assert [page.tone for page in phone.pages] == ["high", "over"]
    assert ("Nobody has acknowledged" in phone.texts()[1]) is not seen


@pytest.mark.parametrize("cut", range(1, 7))
def test_one_rush_stays_one_page_through_a_restart(
    story: Story, cut: int, phone_of: type[Phone]
) -> None:
    """Wherever the daemon starts anew on the way, nothing is told twice and the end is told."""
    events = rush(story)
    first, second = levels(phone_of), levels(phone_of)
    for at_s, document in events[:cut]:
        first.add(document, at_s)
        first.send(at_s + 3)
    second.outbox.recall([d for _, d in events[:cut]], first.outbox.cursor)
    for at_s, document in events[cut:]:
        second.add(document, at_s)
        second.send(at_s + 3)
    assert [page.tone for page in first.pages + second.pages] == ["high", "over"]


def test_a_rush_that_comes_again_is_told_again(story: Story, phone_of: type[Phone]) -> None:
    """A new raise of the graver level is news, though the milder one has stood all the time."""
    phone = levels(phone_of)
    for at_s, document in rush(story)[:6]:
        phone.add(document, at_s)
        phone.send(at_s + 3)
    phone.add(story.event("raised", "heron.oxygen-rush", 1000, limit=150.0, value=200.0), 1000)
    phone.send(1003)
    assert [page.tone for page in phone.pages] == ["high", "high"]


def test_a_rush_seen_before_it_was_sent_tells_no_end_later(
    story: Story, phone_of: type[Phone]
) -> None:
    """Never paged for, so nobody is told that it is over, at whatever level."""
    phone = levels(phone_of)
    events = rush(story)
    phone.add(events[0][1])
    phone.add(story.event("acknowledged", "heron.oxygen-rush", 1), 1)
    for at_s, document in events[1:]:
        phone.add(document, at_s)
        phone.send(at_s + 3)
    assert phone.pages == []


def test_advice_for_the_time_after_is_told_at_the_end(story: Story, phone_of: type[Phone]) -> None:
    """Power is back at 02:54: ``when_over`` says then what has to be restarted by hand."""
    step = "When power is back, restart circulator and analyzers by hand."
    phone = phone_of()
    for at_s, transition in LOST_AND_BACK:
        phone.add(story.event(transition, "heron.mains-lost", at_s, when_over=step), at_s)
        phone.send(at_s + 3)
    assert [page.tone for page in phone.pages] == ["high", "over"]
    assert phone.texts()[1].endswith(f". {step}")


def test_advice_is_not_told_at_the_end_whatever_it_says(
    story: Story, phone_of: type[Phone]
) -> None:
    """Advice is for the time of the alarm; only ``when_over`` is for the time after."""
    phone = phone_of()
    for at_s, transition in LOST_AND_BACK:
        advice = "When in doubt, go and look."
        phone.add(story.event(transition, "heron.mains-lost", at_s, advice=advice), at_s)
        phone.send(at_s + 3)
    assert "When in doubt" in phone.texts()[0]
    assert phone.texts()[1].endswith("Nobody has acknowledged: do so once you know why.")


def test_a_new_contact_is_told_what_stands(story: Story, phone_of: type[Phone]) -> None:
    """What was raised before they were in the config and still calls; not what is handled."""
    events = [
        story.event(alarm="heron.moisture-high"),
        story.event(alarm="egret.moisture-high"),
        story.event("acknowledged", "egret.moisture-high", 60),
    ]
    new, known = phone_of(), phone_of()
    new.outbox.recall(events, 3, None)
    known.outbox.recall(events, 3)
    for phone in (new, known):
        phone.send(7200)
        phone.send(7260)
    assert [page.text[:20] for page in new.pages] == ["STILL HERON moisture"]
    assert known.pages == []
    again = phone_of()
    again.outbox.recall(events, new.outbox.cursor, new.outbox.deferred_cursor)
    again.send(7300)
    assert again.pages == []
