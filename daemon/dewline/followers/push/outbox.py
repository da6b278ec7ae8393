"""What one contact is told, and when: pure, out of event documents and wall times in ms.

A raise is told once and its end once, to whoever was told of it. What is critical
goes first. A flood, and what came and went while nothing could be sent, goes into
one digest. What somebody has acknowledged before it could be sent is not sent.
Levels of one signal are one trouble: its end is told when the mildest of them is
over. What came outside his hours is told when they begin, if it still stands.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import tzinfo

from dewline.config.plan import ContactPlan
from dewline.events import PRIORITIES
from dewline.followers.push.page_text import DigestReason, Notified, Page, PageWriter
from dewline.followers.push.phrases import Document, time_of
from dewline.followers.push.rate_limit import Quota
from dewline.hours import next_moment, within

GATHER_MS = 2_000  # what has one cause comes within a moment
LATE_MS = 900_000
# More than 10 in ten minutes are more than a person can follow (EEMUA 191 as commonly
# quoted); it is over below 5 (from memory).
FLOOD, FLOOD_OVER_BELOW = 10, 5
FLOOD_WINDOW_MS = 600_000
DIGEST_EVERY_MS = 120_000
CHATTER_REST_MS = 3_600_000

CALLING = frozenset({"unacknowledged", "latched-unacknowledged"})
ENDED = frozenset({"normal", "returned", "latched-unacknowledged", "latched-acknowledged"})
HANDLED = frozenset({"acknowledged", "shelved", "removed-from-service", "suppressed"})
INSISTING = frozenset({"reminded", "escalated"})
CALLS = frozenset({"raised", "unsuppressed", "unshelved", "returned-to-service", "reminded"})


@dataclass(slots=True, eq=False)
class Notice:
    """One thing to be told. ``seqs``: the events that are settled with it.

    ``tried``: a page with it may have arrived. ``parked``: the events that waited for
    his hours and are told with it.
    """

    seqs: list[int]
    told: Notified
    taken_ms: int
    tried: bool = False
    parked: tuple[int, ...] = ()
    _time_ms: int = field(init=False)

    def __post_init__(self) -> None:
        self._time_ms = time_of(self.told.document)

    @property
    def critical(self) -> bool:
        return bool(self.told.document["priority"] == "critical")

    def late(self, now_ms: int) -> bool:
        """Old, and over: nobody is to be called for it any more."""
        return self.told.over and now_ms - self._time_ms > LATE_MS


@dataclass(frozen=True, slots=True)
class Batch:
    """A page and the notices it settles. ``flood``: the next such page waits a while."""

    page: Page
    notices: tuple[Notice, ...]
    flood: bool = False

    @property
    def critical(self) -> bool:
        return any(notice.critical for notice in self.notices)


class Outbox:
    """The pages of one contact. ``places`` are those that page him first."""

    def __init__(
        self,
        contact: ContactPlan,
        places: frozenset[str],
        zone: tzinfo,
        writer: PageWriter,
        quota: Quota | None = None,
    ) -> None:
        self._contact = contact
        self._places = places
        self._zone = zone
        self._writer = writer
        self._quota = quota or Quota()
        self._pending: list[Notice] = []
        self._raised: dict[str, Document] = {}  # by alarm: what he was, or will be, told of
        self._behind: dict[str, Document] = {}  # by alarm: suppressed under another one now
        self._returned: set[str] = set()  # over, and nobody has acknowledged
        self._parked: dict[str, Document] = {}  # by alarm: came outside his hours, still stands
        self._woken = 0  # the last of what was parked and has been told
        self._chatters_ms: dict[str, int] = {}
        self._ahead: set[str] = set()  # ids told before they were in the record
        self._told_ms: deque[int] = deque(maxlen=FLOOD + 1)
        self._flood = False
        self._digest_ms: int | None = None
        self._starved: set[str] = set()
        self._seen = 0

    @property
    def cursor(self) -> int:
        """Every event up to this ``seq`` is settled."""
        waiting = [seq for notice in self._pending for seq in notice.seqs if seq <= self._seen]
        return min(waiting) - 1 if waiting else self._seen

    @property
    def woken(self) -> int:
        """Of what was parked, everything up to this ``seq`` has been told."""
        waiting = [seq for notice in self._pending for seq in notice.parked]
        return min([self._woken, *(seq - 1 for seq in waiting)])

    @property
    def waiting(self) -> int:
        """How many events wait to be told."""
        return sum(len(notice.seqs) for notice in self._pending)

    def oldest_ms(self) -> int | None:
        """Since when the oldest of them waits."""
        return min((notice.taken_ms for notice in self._pending), default=None)

    # What comes in.

    def recall(self, settled: Sequence[Document], cursor: int, woken: int = 0) -> None:
        """After a start: what he was told of, from the events up to ``cursor``, told or settled.

        ``woken``: up to which seq he was told of what came outside his hours.
        """
        for document in settled:
            self._route(document, 0)
            self._pending.clear()
        self._seen, self._woken = cursor, woken
        for alarm in [a for a, document in self._parked.items() if document["seq"] <= woken]:
            self._raised.setdefault(alarm, self._parked.pop(alarm))

    def take(self, document: Document, now_ms: int, *, recorded: bool = True) -> None:
        """One more event, in ``seq`` order; ``recorded`` False while the disk refuses it."""
        if document["id"] in self._ahead:
            self._ahead.discard(document["id"])
            self._seen = max(self._seen, document["seq"])
            return
        if not recorded:
            self._ahead.add(document["id"])
        elif document["seq"] <= self._seen:
            return
        else:
            self._seen = document["seq"]
        self._route(document, now_ms)

    def _route(self, document: Document, now_ms: int) -> None:
        alarm, transition, state = document["alarm"], document["transition"], document["state"]
        self._behind.pop(alarm, None)
        if state not in CALLING:
            self._parked.pop(alarm, None)
        if state == "returned":
            self._returned.add(alarm)
        else:
            self._returned.discard(alarm)
        if state == "suppressed" and document["under"] is not None:
            self._behind[alarm] = document
        if transition in HANDLED and state not in ENDED:
            self._withdraw(alarm)
        elif transition == "chattering":
            self._chatter(document, now_ms)
        elif transition not in INSISTING and alarm in self._raised and state in ENDED:
            self._end(document, now_ms)
        elif state in CALLING and self._is_called(document):
            if within(self._contact.hours, time_of(document), self._zone):
                self._call(document, now_ms)
            elif alarm not in self._raised:
                self._parked.setdefault(alarm, document)

    def _is_called(self, document: Document) -> bool:
        if document["transition"] == "unsuppressed" and document["alarm"] in self._raised:
            return False  # a graver level of it was told, and this one stands on
        if document["transition"] == "escalated":
            return bool((document["why"] or "").partition(":")[0] == self._contact.name)
        if document["transition"] not in CALLS:
            return False
        if document["transition"] == "reminded" and document["alarm"] in self._raised:
            return True
        return document["box"] in self._places and self._concerned(document)

    def _concerned(self, document: Document) -> bool:
        least = PRIORITIES.index(self._contact.from_priority)
        return PRIORITIES.index(document["priority"]) <= least

    def _rests(self, document: Document) -> bool:
        """Its pages rest, because he knows that it chatters."""
        since_ms = self._chatters_ms.get(document["alarm"])
        return since_ms is not None and time_of(document) - since_ms < CHATTER_REST_MS

    def _call(self, document: Document, now_ms: int) -> None:
        if self._rests(document) and document["transition"] == "raised":
            return
        if document["state"] == "unacknowledged":  # one that is latched has its end behind it
            self._raised.setdefault(document["alarm"], document)
        self._parked.pop(document["alarm"], None)
        self._drop([n for n in self._calls_of(document["alarm"]) if n.told.waited])
        self._pending.append(Notice([document["seq"]], Notified(document), now_ms))

    def _wake(self, now_ms: int) -> int | None:
        """Hand over what has waited for his hours; the moment of the next, if any waits."""
        if not self._parked:
            return None
        hours = self._contact.hours
        if hours is not None and not within(hours, now_ms, self._zone):
            return next_moment(hours[0], now_ms, self._zone)
        for documents in self._writer.by_level(self._parked.values()):
            graver, seqs = documents[0], tuple(d["seq"] for d in documents)
            told = Notified(graver, waited=True)
            self._pending.append(Notice([], told, now_ms, parked=seqs))
        for alarm, document in self._parked.items():
            self._raised.setdefault(alarm, document)
        self._parked.clear()
        return None

    def _chatter(self, document: Document, now_ms: int) -> None:
        if document["alarm"] not in self._raised and not (
            document["box"] in self._places and self._concerned(document)
        ):
            return
        if within(self._contact.hours, time_of(document), self._zone):
            self._chatters_ms[document["alarm"]] = time_of(document)
            self._pending.append(Notice([document["seq"]], Notified(document), now_ms))

    def _end(self, document: Document, now_ms: int) -> None:
        """Told with its raise in one page where that has not gone out yet."""
        raised = self._raised.pop(document["alarm"])
        if heirs := self._milder(document, raised):
            for alarm in heirs:
                self._raised.setdefault(alarm, raised)
            return
        unsent = self._calls_of(document["alarm"])
        seqs = [seq for notice in unsent for seq in notice.seqs]
        self._drop(unsent)
        if self._rests(document) and not seqs:
            return
        if seqs or within(self._contact.hours, time_of(document), self._zone):
            level, signal = self._writer.is_level(document["alarm"]), document["signal"]
            unseen = level and any(self._writer.is_level(a, signal) for a in self._returned)
            told = Notified(document, raised=raised, unseen=unseen)
            self._pending.append(Notice([*seqs, document["seq"]], told, now_ms))

    def _milder(self, document: Document, raised: Document) -> list[str]:
        """Other levels of the same signal that stand, told of or kept quiet behind this one."""
        if not self._writer.is_level(document["alarm"]):
            return []
        least = PRIORITIES.index(raised["priority"])
        behind = [
            alarm
            for alarm, held in self._behind.items()
            if self._concerned(held) or PRIORITIES.index(held["priority"]) <= least
        ]
        standing = {**dict.fromkeys(self._raised), **dict.fromkeys(behind)}
        signal = document["signal"]
        return [a for a in standing if self._writer.is_level(a, signal) and a != document["alarm"]]

    def _withdraw(self, alarm: str) -> None:
        """Somebody has it in hand: what has not gone out yet need not wake anybody."""
        called = self._calls_of(alarm)
        self._drop(called)
        untold = [n.told.document for n in called if not n.tried]
        for name, raised in list(self._raised.items()):
            if any(raised is document for document in untold):
                del self._raised[name]
        self._chatters_ms.pop(alarm, None)

    def _calls_of(self, alarm: str) -> list[Notice]:
        return [n for n in self._pending if n.told.document["alarm"] == alarm and not n.told.over]

    def _drop(self, notices: Sequence[Notice]) -> None:
        gone = set(notices)
        self._pending = [n for n in self._pending if n not in gone]

    # What goes out.

    def next(self, now_ms: int, *, leaving: bool = False) -> Batch | int | None:
        """The page to send now, or the moment to ask again, or None while nothing waits.

        ``leaving``: nothing is held back to be gathered.
        """
        due_ms = self._wake(now_ms)
        if not self._pending:
            return due_ms
        late, critical, ordinary = _sorted(self._pending, now_ms)
        gather_ms = 0 if leaving else GATHER_MS
        answers = [
            self._urgent(critical, now_ms) if critical else None,
            self._late(late, now_ms) if late else None,
            self._ordinary(ordinary, now_ms, gather_ms) if ordinary else None,
        ]
        for answer in answers:
            if isinstance(answer, Batch):
                return answer
        return min(moment for moment in (*answers, due_ms) if isinstance(moment, int))

    def _urgent(self, critical: Sequence[Notice], now_ms: int) -> Batch | int:
        when_ms = self._quota.next_ms(now_ms, critical=True)
        if when_ms > now_ms:
            self._starved.add("critical")
            return when_ms
        if "critical" in self._starved:
            return self._digest(critical, now_ms)
        return self._one(critical[0], now_ms)

    def _late(self, late: Sequence[Notice], now_ms: int) -> Batch | int:
        when_ms = self._quota.next_ms(now_ms, critical=False)
        return when_ms if when_ms > now_ms else self._digest(late, now_ms, why="late")

    def _ordinary(self, ripe: Sequence[Notice], now_ms: int, gather_ms: int) -> Batch | int:
        if now_ms < ripe[0].taken_ms + gather_ms:
            return ripe[0].taken_ms + gather_ms
        when_ms = self._quota.next_ms(now_ms, critical=False)
        if when_ms > now_ms:
            self._starved.add("ordinary")
            return when_ms
        waited = [notice for notice in ripe if notice.told.waited]
        if waited:
            return self._digest(waited, now_ms, why="waited")
        if not self._is_flood(len(ripe), now_ms):
            return self._one(ripe[0], now_ms)
        if self._digest_ms is not None and now_ms - self._digest_ms < DIGEST_EVERY_MS:
            return self._digest_ms + DIGEST_EVERY_MS
        return self._digest(ripe, now_ms)

    def _is_flood(self, ripe: int, now_ms: int) -> bool:
        while self._told_ms and self._told_ms[0] <= now_ms - FLOOD_WINDOW_MS:
            self._told_ms.popleft()
        count = len(self._told_ms) + ripe
        self._flood = count >= FLOOD_OVER_BELOW if self._flood else count > FLOOD
        return self._flood or ("ordinary" in self._starved and ripe > 1)

    def _one(self, notice: Notice, now_ms: int) -> Batch:
        told = notice.told
        write = self._writer.over if told.over else self._writer.alarm
        return Batch(write(told, now_ms), (notice,))

    def _digest(
        self, notices: Sequence[Notice], now_ms: int, *, why: DigestReason = "flood"
    ) -> Batch:
        flood = why == "flood"
        if len(notices) == 1:
            return replace(self._one(notices[0], now_ms), flood=flood)
        page = self._writer.digest([n.told for n in notices], now_ms, why=why)
        return Batch(page, tuple(notices), flood=flood)

    def tried(self, batch: Batch) -> None:
        """The page may have arrived, or may be on its way."""
        for notice in batch.notices:
            notice.tried = True

    def refused(self, batch: Batch) -> None:
        """The page has certainly not arrived; it will be written anew."""
        for notice in batch.notices:
            notice.tried = False

    def wants(self, batch: Batch) -> bool:
        """Whether any of it is still to be told."""
        return not set(self._pending).isdisjoint(batch.notices)

    def settled(self, batch: Batch, now_ms: int, *, sent: bool = True) -> None:
        """The page has gone out, or never will: what it told is not told again."""
        self._drop(batch.notices)
        self._woken = max([self._woken, *(seq for n in batch.notices for seq in n.parked)])
        if not sent:
            return
        self._quota.spend(now_ms, critical=batch.critical)
        self._told_ms.extend(now_ms for _ in batch.notices)
        if batch.flood:
            self._digest_ms = now_ms
            self._starved.clear()


def _sorted(
    pending: Sequence[Notice], now_ms: int
) -> tuple[list[Notice], list[Notice], list[Notice]]:
    """Late ones, critical ones, ordinary ones."""
    late = [notice for notice in pending if notice.late(now_ms)]
    others = [notice for notice in pending if not notice.late(now_ms)]
    return late, [n for n in others if n.critical], [n for n in others if not n.critical]
