"""What one contact is told, and when: decided without any I/O."""

from __future__ import annotations

import pytest

from dewline.events import State, Transition
from dewline.followers.push.page import Batch
from dewline.followers.push.page_schedule import (
    DIGEST_EVERY_MS,
    GATHER_MS,
    ORDINARY,
    RESERVE,
    Quota,
)
from dewline.followers.push.page_text import PageWriter
from dewline.hours import Span, zone_of
from tests.followers.conftest import Phone, Story

START_MS = 1_772_417_649_250  # 2026-03-02T02:14:09.250Z, a night in Lisbon
ZONE = zone_of("Europe/Lisbon")
WRITER = PageWriter("saltmarsh", ZONE, {})
HOUR_MS = 3_600_000
NIGHT, DAY = (Span(19 * 60, 7 * 60),), (Span(7 * 60, 19 * 60),)
SEVEN_S = 4 * 3600 + 45 * 60 + 50.75  # from START_MS to 07:00


def test_a_raise_is_told_once_and_its_end_once(story: Story, phone_of: type[Phone]) -> None:
    """Raised, acknowledged, cleared: one page for the raise, one for the end, none between."""
    phone = phone_of()
    phone.add(story.event("raised"))
    phone.send(3)
    phone.add(story.event("acknowledged", at_s=60), 60)
    phone.send(63)
    phone.add(story.event("cleared", at_s=120), 120)
    assert phone.send(123) is None
    assert [p.tone for p in phone.pages] == ["high", "over"]
    assert [p.id for p in phone.pages] == [f"{1:016x}", f"{3:016x}"]
    assert phone.outbox.cursor == 3


def test_a_return_that_nobody_acknowledged_is_told_once(
    story: Story, phone_of: type[Phone]
) -> None:
    """Raised, returned, acknowledged: the acknowledgement ends it without another page."""
    phone = phone_of()
    phone.add(story.event("raised"))
    phone.send(3)
    phone.add(story.event("returned", at_s=60), 60)
    phone.send(63)
    phone.add(story.event("acknowledged", state="normal", at_s=200), 200)
    phone.send(203)
    assert [p.tone for p in phone.pages] == ["high", "over"]
    assert "acknowledged" in phone.texts()[1]


def test_what_was_acknowledged_before_it_went_out_wakes_nobody(
    story: Story, phone_of: type[Phone]
) -> None:
    """While the provider was away somebody took it in hand: neither raise nor end is paged."""
    phone = phone_of()
    phone.add(story.event("raised"))
    phone.add(story.event("acknowledged", at_s=60), 60)
    phone.add(story.event("cleared", at_s=90), 90)
    assert phone.send(100) is None
    assert phone.pages == []
    assert phone.outbox.cursor == 3


def test_a_page_on_its_way_when_it_is_acknowledged_still_has_its_end_told(
    story: Story, phone_of: type[Phone]
) -> None:
    """The raise may have arrived, so the end is told; the raise is not repeated."""
    phone = phone_of()
    phone.add(story.event("raised"))
    batch = phone.outbox.next(START_MS + 3000)
    assert isinstance(batch, Batch)
    phone.outbox.tried(batch)
    phone.add(story.event("acknowledged", at_s=4), 4)
    assert not phone.outbox.wants(batch)
    phone.add(story.event("cleared", at_s=60), 60)
    phone.send(63)
    assert [p.tone for p in phone.pages] == ["over"]


def test_a_raise_that_ended_before_it_went_out_is_one_page(
    story: Story, phone_of: type[Phone]
) -> None:
    """Both in one page, which settles both events."""
    phone = phone_of()
    phone.add(story.event("raised"))
    phone.add(story.event("returned", at_s=30), 30)
    phone.send(40)
    assert [p.tone for p in phone.pages] == ["over"]
    assert phone.batches[0].notices[0].seqs == [1, 2]
    assert phone.outbox.cursor == 2


def test_only_those_concerned_are_paged(story: Story, phone_of: type[Phone]) -> None:
    """A contact hears of its own places, from its own priority on."""
    phone = phone_of(places=("heron",), from_priority="high")
    phone.add(story.event(alarm="egret.moisture-high"))
    phone.add(story.event(alarm="heron.moisture-raised", priority="medium"))
    phone.add(story.event(alarm="heron.oxygen-high", priority="critical"))
    phone.send(3)
    assert [p.id for p in phone.pages] == [f"{3:016x}"]
    assert phone.outbox.cursor == 3


def test_hours_are_judged_by_the_time_of_the_event(story: Story, phone_of: type[Phone]) -> None:
    """At 02:14 the night desk is there and the day desk is not."""
    night, day = phone_of(hours=NIGHT), phone_of(hours=DAY)
    document = story.event()
    for phone in (night, day):
        phone.add(document)
        phone.send(3)
    assert (len(night.pages), len(day.pages)) == (1, 0)


