"""The jobs that are put into the record, and the rows they become."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Literal, NamedTuple, TypeGuard, assert_never

from dewline.errors import JournalError
from dewline.events import Entry, Event, LedgerRow, Reply
from dewline.journal.schema import SIGNAL_BITS, SIGNAL_MASK
from dewline.readings import Command, Quality, Reading, Resumed, Scan, Verdict, compact_json

Origin = Literal["measured", "derived"]
SAMPLE = "INSERT OR REPLACE INTO sample VALUES (?, ?, ?)"
ITEM = "INSERT INTO item VALUES (?, ?, ?, ?, ?, ?)"
EVENT = "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO NOTHING"
NOTE = "INSERT OR REPLACE INTO note VALUES (?, ?, ?, ?, ?, ?)"
LEDGER = """INSERT INTO ledger VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO UPDATE SET
    started_ms = excluded.started_ms, ended_ms = excluded.ended_ms, document = excluded.document"""
# What still stands of the same signal and quality was never ended: it ends here.
REPLACED = """UPDATE verdict SET until_ms = ?, item_seq = ?
    WHERE signal = ? AND quality = ? AND until_ms IS NULL AND since_ms <> ?"""
VERDICT = """INSERT INTO verdict VALUES (?, ?, ?, ?, ?, ?, ?, ?)
    ON CONFLICT(signal, quality, since_ms) DO UPDATE SET until_ms = excluded.until_ms,
    up_to = excluded.up_to, at_floor = excluded.at_floor, item_seq = excluded.item_seq"""
RESTAMP = "UPDATE item SET time_ms = at_ms + ? WHERE seq >= ?"
OPEN_ROW = "DELETE FROM ledger WHERE id = ? AND ended_ms IS NULL"
FOLLOWER = """INSERT INTO follower VALUES (:name, coalesce(:item, 0), coalesce(:event, 0))
    ON CONFLICT(name) DO UPDATE SET
    item_seq = coalesce(:item, item_seq), event_seq = coalesce(:event, event_seq)"""


class PlanText(NamedTuple):
    """The plan behind a hash, as JSON."""

    hash: str
    document: str


class ReadingMap(NamedTuple):
    """How registers are read, behind its hash, as JSON (``config.read_with``)."""

    hash: str
    document: str


class Snapshot(NamedTuple):
    """The whole state of the watch after the item of that seq, as JSON."""

    item_seq: int
    plan_hash: str
    document: str


class Cursor(NamedTuple):
    """How far a follower's far side has confirmed; None leaves that half as it was."""

    follower: str
    item_seq: int | None
    event_seq: int | None


class DeadLetter(NamedTuple):
    """What a far side refused for good, with its reason."""

    follower: str
    time_ms: int
    reason: str
    document: str


class Units(NamedTuple):
    """Units of signals by full name, for signals seen from now on."""

    units: Mapping[str, str]


class Restamp(NamedTuple):
    """The clock was set: items from that seq on bear the wall time at_ms + ``offset_ms``."""

    first_seq: int
    offset_ms: int


Job = Entry | PlanText | ReadingMap | Snapshot | Cursor | DeadLetter | Units | Restamp
SampleRow = tuple[int, float | None, int]
ItemRow = tuple[int, int, int, str, str, str | None]


def storable(text: str) -> str:
    """``text`` with lone surrogates replaced, which UTF-8 cannot hold.

    A terminal in the wrong encoding makes them; an event must not be lost for its text.
    """
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")


def item_row(seq: int, item: Scan | Command | Resumed) -> ItemRow:
    """The row of an item. A scan has no document: its readings are rows of ``sample``.

    A command or ``Resumed`` has one with its fields as JSON, those that are None left out.
    """
    head = (seq, item.time_ms, item.at_ms)
    match item:
        case Scan():
            return (*head, "scan", item.source, None)
        case Command():
            return (*head, "command", storable(item.source), _fields(item))
        case Resumed():
            return (*head, "resumed", "", _fields(item))
        case _:
            assert_never(item)


def _fields(item: Command | Resumed) -> str:
    """The fields that have no column of their own, as JSON."""
    columns = ("time_ms", "at_ms", "source")
    given = {k: v for k, v in asdict(item).items() if v is not None and k not in columns}
    return storable(compact_json(given))


def item_of(row: ItemRow, readings: Mapping[str, Reading]) -> Scan | Command | Resumed:
    """The item of a row, exactly as it was appended. ``readings`` are those of a scan.

    JournalError for a kind of item that this version does not know.
    """
    _, time_ms, at_ms, kind, source, document = row
    if kind == "scan":
        return Scan(time_ms, at_ms, source, readings)
    fields = json.loads(document or "{}")
    if kind == "command":
        return Command(time_ms, at_ms, source, **fields)
    if kind == "resumed":
        return Resumed(time_ms, at_ms, **fields)
    raise JournalError(f"item {row[0]} is of a kind this dewline does not know: {kind!r}")


def _is_note(item: Command | Resumed, reply: Reply | None) -> TypeGuard[Command]:
    """Whether it says what was done at a box; what the watch has refused was not done."""
    refused = reply is not None and not reply.ok
    return isinstance(item, Command) and item.command in ("note", "planned") and not refused


