"""The push follower on a real record, sending through Apprise to a real HTTP server."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from dewline.clock import RealClock
from dewline.config.plan import ContactPlan, JournalPlan, Plan
from dewline.events import Entry, Event, Outcome, State, Transition
from dewline.followers.push import follower as push
from dewline.followers.push import page_schedule
from dewline.followers.push.follower import PushFollower
from dewline.hours import Span
from dewline.journal import Journal, Reader
from dewline.watch_plan import WatchPlan
from tests.conftest import Answer, Sink
from tests.patience import PATIENCE_S

PLACES = ("heron", "egret", "daemon")

Happening = tuple[Transition, str, dict[str, Any]]
"""Transition, alarm, fields."""


class Desk:
    """A record with alarms happening in it, and a push follower on it that can be stopped."""

    def __init__(self, folder: Path, journal: Journal) -> None:
        self.folder = folder
        self.journal = journal
        self.contacts: dict[str, ContactPlan] = {}
        self.seq = 0
        self.follower: PushFollower | None = None
        self._task: asyncio.Task[None] | None = None

    def contact(self, name: str, sink: Sink, **more: Any) -> None:
        """A contact reached through ``sink``; quick to find it silent."""
        file = self.folder / f"{name}.url"
        file.write_text(f"json://127.0.0.1:{sink.port}/{name}?rto=0.6&cto=0.6")
        self.contacts[name] = ContactPlan(name=name, url_file=file, **more)

    def plan(self) -> Plan:
        first = tuple(n for n, c in self.contacts.items() if n != "lab-head")
        return Plan(
            path=self.folder / "dewline.yaml",
            site="saltmarsh",
            watch=WatchPlan(site="saltmarsh", timezone="Europe/Lisbon"),
            hash="0" * 16,
            journal=JournalPlan(path=self.journal.path),
            contacts=self.contacts,
            box_contacts=dict.fromkeys(PLACES, first),
        )

    def start(self, clock: RealClock | None = None) -> None:
        self.follower = PushFollower(self.plan(), clock or RealClock(), self.journal)
        self._task = asyncio.create_task(self.follower.run())

    @property
    def running(self) -> PushFollower:
        """The follower, which has been started."""
        assert self.follower is not None
        return self.follower

    async def stop(self) -> None:
        """A clean stop."""
        assert self._task is not None
        self.running.stop()
        await self._task
        await self.journal.flush()
        self.follower = None

    async def kill(self) -> None:
        """The task ends where it stands; what was put in the record is there."""
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task
        await self.journal.flush()
        self.follower = None

    async def happen(self, *events: Happening, ago_s: float = 0.0) -> None:
        """(transition, alarm, fields) each; committed together."""
        entries = [Entry(self.seq + 1, None, Outcome(events=self._events(events, ago_s)))]
        for entry in entries:
            self.journal.append(entry)
        await self.journal.flush()
        if self.follower is not None:
            self.follower.committed(entries)

    def _events(self, events: Iterable[Happening], ago_s: float) -> tuple[Event, ...]:
        made = []
        states: dict[Transition, State] = {
            "raised": "unacknowledged",
            "acknowledged": "acknowledged",
            "cleared": "normal",
        }
        for transition, alarm, fields in events:
            self.seq += 1
            time_ms = round((time.time() - ago_s) * 1000)
            usual = {"state": states.get(transition, transition), "priority": "high"}
            made.append(
                Event(
                    id=f"{self.seq:016x}",
                    seq=self.seq,
                    time_ms=time_ms,
                    at_ms=time_ms,
                    site="saltmarsh",
                    box=alarm.partition(".")[0],
                    alarm=alarm,
                    transition=transition,
                    signal=f"{alarm.partition('.')[0]}.moisture",
                    value=6.2,
                    unit="ppm",
                    quality="good",
                    limit=5.0,
                    limit_unit="ppm",
                    since_ms=time_ms,
                    **{**usual, **fields},
                )
            )
        return tuple(made)

    async def told_up_to(self, name: str, seq: int, within_s: float = PATIENCE_S) -> None:
        """Wait until a contact's cursor is there."""
        deadline = time.monotonic() + within_s
        while True:
            await self.journal.flush()
            with Reader(self.journal.path) as reader:
                if reader.follower(f"push.{name}")[1] >= seq:
                    return
            assert time.monotonic() < deadline, f"{name} never got to {seq}"
            await asyncio.sleep(0.02)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries come in tenths of seconds; the law is the same."""
    monkeypatch.setattr(push, "FIRST_RETRY_S", 0.05)
    monkeypatch.setattr(push, "LAST_RETRY_S", 0.2)
    monkeypatch.setattr(push, "BARRED_RETRY_S", 0.2)
    monkeypatch.setattr(page_schedule, "GATHER_MS", 200)


@pytest.fixture
async def desk(tmp_path: Path) -> AsyncIterator[Desk]:
    """A desk on an empty record."""
    journal = Journal.open(tmp_path / "marsh.db", "saltmarsh", 200, reserve_bytes=0)
    made = Desk(tmp_path, journal)
    yield made
    await made.kill()
    journal.close()


def raised(alarm: str = "heron.moisture-high", **fields: Any) -> Happening:
    return ("raised", alarm, fields)


def cleared(alarm: str = "heron.moisture-high", **fields: Any) -> Happening:
    return ("cleared", alarm, fields)


async def test_an_alarm_pages_and_its_end_pages(desk: Desk, sink: Sink) -> None:
    """From commit to phone and back: one page each, the cursor behind both."""
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await sink.until(1)
    await desk.happen(("acknowledged", "heron.moisture-high", {}), cleared())
    await sink.until(2)
    await desk.told_up_to("night-desk", 3)
    assert sink.titles() == ["high · saltmarsh", "over · saltmarsh"]
    statistics = desk.running.statistics()
    assert (statistics.events_behind, statistics.published, statistics.errors) == (0, 2, 0)


async def test_a_restart_repeats_nothing(desk: Desk, sink: Sink) -> None:
    """30 alarms stand, the follower stops and starts: silence; a return meanwhile is told once."""
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(*(raised(f"heron.rule-{number}") for number in range(30)))
    await desk.told_up_to("night-desk", 30)
    before = len(sink.got)
    await desk.stop()
    await desk.happen(cleared("heron.rule-7"))
    desk.start()
    await desk.told_up_to("night-desk", 31)
    assert sink.titles()[before:] == ["over · saltmarsh"]
    await desk.stop()
    desk.start()
    await desk.happen(raised("egret.rule-1", priority="low"))
    await desk.told_up_to("night-desk", 32)
    assert len(sink.got) == before + 1


async def test_one_provider_away_keeps_nobody_else_waiting(
    desk: Desk, make_sink: Callable[..., Sink], answer: type[Answer]
) -> None:
    """Each contact has a cursor of its own: the other's pages are neither late nor repeated."""
    good, bad = make_sink(), make_sink()
    bad.usual = answer(503)
    desk.contact("night-desk", good)
    desk.contact("day-desk", bad)
    desk.start()
    await desk.happen(raised())
    await good.until(1)
    await bad.until(3)
    await desk.kill()
    desk.start()
    bad.usual = answer(200)
    await desk.told_up_to("day-desk", 1)
    await desk.told_up_to("night-desk", 1)
    assert len(good.got) == 1
    assert not desk.running.statistics().events_behind


