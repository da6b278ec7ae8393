"""A record in memory, a house to follow, and a follower on it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.clock import Clock, RealClock
from dewline.config.plan import ContactPlan, MqttPlan
from dewline.errors import JournalError
from dewline.events import Entry, Event, EventDocument, LedgerRow, Outcome, Reply, Transition
from dewline.followers.mqtt.follower import MqttFollower
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.followers.push.outbox import Outbox
from dewline.followers.push.page import Batch, Page
from dewline.followers.push.page_schedule import Quota
from dewline.followers.push.page_text import PageWriter
from dewline.hours import calendar_of
from dewline.journal import Reader, Tail
from tests.patience import PATIENCE_S

START_MS = 1_772_417_649_250


class MemoryReader(Reader):
    """The questions of a follower, answered from events in a list."""

    def __init__(self, record: Record) -> None:  # opens no file
        self._record = record

    def tail(self) -> Tail:
        return Tail(0, len(self._record.events), None, None)

    def events(self, after_event_seq: int = 0, limit: int = 1000) -> list[EventDocument]:
        newer = self._record.events[after_event_seq : after_event_seq + limit]
        return [event.document() for event in newer]

    def alarm_table(self) -> list[EventDocument]:
        last = {event.alarm: event.document() for event in self._record.events}
        return list(last.values())

    def ledger_after(self, number: int, limit: int = 1000) -> list[tuple[int, LedgerRow]]:
        rows = enumerate(self._record.ledger, 1)
        return [(n, row) for n, row in rows if n > number and row.ended_ms is not None][:limit]

    def follower(self, name: str) -> tuple[int, int]:
        return (0, self._record.cursors.get(name, 0))

    def close(self) -> None:
        pass


class Record:
    """Committed events and cursors."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.ledger: list[LedgerRow] = []
        self.cursors: dict[str, int] = {}
        self.advances: list[int] = []
        self.damage: JournalError | None = None

    def reader(self) -> MemoryReader:
        if self.damage is not None:
            raise self.damage
        return MemoryReader(self)

    def advance(self, seq: int) -> None:
        self.advances.append(seq)
        self.cursors["mqtt"] = seq

    def advance_ledger(self, row: int) -> None:
        self.cursors["mqtt-ledger"] = row


class House:
    """Commits entries to the record and tells the follower, as the service does."""

    def __init__(self) -> None:
        self.record = Record()
        self.follower: MqttFollower | None = None
        self.commands: list[dict[str, Any]] = []
        self.reply: Reply | Exception = Reply(True, "acknowledged", "00c0ffee00c0ffee")
        self.facts: HeartbeatFacts | None = {"seq": 7, "worst": "normal", "followers": {}}

    def event(self, alarm: str = "heron.moisture-high", transition: Transition = "raised") -> Event:
        """The next event of ``alarm``, not yet committed."""
        seq = len(self.record.events) + 1
        return Event(
            id=f"{seq:016x}",
            seq=seq,
            time_ms=START_MS + seq * 1000,
            at_ms=START_MS + seq * 1000,
            site="saltmarsh",
            box=alarm.partition(".")[0],
            alarm=alarm,
            transition=transition,
            state="unacknowledged" if transition == "raised" else "normal",
            priority="high",
            signal=f"{alarm.partition('.')[0]}.moisture",
            value=1.1,
            unit="ppm",
            quality="good",
        )

    def happen(
        self, alarm: str = "heron.moisture-high", transition: Transition = "raised"
    ) -> Event:
        """Commit one event."""
        event = self.event(alarm, transition)
        self.record.events.append(event)
        self.commit(Entry(event.seq, None, Outcome(events=(event,))))
        return event

    def commit(self, entry: Entry) -> None:
        self.record.ledger.extend(entry.outcome.ledger)
        if self.follower is not None:
            self.follower.committed([entry])

    async def submit(self, command: dict[str, Any]) -> Reply:
        self.commands.append(command)
        if isinstance(self.reply, Exception):
            raise self.reply
        return self.reply


@pytest.fixture
def house() -> House:
    """A house with an empty record and nobody following it yet."""
    return House()


class FollowerInTask(MqttFollower):
    """A follower with the task in which it runs."""

    def start(self) -> asyncio.Task[None]:
        """Run it."""
        self.task = asyncio.create_task(self.run())
        return self.task


