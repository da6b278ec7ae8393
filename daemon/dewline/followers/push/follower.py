"""The push follower: pages to contacts, through whatever Apprise can reach.

Every contact has a cursor over the events of the journal, so that a provider that is away keeps
nobody else waiting, and a restart repeats nothing that was sent. The outbox decides what is sent
and when; this module sends it.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Sequence
from typing import TypeVar

from dewline.clock import Backoff, Clock
from dewline.config.plan import Plan, page_road
from dewline.events import Entry, EventDocument
from dewline.followers.follower import FollowerStatistics
from dewline.followers.push.page import Batch, Page
from dewline.followers.push.recipient import BATCH, Recipient, settled_events
from dewline.followers.push.target import SendResult
from dewline.followers.tasks import ask_journal, cancel_all, wait_until
from dewline.hours import next_moment
from dewline.journal import Journal, Reader
from dewline.readings import compact_json

T = TypeVar("T")

FIRST_RETRY_S, LAST_RETRY_S = 2.0, 60.0
BARRED_RETRY_S = 60.0
UNKNOWN_TRIES = 3  # then a page counts as sent: without an answer it would ring for ever
TEST_TRIES = 3
LEAVE_S = 10.0
IDLE_S = 600.0
CHECK_EVERY_S = 30.0


class PushFollower:
    """Follows the journal to the phones of all contacts until it is stopped.

    ``journal`` has the events, and keeps the cursors and the pages that were given up.
    """

    name = "push"

    def __init__(self, plan: Plan, clock: Clock, journal: Journal) -> None:
        self._plan = plan
        self._clock = clock
        self._journal = journal
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._leave_by_s = float("inf")
        self._read_seq = 0
        self._last_seq = 0
        self._held: list[EventDocument] = []
        self._recipients = self._new_recipients()

    def _new_recipients(self) -> list[Recipient]:
        return [
            Recipient(contact, self._plan, self._clock, Backoff(FIRST_RETRY_S, LAST_RETRY_S))
            for contact in self._plan.contacts.values()
        ]

    # What the service calls.

    def committed(self, entries: Sequence[Entry]) -> None:
        """Note that new events are in the journal; they are read from there."""
        for entry in entries:
            for event in entry.outcome.events:
                self._last_seq = max(self._last_seq, event.seq)
                self._wake.set()

    def held(self, entries: Sequence[Entry]) -> None:
        """Note events that the disk refuses for now: they are sent all the same."""
        for entry in entries:
            self._held.extend(event.document() for event in entry.outcome.events)
        self._wake.set()

    def stop(self) -> None:
        """Send what is due without waiting for anything, then let ``run`` return."""
        self._leave_by_s = self._clock.monotonic() + LEAVE_S
        self._stop.set()
        self._wake.set()

    def statistics(self) -> FollowerStatistics:
        """How far it has come; ``published`` counts pages, and one contact behind counts.

        ``connected`` is true while the last page to every contact was delivered.
        """
        now_ms = self._clock.wall_ms()
        waiting = [recipient.outbox.oldest_ms() for recipient in self._recipients]
        oldest_ms = min((ms for ms in waiting if ms is not None), default=now_ms)
        unread = max(0, self._last_seq - self._read_seq)
        return FollowerStatistics(
            connected=all(recipient.reached for recipient in self._recipients),
            events_behind=unread
            + max((recipient.outbox.waiting for recipient in self._recipients), default=0),
            seconds_behind=max(0, now_ms - oldest_ms) / 1000,
            published=sum(recipient.pages_sent for recipient in self._recipients),
            errors=sum(recipient.failures.count for recipient in self._recipients),
            barred={page_road(r.contact.name): r.barred for r in self._recipients},
        )

    async def run(self) -> None:
        """Page every contact from their cursor in the journal on, until ``stop``.

        Failures to send are waited out; an error of the journal is raised.
        """
        self._recipients = self._new_recipients()
        await self._load()
        senders = [asyncio.ensure_future(self._serve(recipient)) for recipient in self._recipients]
        others = [asyncio.ensure_future(job()) for job in (self._follow, self._check_addresses)]
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

    # From the journal.

    async def _load(self) -> None:
        now_ms = self._clock.wall_ms()
        recipients = self._recipients

        def read(reader: Reader) -> tuple[list[tuple[int, int | None]], int, list[EventDocument]]:
            tail = reader.tail().event_seq
            cursors = [r.load_cursors(reader, tail, now_ms) for r in recipients]
            furthest = max((cursor for cursor, _ in cursors), default=0)
            return cursors, tail, settled_events(reader, furthest, tail)

        cursors, self._last_seq, settled = await self._read(read)
        for recipient, (cursor, deferred) in zip(recipients, cursors, strict=True):
            recipient.outbox.recall([d for d in settled if d["seq"] <= cursor], cursor, deferred)
        self._read_seq = min((cursor for cursor, _ in cursors), default=self._last_seq)

    async def _follow(self) -> None:
        """Read new events and add them to every outbox, until stopped."""
        while True:
            self._wake.clear()
            stopping = self._stop.is_set()
            await self._read_events()
            for recipient in self._recipients:
                recipient.wake.set()
            if stopping:
                return
            await self._wake.wait()

    async def _read_events(self) -> None:
        """Give each outbox the events that are new: first those that the disk refused."""
        held, self._held = self._held, []
        for document in held:
            self._add(document, recorded=False)
        while documents := await self._read(lambda r: r.events(self._read_seq, BATCH)):
            for document in documents:
                self._add(document, recorded=True)
            self._read_seq = documents[-1]["seq"]
        self._last_seq = max(self._last_seq, self._read_seq)

    def _add(self, document: EventDocument, *, recorded: bool) -> None:
        now_ms = self._clock.wall_ms()
        for recipient in self._recipients:
            recipient.outbox.add(document, now_ms, recorded=recorded)

    async def _read(self, ask: Callable[[Reader], T]) -> T:
        return await ask_journal(self._clock, lambda: Reader(self._journal.path), ask)

    # To one contact.

    async def _serve(self, recipient: Recipient) -> None:
        """Send one contact what is due, until stopped and everything is settled or held back."""
        while True:
            recipient.wake.clear()
            now_ms = self._clock.wall_ms()
            stopping = self._stop.is_set() and self._read_seq >= self._last_seq
            found = recipient.outbox.next(now_ms, leaving=stopping)
            recipient.store_cursors(self._journal)
            if isinstance(found, Batch) and self._may_send():
                await self._deliver(recipient, found)
            elif stopping:
                return
            else:
                wait_s = min((found - now_ms) / 1000, IDLE_S) if isinstance(found, int) else IDLE_S
                await wait_until(self._clock, self._clock.monotonic() + wait_s, recipient.wake)

    def _may_send(self) -> bool:
        return self._clock.monotonic() < self._leave_by_s

    async def _deliver(self, recipient: Recipient, batch: Batch) -> None:
        """Send one page until its fate is known, or until it is certain that it did not arrive.

        In the second case the outbox writes it anew: by then it may say more, or not be wanted.
        """
        page, unknown = batch.page, 0
        while True:
            recipient.outbox.tried(batch)
            result = await recipient.target.send(page)
            if result.fate == "delivered":
                self._settle(recipient, batch)
                recipient.delivered()
                return
            recipient.missed(result)
            unknown += result.fate == "unknown"
            if result.fate == "refused" or unknown >= UNKNOWN_TRIES:
                self._give_up(recipient, batch, result)
                return
            if unknown:
                page = page.repeated()
            else:
                recipient.outbox.refused(batch)
            await self._pause(recipient, result)
            if not unknown or not self._may_send():
                return
            if not recipient.outbox.wants(batch):  # somebody has acknowledged meanwhile
                return

    def _settle(self, recipient: Recipient, batch: Batch, *, sent: bool = True) -> None:
        recipient.outbox.settled(batch, self._clock.wall_ms(), sent=sent)
        recipient.store_cursors(self._journal)

    def _give_up(self, recipient: Recipient, batch: Batch, result: SendResult) -> None:
        self._settle(recipient, batch, sent=result.fate == "unknown")
        page = batch.page
        document = {
            "contact": recipient.contact.name,
            "id": page.id,
            "title": page.title,
            "text": page.text,
        }
        reason = f"{result.fate}: {result.why}"
        letter = compact_json(document)
        self._journal.put_dead_letter(self.name, self._clock.wall_ms(), reason, letter)

    async def _pause(self, recipient: Recipient, result: SendResult) -> None:
        pause_s = recipient.backoff.next_s() * random.uniform(0.8, 1.2)
        if result.fate == "barred":
            pause_s = max(pause_s, BARRED_RETRY_S)
        pause_s = max(pause_s, result.wait_s or 0.0)
        if self._stop.is_set():
            self._leave_by_s = 0.0  # on leaving nobody waits for a provider
            return
        await wait_until(self._clock, self._clock.monotonic() + pause_s, self._stop)

    async def _check_addresses(self) -> None:
        """Find an address that no page can go to before the page that needs it."""
        while not self._stop.is_set():
            await wait_until(self._clock, self._clock.monotonic() + CHECK_EVERY_S, self._stop)
            for recipient in self._recipients:
                await recipient.check_address()

    async def _send_tests(self, recipient: Recipient, minute: int) -> None:
        """A test page every day at that minute: a phone that stays silent is noticed."""
        while not self._stop.is_set():
            due_ms = next_moment(minute, self._clock.wall_ms(), recipient.zone)
            while (left_ms := due_ms - self._clock.wall_ms()) > 0:
                await self._clock.sleep(min(left_ms / 1000, IDLE_S))
            page = recipient.writer.test(recipient.contact.name, self._clock.wall_ms())
            await self._try_test(recipient, page)

    async def _try_test(self, recipient: Recipient, page: Page) -> None:
        for _ in range(TEST_TRIES):
            result = await recipient.target.send(page)
            if result.fate == "delivered":
                return
            recipient.missed(result)
            page = page.repeated() if result.fate == "unknown" else page
            await self._clock.sleep(max(LAST_RETRY_S, result.wait_s or 0.0))