async def test_retry_after_is_kept(desk: Desk, sink: Sink, answer: type[Answer]) -> None:
    """429 with Retry-After: 1: the next request comes no sooner, and with the same id."""
    sink.answers.append(answer(429, {"Retry-After": "1"}))
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await sink.until(2)
    (first_s, _, _), (second_s, _, _) = sink.got
    assert second_s - first_s >= 1.0
    assert len(set(sink.ids())) == 1
    assert "again" not in sink.titles()[1]


async def test_an_unknown_outcome_is_repeated_with_its_id_and_marked(
    desk: Desk, sink: Sink, answer: type[Answer]
) -> None:
    """Delivered, but the answer came too late: said again as a possible repeat, then settled."""
    sink.answers.append(answer(wait_s=1.5))
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await sink.until(2)
    await desk.told_up_to("night-desk", 1)
    assert sink.titles() == ["high · saltmarsh", "high · saltmarsh (again?)"]
    assert len(set(sink.ids())) == 1
    assert "may have reached you before" in sink.pages()[1]["message"]


async def test_a_provider_that_never_answers_does_not_ring_for_ever(
    desk: Desk, sink: Sink, answer: type[Answer]
) -> None:
    """Three unknown outcomes of one page and it counts as told; a dead letter keeps it."""
    sink.usual = answer(drop=True)
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await desk.told_up_to("night-desk", 1)
    assert len(sink.got) == push.UNKNOWN_TRIES
    assert len(set(sink.ids())) == 1