def test_an_escalation_nobody_was_asked_before_says_so(story: Story, phone_of: type[Phone]) -> None:
    """Who is called because nobody was on duty is not told that somebody did not answer."""
    head = phone_of(name="lab-head", places=())
    why = "nobody was there, day-desk is off duty"
    head.add(story.event("escalated", to="lab-head", off_duty=True, why=why))
    head.send(3)
    assert head.texts()[0].startswith("NOBODY ON DUTY: HERON moisture")


def test_no_text_says_to_whom_an_escalation_goes(story: Story, phone_of: type[Phone]) -> None:
    """Only ``to`` and ``off_duty`` do: a reason may name anybody and say anything."""
    head = phone_of(name="lab-head", places=())
    why = "lab-head: nobody was there, day-desk is off duty"
    head.add(story.event("escalated", to="director", why=why))
    head.add(story.event("escalated", to=None, why=why))
    assert head.send(3) is None
    assert head.pages == []
    head.add(story.event("escalated", to="lab-head", why=why))
    head.send(3)
    assert head.texts()[0].startswith("NO ANSWER YET: HERON moisture")


def test_an_escalation_reaches_the_contact_it_names_whatever_the_priority(
    story: Story, phone_of: type[Phone]
) -> None:
    """``then`` hears of an alarm below its own priority, and of its end."""
    head = phone_of(name="lab-head", places=(), from_priority="critical")
    desk = phone_of()
    raised = story.event()
    escalated = story.event(
        "escalated", at_s=900, to="lab-head", why="night-desk did not acknowledge within 15 min"
    )
    ended = story.event("returned", at_s=1000)
    for phone in (head, desk):
        for at_s, document in ((0, raised), (900, escalated), (1000, ended)):
            phone.add(document, at_s)
            phone.send(at_s + 3)
    assert [p.tone for p in head.pages] == ["high", "over"]
    assert head.texts()[0].startswith("NO ANSWER YET: HERON moisture")
    assert [p.tone for p in desk.pages] == ["high", "over"]


def test_a_latched_alarm_that_insists_tells_its_end_only_once(
    story: Story, phone_of: type[Phone]
) -> None:
    """Returned into the latch, reminded, acknowledged, reset: its end was told already."""
    phone = phone_of()
    steps: tuple[tuple[Transition, State], ...] = (
        ("raised", "unacknowledged"),
        ("returned", "latched-unacknowledged"),
        ("reminded", "latched-unacknowledged"),
        ("acknowledged", "latched-acknowledged"),
        ("reset", "normal"),
    )
    for transition, state in steps:
        at_s = 100.0 * story.seq
        phone.add(story.event(transition, state=state, at_s=at_s), at_s)
        phone.send(at_s + 3)
    assert [p.tone for p in phone.pages] == ["high", "over", "high"]
    assert "LATCHED" in phone.texts()[1]
    assert phone.texts()[2].startswith("STILL")


def test_a_chattering_alarm_is_told_as_such_and_rests_an_hour(
    story: Story, phone_of: type[Phone]
) -> None:
    """After the notice neither raise nor return is paged for an hour."""
    phone = phone_of()
    for _ in range(3):
        for transition in ("raised", "returned"):
            at_s = 10.0 * story.seq
            phone.add(story.event(transition, at_s=at_s), at_s)
            phone.send(at_s + 3)
    before = len(phone.pages)
    phone.add(story.event("chattering", at_s=60, why="6 raises and returns or more"), 60)
    phone.send(63)
    assert "comes and goes" in phone.texts()[-1]
    later: tuple[tuple[Transition, float], ...] = (
        ("raised", 70),
        ("returned", 80),
        ("raised", 90),
        ("returned", 3000),
    )
    for transition, at_s in later:
        phone.add(story.event(transition, at_s=at_s), at_s)
        phone.send(at_s + 3)
    assert len(phone.pages) == before + 1
    phone.add(story.event("raised", at_s=3700), 3700)
    phone.send(3703)
    assert len(phone.pages) == before + 2


def test_a_storm_is_critical_pages_first_and_one_digest(
    story: Story, phone_of: type[Phone]
) -> None:
    """500 at once: each critical one by itself and first, all the rest in one page."""
    phone = phone_of()
    for number in range(500):
        critical = number % 100 == 50
        box = "heron" if number % 2 else "egret"
        phone.add(
            story.event(alarm=f"{box}.rule-{number}", priority="critical" if critical else "high")
        )
    phone.send(3)
    assert [p.tone for p in phone.pages] == ["critical"] * 5 + ["high"]
    assert "FLOOD" in phone.texts()[-1]
    assert "495 high alarms at 2 places" in phone.texts()[-1]
    assert len(phone.batches[-1].notices) == 495
    assert phone.outbox.cursor == 500


