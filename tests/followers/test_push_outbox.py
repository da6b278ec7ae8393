"""What one contact is told, and when: decided without any I/O."""

from __future__ import annotations

from pathlib import Path

import pytest

from dewline.config.plan import ContactPlan
from dewline.followers.lockscreen import Writer
from dewline.followers.outbox import DIGEST_EVERY_MS, GATHER_MS, Batch, Outbox
from dewline.followers.quota import ORDINARY, RESERVE, Quota
from dewline.watch.hours import zone_of
from dewline.watch.plan import Above, RulePlan

START_MS = 1_772_417_649_250  # 2026-03-02T02:14:09.250Z, a night in Lisbon
ZONE = zone_of("Europe/Lisbon")
WRITER = Writer("saltmarsh", ZONE, {})
HOUR_MS = 3_600_000
NIGHT, DAY = (19 * 60, 7 * 60), (7 * 60, 19 * 60)
SEVEN_S = 4 * 3600 + 45 * 60 + 50.75  # from START_MS to 07:00


class Phone:
    """An outbox and the pages that went out of it. Times are seconds after START_MS."""

    def __init__(self, quota=None, places=("heron", "egret", "daemon"), writer=WRITER, **contact):
        plan = ContactPlan(**{"name": "night-desk", "url_file": Path("x"), **contact})
        self.outbox = Outbox(plan, frozenset(places), ZONE, writer, quota)
        self.pages = []
        self.batches = []

    def hear(self, document, at_s=0.0):
        self.outbox.take(document, START_MS + round(at_s * 1000))

    def send(self, at_s):
        """Send all that is to be sent at that moment; what it then says of the time to come."""
        now_ms = START_MS + round(at_s * 1000)
        while isinstance(found := self.outbox.next(now_ms), Batch):
            self.pages.append(found.page)
            self.batches.append(found)
            self.outbox.settled(found, now_ms)
        return found

    def texts(self):
        return [page.text for page in self.pages]


def test_a_raise_is_told_once_and_its_end_once(story):
    """Raised, acknowledged, cleared: one page for the raise, one for the end, none between."""
    phone = Phone()
    phone.hear(story.tell("raised"))
    phone.send(3)
    phone.hear(story.tell("acknowledged", at_s=60), 60)
    phone.send(63)
    phone.hear(story.tell("cleared", at_s=120), 120)
    assert phone.send(123) is None
    assert [p.tone for p in phone.pages] == ["high", "over"]
    assert [p.id for p in phone.pages] == [f"{1:016x}", f"{3:016x}"]
    assert phone.outbox.cursor == 3


def test_a_return_that_nobody_acknowledged_is_told_once(story):
    """Raised, returned, acknowledged: the acknowledgement ends it without another page."""
    phone = Phone()
    for number, transition in enumerate(("raised", "returned")):
        phone.hear(story.tell(transition, at_s=60 * number), 60 * number)
        phone.send(60 * number + 3)
    phone.hear(story.tell("acknowledged", state="normal", at_s=200), 200)
    phone.send(203)
    assert [p.tone for p in phone.pages] == ["high", "over"]
    assert "acknowledged" in phone.texts()[1]


def test_what_was_acknowledged_before_it_went_out_wakes_nobody(story):
    """While the provider was away somebody took it in hand: neither raise nor end is paged."""
    phone = Phone()
    phone.hear(story.tell("raised"))
    phone.hear(story.tell("acknowledged", at_s=60), 60)
    phone.hear(story.tell("cleared", at_s=90), 90)
    assert phone.send(100) is None
    assert phone.pages == []
    assert phone.outbox.cursor == 3


