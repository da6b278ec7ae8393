"""What belongs to one contact: outbox, address, retries, and cursors in the journal."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterator

from dewline.clock import Backoff, Clock
from dewline.config.plan import ContactPlan, Plan
from dewline.events import EventDocument
from dewline.followers.failures import Failures
from dewline.followers.push.outbox import Outbox
from dewline.followers.push.page import END_IS_LATE_MS
from dewline.followers.push.page_text import PageWriter
from dewline.followers.push.phrases import time_of
from dewline.followers.push.target import SendResult, Target
from dewline.hours import calendar_of
from dewline.journal import Journal, Reader

BATCH = 500
FIRST_WINDOW = 1000  # events


def first_cursor(reader: Reader, tail: int, now_ms: int) -> int:
    """The cursor of a contact never paged before: events older than ``END_IS_LATE_MS`` are skipped.

    ``tail``: the ``seq`` of the last event.
    """
    after = max(0, tail - FIRST_WINDOW)
    recent = reader.events(after, FIRST_WINDOW)
    old = [d["seq"] for d in recent if now_ms - time_of(d) > END_IS_LATE_MS]
    return max(old, default=after)


def settled_events(reader: Reader, cursor: int, tail: int) -> list[EventDocument]:
    """Events up to ``cursor``, back to the raise of every alarm that was active then or is now.

    Included are the events of all alarms of the same signals: the page for one level may have
    stood for another one.
    """
    table = [row for row in reader.alarm_table() if row["state"] != "normal"]
    recent = [*table, *_between(reader, cursor, tail)]
    wanted, signals = {d["alarm"] for d in recent}, {d["signal"] for d in recent}
    window = FIRST_WINDOW
    while True:
        after = max(0, cursor - window)
        found = [d for d in _between(reader, after, cursor) if d["signal"] in signals]
        raised = {d["alarm"] for d in found if d["transition"] == "raised"}
        if not after or wanted <= raised:
            return found
        window *= 8


def _between(reader: Reader, after: int, last: int) -> Iterator[EventDocument]:
    while after < last:
        documents = reader.events(after, min(BATCH, last - after))
        if not documents:
            return
        yield from documents
        after = documents[-1]["seq"]


log = logging.getLogger(__name__)


class Recipient:
    """One contact with the state of their pages.

    Two cursors are kept in the journal: up to which event the contact has been paged, and up to
    which deferred event, of those that waited for the contact's hours.
    """

    def __init__(self, contact: ContactPlan, plan: Plan, clock: Clock, backoff: Backoff) -> None:
        places = frozenset(p for p, who in plan.box_contacts.items() if contact.name in who)
        self.contact = contact
        calendar = calendar_of(plan.watch.timezone, plan.watch.holidays)
        self.zone = calendar.zone
        self.writer = PageWriter(plan.site, self.zone, plan.watch.rules)
        self.outbox = Outbox(contact, places, calendar, self.writer)
        self.target = Target(contact.url_file, clock)
        self.failures = Failures(log)
        self.wake = asyncio.Event()
        self.backoff = backoff
        self.pages_sent = 0
        self.reached = True
        self.barred = self.target.unreadable()
        self._cursor_name = f"push.{contact.name}"
        self._deferred_name = f"push.{contact.name}.waited"
        self._stored: dict[str, int] = {}

    def load_cursors(self, reader: Reader, tail: int, now_ms: int) -> tuple[int, int | None]:
        """Cursor and deferred cursor in the journal.

        A new contact begins near the end, and has no deferred cursor.
        """
        cursor = reader.follower(self._cursor_name)[1]
        if not cursor:
            return first_cursor(reader, tail, now_ms), None
        return cursor, reader.follower(self._deferred_name)[1]

    def store_cursors(self, journal: Journal) -> None:
        """Store the cursors that have moved, on disk at once, so that nobody is woken twice."""
        cursors = {
            self._cursor_name: self.outbox.cursor,
            self._deferred_name: self.outbox.deferred_cursor,
        }
        for name, seq in cursors.items():
            if seq > self._stored.get(name, 0):
                self._stored[name] = seq
                journal.advance(name, event_seq=seq)
                journal.commit_soon()

    def delivered(self) -> None:
        """A page was delivered."""
        self.pages_sent += 1
        self.reached = True
        self.backoff.reset()
        self.failures.outage_over()

    async def check_address(self) -> None:
        """Note in ``barred`` what stops every page to this contact."""
        self.barred = await self.target.barred()
        if self.barred is not None:
            self.failures.report(f"no page can go to {self.contact.name}: {self.barred}")

    def missed(self, result: SendResult) -> None:
        """A page was not delivered, or nobody knows."""
        self.reached = False
        self.failures.report(f"page to {self.contact.name} ({self.target.label}): {result.why}")