class RowWriter:
    """Writes jobs as rows, inside a transaction that the caller opened.

    It keeps the ids of signals and the seq of the last event; after a rollback the caller has to
    call ``reload``.
    """

    def __init__(self, connection: sqlite3.Connection, units: Mapping[str, str]) -> None:
        self.connection = connection
        self.units: dict[str, str] = dict(units)
        self.event_seq = 0
        self._known: dict[tuple[str, str, str], int] = {}  # id by name, unit and origin
        self._ids: dict[Origin, dict[str, int]] = {}  # the same by name, for the units of now
        self.reload()

    def reload(self) -> None:
        """Read from the file what a rolled-back transaction may have changed here."""
        rows = self.connection.execute("SELECT name, unit, origin, id FROM signal")
        self._known = {(name, unit, origin): number for name, unit, origin, number in rows}
        self._ids = {"measured": {}, "derived": {}}
        self.event_seq = self.connection.execute(
            "SELECT coalesce(max(seq), 0) FROM event"
        ).fetchone()[0]

    def write(self, jobs: Iterable[Job]) -> None:
        """Write the rows of these jobs, in their order.

        sqlite3.Error where the file refuses; ValueError, TypeError, OverflowError or
        JournalError for a job that no file could take.
        """
        items: list[ItemRow] = []
        samples: list[SampleRow] = []
        stamps: list[tuple[int, int]] = []
        for job in jobs:
            if isinstance(job, Entry):
                self._entry(job, items, samples)
            elif isinstance(job, Restamp):
                stamps.append((job.offset_ms, job.first_seq))
            else:
                self._other(job)
        self.connection.executemany(ITEM, items)
        self.connection.executemany(SAMPLE, samples)
        self.connection.executemany(RESTAMP, stamps)  # after the items of the same commit

    def _entry(self, entry: Entry, items: list[ItemRow], samples: list[SampleRow]) -> None:
        seq, item, outcome = entry
        if item is not None:
            items.append(item_row(seq, item))
            if isinstance(item, Scan):
                self._samples(seq, item.readings, "measured", samples)
            elif _is_note(item, outcome.reply):
                self._note(seq, item)
        if outcome.readings:
            self._samples(seq, outcome.readings, "derived", samples)
        for event in outcome.events:
            self._event(event, seq)
        for row in outcome.ledger:
            self._ledger(row)
        for verdict in outcome.verdicts:
            self._verdict(verdict, seq)

    def _samples(
        self, seq: int, readings: Mapping[str, Reading], origin: Origin, into: list[SampleRow]
    ) -> None:
        first = seq << SIGNAL_BITS
        ids = self._ids[origin]
        for name, (value, quality) in readings.items():
            number = ids.get(name) or self._register(name, origin)
            if value is not None and math.isnan(value):
                value, quality = None, max(quality, Quality.NOT_A_NUMBER)  # noqa: PLW2901
            into.append((first | number, value, quality))

    def _register(self, name: str, origin: Origin) -> int:
        unit = self.units.get(name, "")
        number = self._known.get((name, unit, origin))
        if number is None:
            number = max(self._known.values(), default=0) + 1
            if number > SIGNAL_MASK:
                raise JournalError(f"{name}: a record holds at most {SIGNAL_MASK} signals")
            self.connection.execute(
                "INSERT INTO signal VALUES (?, ?, ?, ?)", (number, name, unit, origin)
            )
            self._known[name, unit, origin] = number
        self._ids[origin][name] = number
        return number

    def _event(self, event: Event, item_seq: int) -> None:
        # A seq that is in use belongs to another event, or to this one before a crash. The id
        # decides which, so that no event is lost for its number.
        seq = max(event.seq, self.event_seq + 1)
        document = storable(compact_json(event.document() | {"seq": seq}))
        row = (seq, event.id, event.at_ms, event.alarm, document, item_seq)
        if self.connection.execute(EVENT, row).rowcount > 0:
            self.event_seq = seq

    def _ledger(self, row: LedgerRow) -> None:
        document = storable(compact_json(row.document))
        values = (row.id, row.box, row.kind, row.started_ms, row.ended_ms, document)
        if row.ended_ms is not None:  # followers read by rowid: a row that closes gets a new one
            self.connection.execute(OPEN_ROW, (row.id,))
        self.connection.execute(LEDGER, values)

    def _verdict(self, verdict: Verdict, seq: int) -> None:
        signal, quality, since_ms, time_ms, until_ms, up_to, at_floor = verdict
        ended_ms = since_ms if until_ms is None else until_ms
        self.connection.execute(REPLACED, (ended_ms, seq, signal, quality, since_ms))
        row = (signal, quality, since_ms, until_ms, time_ms, up_to, at_floor, seq)
        self.connection.execute(VERDICT, row)

    def _note(self, seq: int, item: Command) -> None:
        text = None if item.why is None else storable(item.why)
        row = (seq, item.time_ms, item.box, item.kind, storable(item.by), text)
        self.connection.execute(NOTE, row)

    def _other(self, job: PlanText | ReadingMap | Snapshot | Cursor | DeadLetter | Units) -> None:
        match job:
            case PlanText():
                self.connection.execute("INSERT OR IGNORE INTO plan VALUES (?, ?)", job)
            case ReadingMap():
                self.connection.execute("INSERT OR IGNORE INTO read_with VALUES (?, ?)", job)
            case Snapshot():
                statement = "INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)"
                self.connection.execute(statement, job)
            case Cursor(name, item_seq, event_seq):
                values = {"name": name, "item": item_seq, "event": event_seq}
                self.connection.execute(FOLLOWER, values)
            case DeadLetter():
                row = (job.follower, job.time_ms, job.reason, storable(job.document))
                self.connection.execute("INSERT INTO dead_letter VALUES (NULL, ?, ?, ?, ?)", row)
            case Units(units):
                self.units.update(units)
                self._ids = {"measured": {}, "derived": {}}
            case _:
                assert_never(job)