def test_a_page_on_its_way_when_it_is_acknowledged_still_has_its_end_told(story):
    """The raise may have arrived, so the end is told; the raise is not repeated."""
    phone = Phone()
    phone.hear(story.tell("raised"))
    batch = phone.outbox.next(START_MS + 3000)
    phone.outbox.tried(batch)
    phone.hear(story.tell("acknowledged", at_s=4), 4)
    assert not phone.outbox.wants(batch)
    phone.hear(story.tell("cleared", at_s=60), 60)
    phone.send(63)
    assert [p.tone for p in phone.pages] == ["over"]


def test_a_raise_that_ended_before_it_went_out_is_one_page(story):
    """Both in one page, which settles both events."""
    phone = Phone()
    phone.hear(story.tell("raised"))
    phone.hear(story.tell("returned", at_s=30), 30)
    phone.send(40)
    assert [p.tone for p in phone.pages] == ["over"]
    assert phone.batches[0].notices[0].seqs == [1, 2]
    assert phone.outbox.cursor == 2


def test_only_those_concerned_are_paged(story):
    """A contact hears of its own places, from its own priority on."""
    phone = Phone(places=("heron",), from_priority="high")
    phone.hear(story.tell(alarm="egret.moisture-high"))
    phone.hear(story.tell(alarm="heron.moisture-raised", priority="medium"))
    phone.hear(story.tell(alarm="heron.oxygen-high", priority="critical"))
    phone.send(3)
    assert [p.id for p in phone.pages] == [f"{3:016x}"]
    assert phone.outbox.cursor == 3


def test_hours_are_judged_by_the_time_of_the_event(story):
    """At 02:14 the night desk is there and the day desk is not."""
    night, day = Phone(hours=NIGHT), Phone(hours=DAY)
    document = story.tell()
    for phone in (night, day):
        phone.hear(document)
        phone.send(3)
    assert (len(night.pages), len(day.pages)) == (1, 0)


def test_what_still_stands_is_told_when_hours_begin(story):
    """At 07:00, without a figure of five hours ago; its end is told like any other."""
    day = Phone(hours=DAY)
    day.hear(story.tell())
    assert day.send(3) == START_MS + SEVEN_S * 1000
    assert day.outbox.cursor == 1
    day.send(SEVEN_S + 1)
    assert day.pages == []
    day.send(SEVEN_S + 3)
    assert day.texts() == [
        "STILL HERON moisture above 5 ppm since 02:14. "
        "Close both inner doors, look at the last transfer."
    ]
    day.hear(story.tell("returned", at_s=6 * 3600), 6 * 3600)
    day.send(6 * 3600 + 3)
    assert [page.tone for page in day.pages] == ["high", "over"]


@pytest.mark.parametrize("transition", ["acknowledged", "returned", "cleared", "shelved"])
def test_what_is_settled_before_hours_begin_wakes_nobody(story, transition):
    """Over, or in somebody's hands, by the morning: there is nothing to be told."""
    day = Phone(hours=DAY)
    day.hear(story.tell())
    day.hear(story.tell(transition, at_s=3600), 3600)
    assert day.send(SEVEN_S + 3) is None
    assert day.pages == []


def test_a_night_of_several_is_one_page_in_the_morning(story):
    """Ten alarms that waited: one page, worst first, with the list below it."""
    day = Phone(hours=DAY, from_priority="medium")
    for number in range(10):
        place = "heron" if number % 2 else "egret"
        alarm, at_s = f"{place}.moisture-{number}", 60.0 * number
        day.hear(story.tell(alarm=alarm, at_s=at_s, priority="medium"), at_s)
    day.send(SEVEN_S)
    day.send(SEVEN_S + 3)
    (page,) = day.pages
    assert page.text.startswith("WAITING for you since 02:14: 10 medium alarms at 2 places.")
    assert page.text.endswith("Look at each in the list below, then acknowledge it.")
    assert len(page.rest.splitlines()) == 11


