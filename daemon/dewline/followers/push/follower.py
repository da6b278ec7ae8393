"""The push follower: pages to people, through whatever Apprise can reach.

Every contact has a cursor of its own over the events of the record, so that one
whose provider is away keeps nobody else waiting, and a restart repeats nothing
to those who have it. What to say and when is the outbox's; here it is sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from dewline.clock import Clock
from dewline.config.plan import ContactPlan, Plan
from dewline.events import Entry
from dewline.followers.failures import Failures
from dewline.followers.follower import FollowerStatistics, JournalReader
from dewline.followers.push.outbox import LATE_MS, Batch, Outbox
from dewline.followers.push.page_text import Page, PageWriter
from dewline.followers.push.phrases import Document, time_of
from dewline.followers.push.target import Sent, Target
from dewline.followers.tasks import cancel_all, wait_until
from dewline.hours import next_moment, zone_of
from dewline.readings import compact_json

T = TypeVar("T")
log = logging.getLogger(__name__)

FIRST_RETRY_S, LAST_RETRY_S = 2.0, 60.0
BARRED_RETRY_S = 60.0
UNKNOWN_TRIES = 3  # then it counts as told: a provider that never answers must not ring for ever
TEST_TRIES = 3
BATCH = 500
FIRST_LOOK_BACK = 1000
LEAVE_S = 10.0
IDLE_S = 600.0


class Recipient:
    """What belongs to one contact."""

    def __init__(self, contact: ContactPlan, plan: Plan, clock: Clock) -> None:
        places = frozenset(p for p, who in plan.box_contacts.items() if contact.name in who)
        self.contact = contact
        self.zone = zone_of(plan.watch.timezone)
        self.writer = PageWriter(plan.site, self.zone, plan.watch.rules)
        self.outbox = Outbox(contact, places, self.zone, self.writer)
        self.target = Target(contact.url_file, clock)
        self.failures = Failures(log)
        self.wake = asyncio.Event()
        self.retry_s = FIRST_RETRY_S
        self.told = 0  # the cursor as last handed to the record
        self.woken = 0  # and up to where he was told of what waited for his hours
        self.pages = 0
        self.reached = True

    @property
    def cursor_name(self) -> str:
        return f"push.{self.contact.name}"

    @property
    def woken_name(self) -> str:
        return f"push.{self.contact.name}.waited"


class PushFollower:
    """Follows the journal to people's phones until it is stopped.

    ``reader`` opens a read-only journal reader (used in worker threads),
    ``advance`` stores (cursor name, seq of the last settled event),
    ``dead_letter`` keeps (wall ms, reason, JSON text) of a page given up.
    """

    name = "push"

    def __init__(
        self,
        plan: Plan,
        clock: Clock,
        *,
        reader: Callable[[], JournalReader],
        advance: Callable[[str, int], None],
        dead_letter: Callable[[int, str, str], None],
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._open_reader = reader
        self._advance = advance
        self._dead_letter = dead_letter
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._leave_by_s = float("inf")
        self._read_seq = 0
        self._last_seq = 0
        self._held: list[Document] = []
        self._recipients = self._new_recipients()

    def _new_recipients(self) -> list[Recipient]:
        return [Recipient(c, self._plan, self._clock) for c in self._plan.contacts.values()]

    # What the service calls.

    def committed(self, entries: Sequence[Entry]) -> None:
        """There may be new events in the record."""
        for entry in entries:
            for event in entry.outcome.events:
                self._last_seq = max(self._last_seq, event.seq)
                self._wake.set()

    def held(self, entries: Sequence[Entry]) -> None:
        """Events that the disk refuses for now page people all the same."""
        for entry in entries:
            self._held.extend(event.document() for event in entry.outcome.events)
        self._wake.set()

    def stop(self) -> None:
        """Send what is due without waiting for anything, then let ``run`` return."""
        self._leave_by_s = self._clock.monotonic() + LEAVE_S
        self._stop.set()
        self._wake.set()

    def statistics(self) -> FollowerStatistics:
        now_ms = self._clock.wall_ms()
        waiting = [recipient.outbox.oldest_ms() for recipient in self._recipients]
        oldest_ms = min((ms for ms in waiting if ms is not None), default=now_ms)
        unread = max(0, self._last_seq - self._read_seq)
        return FollowerStatistics(
            connected=all(recipient.reached for recipient in self._recipients),
            events_behind=unread
            + max((recipient.outbox.waiting for recipient in self._recipients), default=0),
            seconds_behind=max(0, now_ms - oldest_ms) / 1000,
            published=sum(recipient.pages for recipient in self._recipients),
            errors=sum(recipient.failures.count for recipient in self._recipients),
        )

    async def run(self) -> None:
        """Take up every contact where the record says he was left, and follow until ``stop``."""
        self._recipients = self._new_recipients()
        await self._load()
        senders = [asyncio.ensure_future(self._serve(recipient)) for recipient in self._recipients]
        others = [asyncio.ensure_future(self._follow())]
        others += [
            asyncio.ensure_future(self._send_tests(recipient, recipient.contact.test_at_minute))
            for recipient in self._recipients
            if recipient.contact.test_at_minute is not None
        ]
        try:
            waiting: set[asyncio.Future[None]] = set(senders)
            while waiting:
                done, _ = await asyncio.wait(
                    {*waiting, *others}, return_when=asyncio.FIRST_COMPLETED
                )
                for task in done:
                    task.result()
                waiting -= done
                others = [task for task in others if task not in done]
        finally:
            await cancel_all([*senders, *others])

    # From the record.

    async def _load(self) -> None:
        now_ms = self._clock.wall_ms()
        names = [(recipient.cursor_name, recipient.woken_name) for recipient in self._recipients]

        def look(reader: JournalReader) -> tuple[list[tuple[int, int]], int, list[Document]]:
            tail = reader.tail().event_seq
            marks = [_marks(reader, name, woken, tail, now_ms) for name, woken in names]
            return marks, tail, history(reader, max((c for c, _ in marks), default=0), tail)

        marks, self._last_seq, settled = await self._read(look)
        cursors = [cursor for cursor, _ in marks]
        for recipient, (cursor, woken) in zip(self._recipients, marks, strict=True):
            recipient.outbox.recall([d for d in settled if d["seq"] <= cursor], cursor, woken)
        self._read_seq = min(cursors, default=self._last_seq)

    async def _follow(self) -> None:
        """Read what is new in the record, hand it to every outbox."""
        while True:
            self._wake.clear()
            stopping = self._stop.is_set()
            await self._take_in()
            for recipient in self._recipients:
                recipient.wake.set()
            if stopping:
                return
            await self._wake.wait()

    async def _take_in(self) -> None:
        held, self._held = self._held, []
        for document in held:
            self._hand_out(document, recorded=False)
        while documents := await self._read(lambda r: r.events(self._read_seq, BATCH)):
            for document in documents:
                self._hand_out(document, recorded=True)
            self._read_seq = documents[-1]["seq"]
        self._last_seq = max(self._last_seq, self._read_seq)

    def _hand_out(self, document: Document, *, recorded: bool) -> None:
        now_ms = self._clock.wall_ms()
        for recipient in self._recipients:
            recipient.outbox.take(document, now_ms, recorded=recorded)

    async def _read(self, ask: Callable[[JournalReader], T]) -> T:
        """Ask the record in a worker thread: a slow card must not hold up the loop."""

        def in_thread() -> T:
            with contextlib.closing(self._open_reader()) as reader:
                return ask(reader)

        with self._clock.io():
            return await asyncio.to_thread(in_thread)

    # To one contact.

    async def _serve(self, recipient: Recipient) -> None:
        while True:
            recipient.wake.clear()
            now_ms = self._clock.wall_ms()
            stopping = self._stop.is_set() and self._read_seq >= self._last_seq
            found = recipient.outbox.next(now_ms, leaving=stopping)
            self._tell_cursor(recipient)
            if isinstance(found, Batch) and self._may_send():
                await self._deliver(recipient, found)
            elif stopping:
                return
            else:
                wait_s = min((found - now_ms) / 1000, IDLE_S) if isinstance(found, int) else IDLE_S
                await wait_until(self._clock, self._clock.monotonic() + wait_s, recipient.wake)

    def _may_send(self) -> bool:
        return self._clock.monotonic() < self._leave_by_s

    def _tell_cursor(self, recipient: Recipient) -> None:
        cursor = recipient.outbox.cursor
        if cursor > recipient.told:
            recipient.told = cursor
            self._advance(recipient.cursor_name, cursor)
        if recipient.outbox.woken > recipient.woken:
            recipient.woken = recipient.outbox.woken
            self._advance(recipient.woken_name, recipient.woken)

    async def _deliver(self, recipient: Recipient, batch: Batch) -> None:
        """Send one page until its fate is known, or it is certain that it must be written anew."""
        page, unknown = batch.page, 0
        while True:
            recipient.outbox.tried(batch)
            sent = await recipient.target.send(page)
            if sent.fate == "delivered":
                self._reached(recipient, batch)
                return
            self._missed(recipient, sent)
            unknown += sent.fate == "unknown"
            if sent.fate == "refused" or unknown >= UNKNOWN_TRIES:
                self._give_up(recipient, batch, sent)
                return
            if unknown:
                page = page.repeated()
            else:
                recipient.outbox.refused(batch)
            await self._pause(recipient, sent)
            if not unknown or not self._may_send():
                return
            if not recipient.outbox.wants(batch):  # somebody has acknowledged meanwhile
                return

    def _reached(self, recipient: Recipient, batch: Batch) -> None:
        recipient.outbox.settled(batch, self._clock.wall_ms())
        self._tell_cursor(recipient)
        recipient.pages += 1
        recipient.reached = True
        recipient.retry_s = FIRST_RETRY_S
        recipient.failures.outage_over()

    def _missed(self, recipient: Recipient, sent: Sent) -> None:
        recipient.reached = False
        recipient.failures.report(
            f"page to {recipient.contact.name} ({recipient.target.shown}): {sent.why}"
        )

    def _give_up(self, recipient: Recipient, batch: Batch, sent: Sent) -> None:
        recipient.outbox.settled(batch, self._clock.wall_ms(), sent=sent.fate == "unknown")
        self._tell_cursor(recipient)
        page = batch.page
        letter = {"contact": recipient.contact.name, "id": page.id, "title": page.title}
        self._dead_letter(
            self._clock.wall_ms(),
            f"{sent.fate}: {sent.why}",
            compact_json({**letter, "text": page.text}),
        )

    async def _pause(self, recipient: Recipient, sent: Sent) -> None:
        pause_s = recipient.retry_s * random.uniform(0.8, 1.2)
        recipient.retry_s = min(2 * recipient.retry_s, LAST_RETRY_S)
        if sent.fate == "barred":
            pause_s = max(pause_s, BARRED_RETRY_S)
        pause_s = max(pause_s, sent.wait_s or 0.0)
        if self._stop.is_set():
            self._leave_by_s = 0.0  # whoever leaves does not wait for a provider
            return
        await wait_until(self._clock, self._clock.monotonic() + pause_s, self._stop)

    async def _send_tests(self, recipient: Recipient, minute: int | None) -> None:
        """A test page every day at that minute: a phone that stays silent is noticed."""
        assert minute is not None
        while not self._stop.is_set():
            due_ms = next_moment(minute, self._clock.wall_ms(), recipient.zone)
            while (left_ms := due_ms - self._clock.wall_ms()) > 0:
                await self._clock.sleep(min(left_ms / 1000, IDLE_S))
            page = recipient.writer.test(recipient.contact.name, self._clock.wall_ms())
            await self._try_test(recipient, page)

    async def _try_test(self, recipient: Recipient, page: Page) -> None:
        for _ in range(TEST_TRIES):
            sent = await recipient.target.send(page)
            if sent.fate == "delivered":
                return
            self._missed(recipient, sent)
            page = page.repeated() if sent.fate == "unknown" else page
            await self._clock.sleep(max(LAST_RETRY_S, sent.wait_s or 0.0))


def _marks(reader: JournalReader, name: str, woken: str, tail: int, now_ms: int) -> tuple[int, int]:
    """Up to where a contact was told, and up to where of what had waited for his hours."""
    cursor = reader.follower(name)[1]
    if not cursor:
        cursor = first_cursor(reader, tail, now_ms)
        return cursor, cursor
    return cursor, reader.follower(woken)[1]


def first_cursor(reader: JournalReader, tail: int, now_ms: int) -> int:
    """Where a contact begins who was never told anything: what is old is not for him."""
    after = max(0, tail - FIRST_LOOK_BACK)
    recent = reader.events(after, FIRST_LOOK_BACK)
    old = [d["seq"] for d in recent if now_ms - time_of(d) > LATE_MS]
    return max(old, default=after)


def history(reader: JournalReader, cursor: int, tail: int) -> list[Document]:
    """Events up to ``cursor`` of alarms that stood there or stand now, back to their raise.

    With all of the same signals: one level of a signal may have spoken for another.
    """
    table = [row for row in reader.alarm_table() if row["state"] != "normal"]
    recent = [*table, *_between(reader, cursor, tail)]
    asked, signals = {d["alarm"] for d in recent}, {d["signal"] for d in recent}
    window = FIRST_LOOK_BACK
    while True:
        after = max(0, cursor - window)
        found = [d for d in _between(reader, after, cursor) if d["signal"] in signals]
        raised = {d["alarm"] for d in found if d["transition"] == "raised"}
        if not after or asked <= raised:
            return found
        window *= 8


def _between(reader: JournalReader, after: int, last: int) -> Iterator[Document]:
    while after < last:
        documents = reader.events(after, min(BATCH, last - after))
        if not documents:
            return
        yield from documents
        after = documents[-1]["seq"]