@pytest.fixture
def make_follower(house: House) -> Callable[..., FollowerInTask]:
    """``make_follower(port, clock=..., **plan)``: a follower of the house, not yet running."""

    def make(port: int, clock: Clock | None = None, **plan: Any) -> FollowerInTask:
        follower = FollowerInTask(
            MqttPlan(port=port, **plan),
            "saltmarsh",
            clock or RealClock(),
            reader=house.record.reader,
            advance=house.record.advance,
            advance_ledger=house.record.advance_ledger,
            submit=house.submit,
            facts=lambda: house.facts,
            units={"heron.moisture": "ppm", "heron.pressure": "mbar"},
            started="2026-03-02T02:14:09.250Z",
            version="0.1.0",
        )
        house.follower = follower
        return follower

    return make


@pytest.fixture
async def running(
    make_follower: Callable[..., FollowerInTask],
) -> AsyncIterator[Callable[..., Any]]:
    """``await running(port, **plan)``: a follower that runs, and is connected unless told not."""
    tasks: list[asyncio.Task[None]] = []

    async def start(port: int, connected: bool = True, **plan: Any) -> FollowerInTask:
        follower = make_follower(port, **plan)
        tasks.append(follower.start())
        async with asyncio.timeout(PATIENCE_S):
            while connected and not follower.statistics().connected:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
        return follower

    yield start
    for task in tasks:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Story:
    """Writes event documents of one site in order. Times are seconds after START_MS."""

    def __init__(self) -> None:
        self.seq = 0
        self._since: dict[str, int] = {}

    def event(
        self,
        transition: Transition = "raised",
        alarm: str = "heron.moisture-high",
        at_s: float = 0.0,
        **more: Any,
    ) -> Any:
        """The next event; its state follows from the transition unless it is given."""
        self.seq += 1
        time_ms = START_MS + round(at_s * 1000)
        if transition == "raised":
            self._since[alarm] = time_ms
        usual = {
            "acknowledged": "acknowledged",
            "returned": "returned",
            "cleared": "normal",
            "shelved": "shelved",
            "suppressed": "suppressed",
        }
        box, _, rule = alarm.partition(".")
        fields: dict[str, Any] = {
            "state": usual.get(transition, "unacknowledged"),
            "priority": "high",
            "signal": f"{box}.{rule.partition('-')[0]}",
            "value": 6.2,
            "unit": "ppm",
            "quality": "good",
            "limit": 5.0,
            "limit_unit": "ppm",
            "since_ms": self._since.get(alarm, time_ms),
            "advice": "Close both inner doors, look at the last transfer.",
            **more,
        }
        return Event(
            id=f"{self.seq:016x}",
            seq=self.seq,
            time_ms=time_ms,
            at_ms=time_ms,
            site="saltmarsh",
            box=box,
            alarm=alarm,
            transition=transition,
            **fields,
        ).document()


@pytest.fixture
def story() -> Story:
    """``story.event(transition, alarm, at_s, **fields)``: the documents of a night."""
    return Story()


CALENDAR = calendar_of("Europe/Lisbon", ())
WRITER = PageWriter("saltmarsh", CALENDAR.zone, {})


class Phone:
    """An outbox and the pages that went out of it. Times are seconds after START_MS."""

    def __init__(
        self,
        quota: Quota | None = None,
        places: tuple[str, ...] = ("heron", "egret", "daemon"),
        writer: PageWriter = WRITER,
        **contact: Any,
    ) -> None:
        plan = ContactPlan(**{"name": "night-desk", "url_file": Path("x"), **contact})
        self.outbox = Outbox(plan, frozenset(places), CALENDAR, writer, quota)
        self.pages: list[Page] = []
        self.batches: list[Batch] = []

    def add(self, document: EventDocument, at_s: float = 0.0) -> None:
        self.outbox.add(document, START_MS + round(at_s * 1000))

    def send(self, at_s: float) -> int | None:
        """Send all that is to be sent at that moment; what it then says of the time to come."""
        now_ms = START_MS + round(at_s * 1000)
        while isinstance(found := self.outbox.next(now_ms), Batch):
            self.pages.append(found.page)
            self.batches.append(found)
            self.outbox.settled(found, now_ms)
        return found

    def texts(self) -> list[str]:
        return [page.text for page in self.pages]


@pytest.fixture
def phone_of() -> type[Phone]:
    """``phone_of(**contact)``: the outbox of one contact and what went out of it."""
    return Phone