def test_levels_of_one_signal_that_waited_are_one_line(story):
    """The gravest speaks for the others; after a restart none of them is told again."""
    events = [
        story.tell("raised", "heron.oxygen-high", limit=10.0, priority="medium"),
        story.tell("raised", "heron.oxygen-rush", 60, limit=150.0),
        story.tell("raised", "heron.oxygen-very", 90, limit=100.0),
    ]
    first, second = (levels(hours=DAY, from_priority="medium") for _ in range(2))
    for document in events:
        first.hear(document)
    first.send(SEVEN_S)
    first.send(SEVEN_S + 3)
    assert [page.text[:43] for page in first.pages] == [
        "STILL HERON oxygen above 150 ppm since 02:1"
    ]
    assert first.outbox.woken == 3
    second.outbox.recall(events, 3, 3)
    assert second.send(SEVEN_S + 60) is None
    for number, name in enumerate(("rush", "very", "high")):
        at_s = SEVEN_S + 120 + number
        second.hear(story.tell("returned", f"heron.oxygen-{name}", at_s), at_s)
    second.send(SEVEN_S + 200)
    assert [page.tone for page in second.pages] == ["over"]


def test_a_morning_page_is_not_repeated_by_a_restart(story):
    """Told at seven, the daemon starts anew at eight: silence, and later the end."""
    raised = story.tell()
    first = Phone(hours=DAY)
    first.hear(raised)
    first.send(SEVEN_S)
    first.send(SEVEN_S + 3)
    assert (len(first.pages), first.outbox.woken) == (1, 1)
    second = Phone(hours=DAY)
    second.outbox.recall([raised], first.outbox.cursor, first.outbox.woken)
    assert second.send(SEVEN_S + 3600) is None
    second.hear(story.tell("returned", at_s=SEVEN_S + 4000), SEVEN_S + 4000)
    second.send(SEVEN_S + 4003)
    assert [page.tone for page in second.pages] == ["over"]


def test_a_morning_that_was_slept_through_is_made_good(story):
    """The daemon was down at seven: who comes on duty then is told at the start."""
    raised = story.tell()
    phone = Phone(hours=DAY)
    phone.outbox.recall([raised], 1, 0)
    phone.send(SEVEN_S + 1800)
    phone.send(SEVEN_S + 1803)
    assert [page.tone for page in phone.pages] == ["high"]


def test_a_reminder_in_hours_takes_the_place_of_what_waited(story):
    """The night's lower priority is lifted at the moment hours begin: one page, not two."""
    day = Phone(hours=DAY)
    day.hear(story.tell(priority="high"))
    day.send(SEVEN_S)
    day.hear(story.tell("reminded", at_s=SEVEN_S, why="waited for the morning"), SEVEN_S)
    day.send(SEVEN_S + 3)
    assert len(day.pages) == 1
    assert day.texts()[0].startswith("STILL HERON moisture 6.2 ppm, above 5 ppm since 02:14.")


def test_an_escalation_nobody_was_asked_before_says_so(story):
    """Who is called because nobody was on duty is not told that somebody did not answer."""
    head = Phone(name="lab-head", places=())
    why = "lab-head: nobody was there, day-desk is off duty"
    head.hear(story.tell("escalated", why=why))
    head.send(3)
    assert head.texts()[0].startswith("NOBODY ON DUTY: HERON moisture")


def levels(**more):
    """A phone that knows three levels of oxygen: 150, 100 and 10 ppm."""
    limits = {"rush": 150.0, "very": 100.0, "high": 10.0}
    rules = {
        f"heron.oxygen-{name}": RulePlan(
            alarm=f"heron.oxygen-{name}", place="heron", rule=f"oxygen-{name}",
            signal="heron.oxygen", condition=Above(limit), unit="ppm",
        )
        for name, limit in limits.items()
    }  # fmt: skip
    return Phone(writer=Writer("saltmarsh", ZONE, rules), **more)