async def test_a_refused_page_is_kept_as_a_dead_letter(
    desk: Desk, sink: Sink, answer: type[Answer]
) -> None:
    """A page that will never be taken stops nobody behind it."""
    sink.answers.append(answer(400))
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await desk.told_up_to("night-desk", 1)
    await desk.happen(raised("heron.oxygen-high"))
    await sink.until(2)
    await desk.told_up_to("night-desk", 2)
    assert len(set(sink.ids())) == 2


async def test_a_wrong_address_loses_nothing(desk: Desk, sink: Sink, answer: type[Answer]) -> None:
    """401: waited out, and told once the address is right."""
    sink.usual = answer(401)
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised())
    await sink.until(2)
    assert desk.running.statistics().events_behind == 1
    sink.usual = answer(200)
    await desk.told_up_to("night-desk", 1)


async def test_a_storm_of_500_is_critical_pages_and_one_digest(desk: Desk, sink: Sink) -> None:
    """Critical first, by themselves; the other 495 in one page that names the number."""
    desk.contact("night-desk", sink)
    desk.start()
    storm = [
        raised(f"heron.rule-{n}", priority="critical" if n % 100 == 50 else "high")
        for n in range(500)
    ]
    await desk.happen(*storm)
    await desk.told_up_to("night-desk", 500)
    assert sink.titles() == ["CRITICAL · saltmarsh"] * 5 + ["high · saltmarsh"]
    assert "495 high alarms" in sink.texts()[-1]


async def test_what_is_old_and_over_is_one_digest(desk: Desk, sink: Sink) -> None:
    """Twenty alarms came and went an hour ago, one stands: two pages."""
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised("egret.rule-0"))  # of now: who is new begins with what is not old
    await desk.told_up_to("night-desk", 1)
    await desk.stop()
    for number in range(20):
        await desk.happen(raised(f"heron.rule-{number}"), ago_s=3700)
        await desk.happen(cleared(f"heron.rule-{number}"), ago_s=3600)
    await desk.happen(raised("heron.oxygen-high"), ago_s=3500)
    desk.start()
    await desk.told_up_to("night-desk", 42)
    assert len(sink.got) == 3
    assert "CAME AND WENT, told late: 20 alarms" in sink.texts()[1]
    assert "told late" in sink.texts()[2]


async def test_a_new_contact_is_not_told_old_stories(
    desk: Desk, make_sink: Callable[..., Sink]
) -> None:
    """Who is added to a record of weeks begins with what comes next."""
    old, new = make_sink(), make_sink()
    desk.contact("night-desk", old)
    desk.start()
    for number in range(3):
        await desk.happen(
            raised(f"heron.rule-{number}"), cleared(f"heron.rule-{number}"), ago_s=1e6
        )
    await desk.told_up_to("night-desk", 6)
    await desk.stop()
    desk.contact("day-desk", new)
    desk.start()
    await desk.happen(raised("heron.oxygen-high"))
    await new.until(1)
    await desk.told_up_to("day-desk", 7)
    assert len(new.got) == 1