def test_a_flood_that_trickles_is_ten_pages_and_then_digests(
    story: Story, phone_of: type[Phone]
) -> None:
    """One alarm every ten seconds for an hour: ten pages, then at most one in two minutes."""
    phone = phone_of(Quota(1000, 1))
    for number in range(360):
        phone.add(story.event(alarm=f"heron.rule-{number}", at_s=10 * number), 10 * number)
        phone.send(10 * number + 3)
    told = sum(len(batch.notices) for batch in phone.batches)
    assert [len(batch.notices) for batch in phone.batches[:10]] == [1] * 10
    assert len(phone.pages) <= 10 + HOUR_MS // DIGEST_EVERY_MS + 1
    assert told >= 360 - DIGEST_EVERY_MS // 10_000


def test_what_came_and_went_long_ago_is_one_digest(story: Story, phone_of: type[Phone]) -> None:
    """Sent more than 15 min late: what is over goes into one page, what stands has its own."""
    phone = phone_of()
    for number in range(4):
        phone.add(story.event(alarm=f"heron.rule-{number}", at_s=number), number)
    for number in range(3):
        at_s = 100 + number
        phone.add(story.event("returned", alarm=f"heron.rule-{number}", at_s=at_s), at_s)
    phone.send(2 * 3600)
    assert [p.tone for p in phone.pages] == ["over", "high"]
    assert "CAME AND WENT" in phone.texts()[0]
    assert "3 alarms" in phone.texts()[0]
    assert "told late" in phone.texts()[1]


def test_the_quota_keeps_a_reserve_for_what_is_critical(
    story: Story, phone_of: type[Phone]
) -> None:
    """Ordinary pages stop at their share; a critical one still goes; the rest becomes a digest."""
    quota = Quota(3, 2)
    phone = phone_of(quota, from_priority="low")
    for number in range(5):
        at_s = 700 * number  # slow enough to be no flood
        phone.add(story.event(alarm=f"heron.rule-{number}", at_s=at_s), at_s)
    phone.add(story.event(alarm="egret.fire-1", priority="critical", at_s=5000), 5000)
    for _ in range(3):
        quota.spend(START_MS + 5_000_000, critical=False)
    wait_ms = phone.send(5000)
    assert [p.tone for p in phone.pages] == ["critical"]
    assert wait_ms is not None
    assert wait_ms - (START_MS + 5_000_000) == pytest.approx(HOUR_MS / 3, rel=0.01)
    phone.send(5000 + 1300)
    assert len(phone.batches) == 2
    assert len(phone.batches[1].notices) > 1


def test_the_usual_quota_lets_a_night_through(story: Story, phone_of: type[Phone]) -> None:
    """Of 100 critical alarms at once all are told in 31 pages, the last a digest."""
    phone = phone_of()
    for number in range(100):
        phone.add(story.event(alarm=f"heron.rule-{number}", priority="critical"))
    phone.send(0)
    assert len(phone.pages) == ORDINARY + RESERVE
    phone.send(HOUR_MS / 1000 / RESERVE)
    assert len(phone.pages) == ORDINARY + RESERVE + 1
    assert phone.outbox.waiting == 0


def test_an_ordinary_page_waits_for_what_belongs_to_it_a_critical_one_does_not(
    story: Story, phone_of: type[Phone]
) -> None:
    """Two seconds for an ordinary one; none for a critical one."""
    phone = phone_of()
    phone.add(story.event())
    assert phone.send(0) == START_MS + GATHER_MS
    phone.add(story.event(alarm="heron.oxygen-into-bed", priority="critical"))
    phone.send(0)
    assert [p.tone for p in phone.pages] == ["critical"]


def test_after_a_restart_only_what_is_new_is_told(story: Story, phone_of: type[Phone]) -> None:
    """Recalled raises are not repeated; the return that came meanwhile is told once."""
    settled = [story.event(alarm=f"heron.rule-{n}") for n in range(30)]
    phone = phone_of()
    phone.outbox.recall(settled, 30)
    phone.add(settled[-1])
    phone.add(story.event("returned", alarm="heron.rule-7", at_s=600), 600)
    phone.send(603)
    assert [p.tone for p in phone.pages] == ["over"]
    assert phone.outbox.cursor == 31


def test_what_the_disk_refused_is_told_at_once_and_not_again(
    story: Story, phone_of: type[Phone]
) -> None:
    """An event told before it was in the record is not told again when it is."""
    phone = phone_of()
    document = story.event()
    phone.outbox.add(document, START_MS, recorded=False)
    phone.send(3)
    assert phone.outbox.cursor == 0
    phone.add(document, 60)
    phone.send(63)
    assert len(phone.pages) == 1
    assert phone.outbox.cursor == 1


def test_the_cursor_stays_before_what_is_not_yet_told(story: Story, phone_of: type[Phone]) -> None:
    """A critical page may overtake; the cursor does not."""
    phone = phone_of()
    phone.add(story.event())
    phone.add(story.event(alarm="heron.oxygen-into-bed", priority="critical"))
    phone.send(0)
    assert phone.outbox.cursor == 0
    phone.send(3)
    assert phone.outbox.cursor == 2