def rush(story):
    """(seconds, document) of a rush that goes up to 300 ppm and down again, unacknowledged."""
    names = {150.0: "heron.oxygen-rush", 100.0: "heron.oxygen-very", 10.0: "heron.oxygen-high"}

    def tell(transition, at_s, limit, **more):
        return at_s, story.tell(transition, names[limit], at_s, limit=limit, **more)

    return [
        tell("raised", 0, 150.0, value=306.0),
        tell("suppressed", 30, 100.0, under="heron.oxygen-rush"),
        tell("suppressed", 60, 10.0, under="heron.oxygen-very"),
        tell("returned", 900, 150.0, value=60.0),
        tell("unsuppressed", 960, 100.0, state="normal", value=60.0),
        tell("unsuppressed", 962, 10.0, state="unacknowledged", value=60.0),
        tell("returned", 1800, 10.0, value=7.0),
    ]


def test_one_rush_is_one_page_and_one_end(story):
    """The milder levels speak no more on the way down; over is what is below the last of them."""
    phone = levels()
    for at_s, document in rush(story):
        phone.hear(document, at_s)
        phone.send(at_s + 3)
    assert [page.tone for page in phone.pages] == ["high", "over"]
    assert phone.texts()[1] == (
        "OVER at 02:44 after 30 min: HERON oxygen above 150 ppm, now 7 ppm. "
        "Nobody has acknowledged: do so once you know why."
    )


@pytest.mark.parametrize("seen", [True, False])
def test_an_end_that_comes_with_the_last_level_knows_who_has_seen_the_first(story, seen):
    """The last level ends without a word to anybody; whether the first was seen still counts."""
    phone = levels()
    for at_s, document in rush(story)[:4]:
        phone.hear(document, at_s)
        phone.send(at_s + 3)
    if seen:
        phone.hear(story.tell("acknowledged", "heron.oxygen-rush", 905, state="normal"), 905)
    for name in ("very", "high"):
        over = story.tell("unsuppressed", f"heron.oxygen-{name}", 910, state="normal")
        phone.hear(over, 910)
    phone.send(913)
    assert [page.tone for page in phone.pages] == ["high", "over"]
    assert ("Nobody has acknowledged" in phone.texts()[1]) is not seen


@pytest.mark.parametrize("cut", range(1, 7))
def test_one_rush_stays_one_page_through_a_restart(story, cut):
    """Wherever the daemon starts anew on the way, nothing is told twice and the end is told."""
    events = rush(story)
    first, second = levels(), levels()
    for at_s, document in events[:cut]:
        first.hear(document, at_s)
        first.send(at_s + 3)
    second.outbox.recall([d for _, d in events[:cut]], first.outbox.cursor)
    for at_s, document in events[cut:]:
        second.hear(document, at_s)
        second.send(at_s + 3)
    assert [page.tone for page in first.pages + second.pages] == ["high", "over"]


def test_a_rush_that_comes_again_is_told_again(story):
    """A new raise of the graver level is news, though the milder one has stood all the time."""
    phone = levels()
    for at_s, document in rush(story)[:6]:
        phone.hear(document, at_s)
        phone.send(at_s + 3)
    phone.hear(story.tell("raised", "heron.oxygen-rush", 1000, limit=150.0, value=200.0), 1000)
    phone.send(1003)
    assert [page.tone for page in phone.pages] == ["high", "high"]


def test_a_rush_seen_before_it_was_sent_tells_no_end_later(story):
    """Never paged for, so nobody is told that it is over, at whatever level."""
    phone = levels()
    events = rush(story)
    phone.hear(events[0][1])
    phone.hear(story.tell("acknowledged", "heron.oxygen-rush", 1), 1)
    for at_s, document in events[1:]:
        phone.hear(document, at_s)
        phone.send(at_s + 3)
    assert phone.pages == []