async def test_an_escalation_goes_to_its_contact(
    desk: Desk, make_sink: Callable[..., Sink]
) -> None:
    """The night desk is told; when it does not answer, the lab head is, and hears the end."""
    night, head = make_sink(), make_sink()
    desk.contact("night-desk", night)
    desk.contact("lab-head", head, from_priority="critical")
    desk.start()
    await desk.happen(raised())
    await night.until(1)
    why = "night-desk did not acknowledge within 15 min"
    fields = {"state": "unacknowledged", "to": "lab-head", "why": why}
    await desk.happen(("escalated", "heron.moisture-high", fields))
    await head.until(1)
    await desk.happen(("acknowledged", "heron.moisture-high", {}), cleared())
    await head.until(2)
    await night.until(2)
    await desk.told_up_to("lab-head", 4)
    assert head.texts()[0].startswith("NO ANSWER YET: HERON moisture")
    assert night.titles() == ["high · saltmarsh", "over · saltmarsh"]


@pytest.mark.long
async def test_what_the_disk_refuses_pages_all_the_same(desk: Desk, sink: Sink) -> None:
    """Told while it is not in the record, and not again once it is."""
    desk.contact("night-desk", sink)
    desk.start()
    await desk.happen(raised("egret.rule-0"))
    await sink.until(1)
    event = desk._events([raised()], 0.0)[0]
    entry = Entry(9, None, Outcome(events=(event,)))
    desk.running.held([entry])
    await sink.until(2)
    desk.journal.append(entry)
    await desk.journal.flush()
    desk.running.committed([entry])
    await desk.told_up_to("night-desk", 2)
    assert len(sink.got) == 2


async def test_a_test_page_comes_every_day_at_its_minute(desk: Desk, sink: Sink) -> None:
    """``test_at``: a page that says it is one, at that minute of the site's day."""
    start_ms = 1_772_417_640_000 - 3_000  # three seconds before 02:14 in Lisbon
    desk.contact("night-desk", sink, test_at_minute=2 * 60 + 14)
    desk.start(RealClock(speed=10.0, epoch_ms=start_ms))
    await sink.until(1)
    assert sink.texts()[0].startswith("TEST for night-desk, 02:14")


@pytest.mark.long
async def test_what_came_before_their_hours_is_told_when_they_begin_and_once(
    desk: Desk, sink: Sink
) -> None:
    """Raised at 02:13:00, their hours from 02:14 on: one page then; a restart says nothing more."""
    start_ms = 1_772_417_640_000 - 60_000  # a minute before 02:14 in Lisbon
    desk.contact("day-desk", sink, hours=(Span(2 * 60 + 14, 3 * 60),))
    desk.start(RealClock(speed=20.0, epoch_ms=start_ms))
    await desk.happen(raised(), ago_s=time.time() - start_ms / 1000)
    await desk.told_up_to("day-desk", 1)
    assert sink.got == []
    await sink.until(1)
    assert sink.texts()[0].startswith("STILL HERON moisture above 5 ppm since 02:13. ")
    await desk.told_up_to("day-desk.waited", 1)
    await desk.stop()
    start_ms += 20 * 60_000  # the first clock may have gone on for minutes
    desk.start(RealClock(speed=10.0, epoch_ms=start_ms))
    await desk.happen(cleared(), ago_s=time.time() - start_ms / 1000 - 1)
    await sink.until(2)
    assert sink.titles() == ["high · saltmarsh", "over · saltmarsh"]


async def test_a_missing_address_is_told_before_the_page_that_needs_it(
    desk: Desk, sink: Sink, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Known at the start, without an alarm; over by itself when the file is there."""
    monkeypatch.setattr(push, "CHECK_EVERY_S", 0.05)
    desk.contact("warden", sink)
    file = desk.contacts["warden"].url_file
    text = file.read_text()
    file.unlink()
    desk.start()
    assert "warden.url" in (desk.running.statistics().barred["page-warden"] or "")
    file.write_text(text)
    deadline = time.monotonic() + PATIENCE_S
    while desk.running.statistics().barred["page-warden"] is not None:
        assert time.monotonic() < deadline
        await asyncio.sleep(0.02)
