"""What one contact is paged for: pure, out of event documents and wall times in ms.

A raise is reported once and its end once, to a contact who was paged for it. What somebody has
acknowledged before it could be sent is not sent. The levels of one signal belong together: the end
is reported when the mildest of them is over. What came outside the contact's hours is reported when
they begin, if it is still active.
"""

from __future__ import annotations

from collections.abc import Sequence

from dewline.config.plan import ContactPlan
from dewline.events import (
    CALLING_STATES,
    CALLING_TRANSITIONS,
    ENDED_STATES,
    PRIORITIES,
    EventDocument,
)
from dewline.followers.push.page import Batch, Notice, PageItem
from dewline.followers.push.page_schedule import PageSchedule, Quota
from dewline.followers.push.page_text import PageWriter
from dewline.followers.push.phrases import time_of
from dewline.hours import Calendar

CHATTER_REST_MS = 3_600_000

HANDLED = frozenset({"acknowledged", "shelved", "removed-from-service", "suppressed"})
REPEATED = frozenset({"reminded", "escalated"})


class Outbox:
    """The notices and pages of one contact. ``places`` are those that page this contact first."""

    def __init__(
        self,
        contact: ContactPlan,
        places: frozenset[str],
        calendar: Calendar,
        writer: PageWriter,
        quota: Quota | None = None,
    ) -> None:
        self._contact = contact
        self._places = places
        self._calendar = calendar
        self._writer = writer
        self._schedule = PageSchedule(writer, quota or Quota())
        self._pending: list[Notice] = []
        # By alarm: the event for which the contact was, or will be, paged, until its end.
        self._raised: dict[str, EventDocument] = {}
        # By alarm: the event with which it was suppressed under another alarm, while it is.
        self._suppressed: dict[str, EventDocument] = {}
        self._returned: set[str] = set()  # alarms that are over and not acknowledged
        # By alarm: the event that came outside the contact's hours, while the alarm calls.
        self._deferred: dict[str, EventDocument] = {}
        self._deferred_settled = 0
        self._absent = False
        self._chattering_ms: dict[str, int] = {}
        self._unrecorded: set[str] = set()  # ids of events handled before they were recorded
        self._last_seq = 0

    @property
    def cursor(self) -> int:
        """Every event up to this ``seq`` is settled."""
        waiting = [seq for notice in self._pending for seq in notice.seqs if seq <= self._last_seq]
        return min(waiting) - 1 if waiting else self._last_seq

    @property
    def deferred_cursor(self) -> int:
        """Every event up to this ``seq`` that came outside the contact's hours is settled."""
        waiting = [seq for notice in self._pending for seq in notice.deferred_seqs]
        return min([self._deferred_settled, *(seq - 1 for seq in waiting)])

    @property
    def waiting(self) -> int:
        """How many events wait to be reported."""
        return sum(len(notice.seqs) for notice in self._pending)

    def oldest_ms(self) -> int | None:
        """Since when the oldest of them waits; None where none does."""
        return min((notice.queued_ms for notice in self._pending), default=None)

    # Events in.

    def recall(
        self, settled: Sequence[EventDocument], cursor: int, deferred_cursor: int | None = 0
    ) -> None:
        """After a start: restore what is reported, from the events up to ``cursor``.

        None of them is reported again. Of those outside the contact's hours, the ones after
        ``deferred_cursor`` are still to be reported. It is None for a contact who is new: what
        calls before them was as if outside their hours, and what of it still stands is told.
        """
        self._absent = deferred_cursor is None
        for document in settled:
            self._sort(document, 0)
            self._pending.clear()
        self._absent = False
        told = deferred_cursor or 0
        self._last_seq, self._deferred_settled = cursor, told
        for alarm in [a for a, d in self._deferred.items() if d["seq"] <= told]:
            self._raised.setdefault(alarm, self._deferred.pop(alarm))

    def add(self, document: EventDocument, now_ms: int, *, recorded: bool = True) -> None:
        """One more event, in ``seq`` order.

        ``recorded`` False: the disk refuses it for now. It is reported at once, and not again when
        it comes from the journal.
        """
        if document["id"] in self._unrecorded:
            self._unrecorded.discard(document["id"])
            self._last_seq = max(self._last_seq, document["seq"])
            return
        if not recorded:
            self._unrecorded.add(document["id"])
        elif document["seq"] <= self._last_seq:
            return
        else:
            self._last_seq = document["seq"]
        self._sort(document, now_ms)

    def _sort(self, document: EventDocument, now_ms: int) -> None:
        """Turn an event into a notice, an end, a withdrawal or nothing."""
        alarm, transition, state = document["alarm"], document["transition"], document["state"]
        self._note_state(document)
        if transition in HANDLED and state not in ENDED_STATES:
            self._withdraw(alarm)
        elif transition == "chattering":
            self._add_chattering(document, now_ms)
        elif transition not in REPEATED and alarm in self._raised and state in ENDED_STATES:
            self._add_end(document, now_ms)
        elif state in CALLING_STATES and self._calls(document):
            if self._on_duty(document):
                self._add_call(document, now_ms)
            elif alarm not in self._raised:
                self._deferred.setdefault(alarm, document)

    def _note_state(self, document: EventDocument) -> None:
        alarm, state = document["alarm"], document["state"]
        self._suppressed.pop(alarm, None)
        self._returned.discard(alarm)
        if state not in CALLING_STATES:
            self._deferred.pop(alarm, None)
        if state == "returned":
            self._returned.add(alarm)
        elif state == "suppressed" and document["under"] is not None:
            self._suppressed[alarm] = document

    def _calls(self, document: EventDocument) -> bool:
        """Whether the event calls this contact, in or outside their hours."""
        transition, known = document["transition"], document["alarm"] in self._raised
        if transition == "escalated":
            return document["to"] == self._contact.name
        if transition == "reminded":
            return known or self._concerns(document)
        if transition == "unsuppressed" and known:
            return False  # a more urgent level was reported, and this one goes on
        return transition in CALLING_TRANSITIONS and self._concerns(document)

    def _concerns(self, document: EventDocument) -> bool:
        return document["box"] in self._places and self._is_urgent(document)

    def _on_duty(self, document: EventDocument) -> bool:
        """Whether the event comes within the contact's hours, and they are paged already."""
        return not self._absent and self._calendar.within(self._contact.hours, time_of(document))

    def _is_urgent(self, document: EventDocument) -> bool:
        least = PRIORITIES.index(self._contact.from_priority)
        return PRIORITIES.index(document["priority"]) <= least

    def _rests(self, document: EventDocument) -> bool:
        """Its pages rest, because the contact knows that it chatters."""
        since_ms = self._chattering_ms.get(document["alarm"])
        return since_ms is not None and time_of(document) - since_ms < CHATTER_REST_MS

    def _add_call(self, document: EventDocument, now_ms: int) -> None:
        alarm = document["alarm"]
        if self._rests(document) and document["transition"] == "raised":
            return
        if document["state"] == "unacknowledged":  # the end of a latched one was reported before
            self._raised.setdefault(alarm, document)
        self._deferred.pop(alarm, None)
        self._drop([n for n in self._calls_of(alarm) if n.item.deferred])
        self._pending.append(Notice([document["seq"]], PageItem(document), now_ms))

    def _add_chattering(self, document: EventDocument, now_ms: int) -> None:
        if document["alarm"] not in self._raised and not self._concerns(document):
            return
        if self._on_duty(document):
            self._chattering_ms[document["alarm"]] = time_of(document)
            self._pending.append(Notice([document["seq"]], PageItem(document), now_ms))

    def _add_end(self, document: EventDocument, now_ms: int) -> None:
        """An end; in one page with its raise where that has not been sent yet."""
        alarm, signal = document["alarm"], document["signal"]
        raised = self._raised.pop(alarm)
        if milder := self._milder(document, raised):
            for other in milder:
                self._raised.setdefault(other, raised)
            return
        unsent = self._calls_of(alarm)
        seqs = [seq for notice in unsent for seq in notice.seqs]
        self._drop(unsent)
        if self._rests(document) and not seqs:
            return
        if seqs or self._on_duty(document):
            unacknowledged = self._writer.is_level(alarm) and any(
                self._writer.is_level(other, signal) for other in self._returned
            )
            item = PageItem(document, raised=raised, unacknowledged=unacknowledged)
            self._pending.append(Notice([*seqs, document["seq"]], item, now_ms))

    def _milder(self, document: EventDocument, raised: EventDocument) -> list[str]:
        """Other levels of the same signal that are active: reported, or suppressed under this."""
        if not self._writer.is_level(document["alarm"]):
            return []
        least = PRIORITIES.index(raised["priority"])
        suppressed = [
            alarm
            for alarm, held in self._suppressed.items()
            if self._is_urgent(held) or PRIORITIES.index(held["priority"]) <= least
        ]
        active = dict.fromkeys([*self._raised, *suppressed])
        signal = document["signal"]
        return [a for a in active if self._writer.is_level(a, signal) and a != document["alarm"]]

    def _withdraw(self, alarm: str) -> None:
        """Somebody handles the alarm: what has not been sent about it is not sent any more."""
        calls = self._calls_of(alarm)
        self._drop(calls)
        unsent = [n.item.document for n in calls if not n.tried]
        for name, raised in list(self._raised.items()):
            if any(raised is document for document in unsent):
                del self._raised[name]
        self._chattering_ms.pop(alarm, None)

    def _calls_of(self, alarm: str) -> list[Notice]:
        return [n for n in self._pending if n.alarm == alarm and not n.item.over]

    def _drop(self, notices: Sequence[Notice]) -> None:
        dropped = set(notices)
        self._pending = [n for n in self._pending if n not in dropped]

    # Pages out.

    def next(self, now_ms: int, *, leaving: bool = False) -> Batch | int | None:
        """The page to send now, or the moment to ask again, or None while nothing waits.

        ``leaving``: nothing is held back to be gathered with what comes next.
        """
        due_ms = self._queue_deferred(now_ms)
        if not self._pending:
            return due_ms
        found = self._schedule.next(self._pending, now_ms, leaving=leaving)
        if isinstance(found, Batch) or due_ms is None:
            return found
        return min(found, due_ms)

    def _queue_deferred(self, now_ms: int) -> int | None:
        """Queue what has waited for the contact's hours; the moment they begin, if any waits."""
        if not self._deferred:
            return None
        hours = self._contact.hours
        if hours is not None and not self._calendar.within(hours, now_ms):
            return self._calendar.next_begin(hours, now_ms)
        for documents in self._writer.by_level(self._deferred.values()):
            seqs = tuple(document["seq"] for document in documents)
            item = PageItem(documents[0], deferred=True)
            self._pending.append(Notice([], item, now_ms, deferred_seqs=seqs))
        for alarm, document in self._deferred.items():
            self._raised.setdefault(alarm, document)
        self._deferred.clear()
        return None

    def tried(self, batch: Batch) -> None:
        """The page may have arrived, or may be on its way."""
        for notice in batch.notices:
            notice.tried = True

    def refused(self, batch: Batch) -> None:
        """The page has certainly not arrived; it will be written anew."""
        for notice in batch.notices:
            notice.tried = False

    def wants(self, batch: Batch) -> bool:
        """Whether any of it is still to be reported."""
        return not set(self._pending).isdisjoint(batch.notices)

    def settled(self, batch: Batch, now_ms: int, *, sent: bool = True) -> None:
        """The page was sent, or never will be: what it reports is not reported again."""
        self._drop(batch.notices)
        seqs = (seq for notice in batch.notices for seq in notice.deferred_seqs)
        self._deferred_settled = max([self._deferred_settled, *seqs])
        if sent:
            self._schedule.sent(batch, now_ms)