def test_an_escalation_reaches_the_contact_it_names_whatever_the_priority(story):
    """``then`` hears of an alarm below its own priority, and of its end."""
    head = Phone(name="lab-head", places=(), from_priority="critical")
    desk = Phone()
    raised = story.tell()
    escalated = story.tell(
        "escalated", at_s=900, why="lab-head: night-desk did not acknowledge within 15 min"
    )
    ended = story.tell("returned", at_s=1000)
    for phone in (head, desk):
        for at_s, document in ((0, raised), (900, escalated), (1000, ended)):
            phone.hear(document, at_s)
            phone.send(at_s + 3)
    assert [p.tone for p in head.pages] == ["high", "over"]
    assert head.texts()[0].startswith("NO ANSWER YET: HERON moisture")
    assert [p.tone for p in desk.pages] == ["high", "over"]


def test_a_latched_alarm_that_insists_tells_its_end_only_once(story):
    """Returned into the latch, reminded, acknowledged, reset: its end was told already."""
    phone = Phone()
    for transition, state in (
        ("raised", "unacknowledged"),
        ("returned", "latched-unacknowledged"),
        ("reminded", "latched-unacknowledged"),
        ("acknowledged", "latched-acknowledged"),
        ("reset", "normal"),
    ):
        at_s = 100.0 * story.seq
        phone.hear(story.tell(transition, state=state, at_s=at_s), at_s)
        phone.send(at_s + 3)
    assert [p.tone for p in phone.pages] == ["high", "over", "high"]
    assert "LATCHED" in phone.texts()[1]
    assert phone.texts()[2].startswith("STILL")


def test_a_chattering_alarm_is_told_as_such_and_rests_an_hour(story):
    """After the notice neither raise nor return is paged for an hour."""
    phone = Phone()
    for _ in range(3):
        for transition in ("raised", "returned"):
            at_s = 10.0 * story.seq
            phone.hear(story.tell(transition, at_s=at_s), at_s)
            phone.send(at_s + 3)
    before = len(phone.pages)
    phone.hear(story.tell("chattering", at_s=60, why="6 raises and returns or more"), 60)
    phone.send(63)
    assert "flaps" in phone.texts()[-1]
    for transition, at_s in (("raised", 70), ("returned", 80), ("raised", 90), ("returned", 3000)):
        phone.hear(story.tell(transition, at_s=at_s), at_s)
        phone.send(at_s + 3)
    assert len(phone.pages) == before + 1
    phone.hear(story.tell("raised", at_s=3700), 3700)
    phone.send(3703)
    assert len(phone.pages) == before + 2


def test_a_storm_is_critical_pages_first_and_one_digest(story):
    """500 at once: each critical one by itself and first, all the rest in one page."""
    phone = Phone()
    for number in range(500):
        critical = number % 100 == 50
        box = "heron" if number % 2 else "egret"
        phone.hear(
            story.tell(alarm=f"{box}.rule-{number}", priority="critical" if critical else "high")
        )
    phone.send(3)
    assert [p.tone for p in phone.pages] == ["critical"] * 5 + ["high"]
    assert "FLOOD" in phone.texts()[-1]
    assert "495 high alarms at 2 places" in phone.texts()[-1]
    assert len(phone.batches[-1].notices) == 495
    assert phone.outbox.cursor == 500


def test_a_flood_that_trickles_is_ten_pages_and_then_digests(story):
    """One alarm every ten seconds for an hour: ten pages, then at most one in two minutes."""
    phone = Phone(Quota(1000, 0))
    for number in range(360):
        phone.hear(story.tell(alarm=f"heron.rule-{number}", at_s=10 * number), 10 * number)
        phone.send(10 * number + 3)
    told = sum(len(batch.notices) for batch in phone.batches)
    assert [len(batch.notices) for batch in phone.batches[:10]] == [1] * 10
    assert len(phone.pages) <= 10 + HOUR_MS // DIGEST_EVERY_MS + 1
    assert told >= 360 - DIGEST_EVERY_MS // 10_000


