"""Questions to the record, read-only, each with a time limit.

No transaction stays open after a call: it would keep the write-ahead log from starting over. A
long answer is read in pieces, each in its own transaction.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from dewline.errors import JournalError
from dewline.events import EventDocument, LedgerRow, event_document
from dewline.journal.rows import ItemRow, Snapshot, item_of
from dewline.journal.schema import SIGNAL_BITS, SIGNAL_MASK
from dewline.journal.series import QUALITIES, SeriesReader
from dewline.readings import Command, Quality, Reading, Resumed, Scan, Verdict, judge, parse_iso_utc

ITEMS_AT_ONCE = 1000


class Tail(NamedTuple):
    """The end of the record: seq of the last item and of the last event, and the last moment.

    ``at_ms`` is watch time, ``time_ms`` wall time. A tick may bring an event later than the last
    item; both times include it.
    """

    seq: int
    event_seq: int
    at_ms: int | None
    time_ms: int | None


class Row(NamedTuple):
    """One reading in feed order, measured or derived, as followers send it.

    ``quality`` under the verdicts of the watch, ``raw`` as the bus gave it.
    """

    seq: int
    time_ms: int
    signal: str
    unit: str
    origin: str
    value: float | None
    quality: Quality
    raw: Quality


class Note(NamedTuple):
    """What a person wrote into the record."""

    item_seq: int
    time_ms: int
    box: str | None
    kind: str | None
    by: str
    text: str | None


class Reader(SeriesReader):
    """All questions dewline asks of its record. Each task makes its own; that is cheap."""

    # ---- the end, and what a restart needs

    def tail(self) -> Tail:
        """Where the record ends; (0, 0, None, None) for an empty one.

        Where old raw readings are deleted to the last, the newest snapshot or event counts.
        """
        item = self._first("SELECT seq, at_ms, time_ms FROM item ORDER BY seq DESC LIMIT 1")
        event = self._first("SELECT seq, at_ms, item_seq FROM event ORDER BY seq DESC LIMIT 1")
        snapshot = self._first("SELECT max(item_seq) FROM snapshot")
        seq = max(item[0] if item else 0, event[2] if event else 0, (snapshot or (0,))[0] or 0)
        event_seq = event[0] if event else 0
        if item is None:
            at_ms = event[1] if event else None
            return Tail(seq, event_seq, at_ms, at_ms)
        at_ms = max(item[1], event[1]) if event else item[1]
        return Tail(seq, event_seq, at_ms, item[2] + at_ms - item[1])

    def first_ms(self) -> int | None:
        """Wall time of the first item or event that is kept; None for an empty record."""
        item = self._first("SELECT time_ms FROM item ORDER BY seq LIMIT 1")
        found = [item[0]] if item else []
        found += [parse_iso_utc(event["time"]) for event in self.events(0, 1)]
        return min(found, default=None)

    def snapshot(self) -> Snapshot | None:
        """The newest state of the watch."""
        row = self._first("SELECT * FROM snapshot ORDER BY item_seq DESC LIMIT 1")
        return None if row is None else Snapshot(*row)

    def first_snapshot(self) -> Snapshot | None:
        """The oldest state of the watch from which every later item is still there.

        Where old raw is gone, a replay starts here; None: it can start from nothing.
        """
        oldest = self._first("SELECT min(seq) FROM item")
        if oldest is None or oldest[0] is None or oldest[0] <= 1:
            return None
        row = self._first(
            "SELECT * FROM snapshot WHERE item_seq >= ? ORDER BY item_seq LIMIT 1", oldest[0] - 1
        )
        return None if row is None else Snapshot(*row)

    def plan(self, plan_hash: str) -> str | None:
        """The JSON text of a plan, as it was put."""
        row = self._first("SELECT document FROM plan WHERE hash = ?", plan_hash)
        return None if row is None else str(row[0])

    def reading_map(self, map_hash: str) -> str | None:
        """The JSON text of how registers were read, as it was put."""
        row = self._first("SELECT document FROM read_with WHERE hash = ?", map_hash)
        return None if row is None else str(row[0])

    def follower(self, name: str) -> tuple[int, int]:
        """(item_seq, event_seq) that this follower's far side has confirmed; zeros at first."""
        row = self._first("SELECT item_seq, event_seq FROM follower WHERE name = ?", name)
        return (0, 0) if row is None else (row[0], row[1])

    # ---- in feed order

    def items(
        self, after_seq: int = 0, until_seq: int | None = None
    ) -> Iterator[tuple[int, Scan | Command | Resumed]]:
        """Items with after_seq < seq <= until_seq exactly as they were appended.

        Measured readings only: derived ones follow from the items, never into them.
        """
        for rows, samples in self._pieces(after_seq, until_seq):
            scans = self._scans(rows, samples)
            for row in rows:
                yield row[0], item_of(row, scans.get(row[0], {}))

    def inputs(self, after_seq: int = 0) -> list[tuple[int, Command | Resumed]]:
        """Every input of the watch after that one that is no scan, in feed order."""
        question = "SELECT * FROM item WHERE seq > ? AND kind <> 'scan' ORDER BY seq"
        rows = self._all(question, after_seq)
        items = [(row[0], item_of(row, {})) for row in rows]
        return [(seq, item) for seq, item in items if not isinstance(item, Scan)]

    def rows(self, after_seq: int = 0, until_seq: int | None = None) -> Iterator[Row]:
        """All readings with after_seq < seq <= until_seq, in feed order."""
        for items, samples in self._pieces(after_seq, until_seq):
            times = {row[0]: (row[1], row[2]) for row in items}
            verdicts = _by_signal(self.verdicts(items[0][2], items[-1][2] + 1))
            for key, value, number in samples:
                name, unit, origin = self._signal(key & SIGNAL_MASK)
                seq = key >> SIGNAL_BITS
                if seq not in times:
                    continue
                time_ms, at_ms = times[seq]
                quality = raw = QUALITIES[number]
                if name in verdicts:
                    held = [verdict for verdict in verdicts[name] if verdict.holds(at_ms)]
                    quality = judge(Reading(value, raw), held).quality
                yield Row(seq, time_ms, name, unit, origin, value, quality, raw)

    def _pieces(
        self, after_seq: int, until_seq: int | None
    ) -> Iterator[tuple[list[ItemRow], list[tuple[int, float | None, int]]]]:
        last = self.tail().seq if until_seq is None else until_seq
        while True:
            with self._reading() as connection:
                items = connection.execute(
                    "SELECT * FROM item WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?",
                    (after_seq, last, ITEMS_AT_ONCE),
                ).fetchall()
                if not items:
                    return
                low, high = items[0][0], items[-1][0]
                samples = connection.execute(
                    "SELECT * FROM sample WHERE key >= ? AND key < ? ORDER BY key",
                    (low << SIGNAL_BITS, (high + 1) << SIGNAL_BITS),
                ).fetchall()
            yield items, samples
            after_seq = high

    def _scans(
        self, items: list[ItemRow], samples: list[tuple[int, float | None, int]]
    ) -> dict[int, dict[str, Reading]]:
        scans: dict[int, dict[str, Reading]] = {row[0]: {} for row in items}
        measured = self._measured()
        # The inner loop of every replay: a tuple is made straight, without Reading's wrapper.
        make, qualities, name_of = tuple.__new__, QUALITIES, measured.get
        last, readings = -1, {}
        for key, value, quality in samples:
            name = name_of(key & SIGNAL_MASK)
            if name is not None:
                seq = key >> SIGNAL_BITS
                if seq != last:
                    last, readings = seq, scans[seq]
                readings[name] = make(Reading, (value, qualities[quality]))
        return scans

    def _measured(self) -> dict[int, str]:
        signals = self._all_signals().items()
        return {number: name for number, (name, _, origin) in signals if origin == "measured"}

    def events(self, after_event_seq: int = 0, limit: int = 1000) -> list[EventDocument]:
        """At most ``limit`` event documents with a higher ``seq``, oldest first."""
        rows = self._all(
            "SELECT document FROM event WHERE seq > ? ORDER BY seq LIMIT ?", after_event_seq, limit
        )
        return [event_document(text) for (text,) in rows]

    def verdicts_after(self, after_seq: int, until_seq: int) -> list[Verdict]:
        """What began or ended last with an item of after_seq < seq <= until_seq."""
        return self._verdicts("item_seq > ? AND item_seq <= ?", after_seq, until_seq)

    # ---- tables

    def alarm_table(self) -> list[EventDocument]:
        """The last event document of every alarm that ever had one, by alarm name."""
        rows = self._all(
            "SELECT document FROM event WHERE seq IN"
            " (SELECT max(seq) FROM event GROUP BY alarm) ORDER BY alarm"
        )
        return [event_document(text) for (text,) in rows]

    def ledger(
        self, box: str | None = None, kind: str | None = None, since_ms: int | None = None
    ) -> list[LedgerRow]:
        """Ledger rows, oldest first; ``since_ms``: still open or ended at or after it."""
        rows = self._all(
            "SELECT * FROM ledger WHERE box = ifnull(?, box) AND kind = ifnull(?, kind)"
            " AND ifnull(ended_ms >= ?, TRUE) ORDER BY started_ms, id",
            *(box, kind, since_ms),
        )
        return [LedgerRow(i, b, k, t0, t1, json.loads(doc)) for i, b, k, t0, t1, doc in rows]

    def last_ledger_rows(self, limit: int) -> list[LedgerRow]:
        """The closed rows of the ledger that were written last, in order."""
        rows = self._all(
            "SELECT * FROM ledger WHERE ended_ms IS NOT NULL ORDER BY rowid DESC LIMIT ?", limit
        )
        rows.reverse()
        return [LedgerRow(i, b, k, t0, t1, json.loads(doc)) for i, b, k, t0, t1, doc in rows]

    def ledger_after(self, number: int, limit: int = 1000) -> list[tuple[int, LedgerRow]]:
        """Closed rows of the ledger written after row ``number``, each with its own, in order.

        What a follower counts by: a row may be closed, and end, long before it is written.
        """
        rows = self._all(
            "SELECT rowid, * FROM ledger WHERE rowid > ? AND ended_ms IS NOT NULL"
            " ORDER BY rowid LIMIT ?",
            *(number, limit),
        )
        return [
            (n, LedgerRow(i, b, k, t0, t1, json.loads(doc))) for n, i, b, k, t0, t1, doc in rows
        ]

    def notes(self, since_ms: int = 0) -> list[Note]:
        """What people wrote at or after that wall time, in feed order."""
        rows = self._all("SELECT * FROM note WHERE time_ms >= ? ORDER BY item_seq", since_ms)
        return [Note(*row) for row in rows]


def _by_signal(verdicts: Iterable[Verdict]) -> dict[str, list[Verdict]]:
    found: dict[str, list[Verdict]] = {}
    for verdict in verdicts:
        found.setdefault(verdict.signal, []).append(verdict)
    return found


def site_of(path: Path) -> str | None:
    """The site whose events a record holds; None where there are none or it cannot be read."""
    if not path.exists():
        return None
    with Reader(path) as reader:
        try:
            events = reader.events(reader.tail().event_seq - 1, limit=1)
            return str(events[0]["site"]) if events else None
        except (JournalError, ValueError, KeyError):  # damaged: whoever opens it says so
            return None