def test_what_came_and_went_long_ago_is_one_digest(story):
    """Sent more than 15 min late: what is over goes into one page, what stands has its own."""
    phone = Phone()
    for number in range(4):
        phone.hear(story.tell(alarm=f"heron.rule-{number}", at_s=number), number)
    for number in range(3):
        at_s = 100 + number
        phone.hear(story.tell("returned", alarm=f"heron.rule-{number}", at_s=at_s), at_s)
    phone.send(2 * 3600)
    assert [p.tone for p in phone.pages] == ["over", "high"]
    assert "CAME AND WENT" in phone.texts()[0]
    assert "3 alarms" in phone.texts()[0]
    assert "told late" in phone.texts()[1]


def test_the_quota_keeps_a_reserve_for_what_is_critical(story):
    """Ordinary pages stop at their share; a critical one still goes; the rest becomes a digest."""
    phone = Phone(Quota(3, 2), from_priority="low")
    for number in range(5):
        at_s = 700 * number  # slow enough to be no flood
        phone.hear(story.tell(alarm=f"heron.rule-{number}", at_s=at_s), at_s)
    phone.hear(story.tell(alarm="egret.fire-1", priority="critical", at_s=5000), 5000)
    phone.outbox._quota = quota = Quota(3, 2)
    for _ in range(3):
        quota.take(START_MS + 5_000_000, critical=False)
    wait_ms = phone.send(5000)
    assert [p.tone for p in phone.pages] == ["critical"]
    assert wait_ms - (START_MS + 5_000_000) == pytest.approx(HOUR_MS / 3, rel=0.01)
    phone.send(5000 + 1300)
    assert len(phone.batches) == 2
    assert len(phone.batches[1].notices) > 1


def test_the_usual_quota_lets_a_night_through(story):
    """Of 100 critical alarms at once all are told in 31 pages, the last a digest."""
    phone = Phone()
    for number in range(100):
        phone.hear(story.tell(alarm=f"heron.rule-{number}", priority="critical"))
    phone.send(0)
    assert len(phone.pages) == ORDINARY + RESERVE
    phone.send(HOUR_MS / 1000 / RESERVE)
    assert len(phone.pages) == ORDINARY + RESERVE + 1
    assert phone.outbox.waiting == 0


def test_an_ordinary_page_waits_for_what_belongs_to_it_a_critical_one_does_not(story):
    """Two seconds for an ordinary one; none for a critical one."""
    phone = Phone()
    phone.hear(story.tell())
    assert phone.send(0) == START_MS + GATHER_MS
    phone.hear(story.tell(alarm="heron.oxygen-into-bed", priority="critical"))
    phone.send(0)
    assert [p.tone for p in phone.pages] == ["critical"]


def test_after_a_restart_only_what_is_new_is_told(story):
    """Recalled raises are not repeated; the return that came meanwhile is told once."""
    settled = [story.tell(alarm=f"heron.rule-{n}") for n in range(30)]
    phone = Phone()
    phone.outbox.recall(settled, 30)
    phone.hear(settled[-1])
    phone.hear(story.tell("returned", alarm="heron.rule-7", at_s=600), 600)
    phone.send(603)
    assert [p.tone for p in phone.pages] == ["over"]
    assert phone.outbox.cursor == 31


def test_what_the_disk_refused_is_told_at_once_and_not_again(story):
    """An event told before it was in the record is not told again when it is."""
    phone = Phone()
    document = story.tell()
    phone.outbox.take(document, START_MS, recorded=False)
    phone.send(3)
    assert phone.outbox.cursor == 0
    phone.hear(document, 60)
    phone.send(63)
    assert len(phone.pages) == 1
    assert phone.outbox.cursor == 1


def test_the_cursor_stays_before_what_is_not_yet_told(story):
    """A critical page may overtake; the cursor does not."""
    phone = Phone()
    phone.hear(story.tell())
    phone.hear(story.tell(alarm="heron.oxygen-into-bed", priority="critical"))
    phone.send(0)
    assert phone.outbox.cursor == 0
    phone.send(3)
    assert phone.outbox.cursor == 2
