"""The record's health, for a person who asks; works beside a running daemon."""

from __future__ import annotations

import math
import sqlite3
from itertools import groupby
from operator import attrgetter
from pathlib import Path

from dewline.errors import JournalError
from dewline.journal.reader import Reader, site_of
from dewline.journal.schema import SIGNAL_BITS, SIGNAL_MASK, backup, is_damage
from dewline.journal.space import log_bytes, owner_of
from dewline.readings import Resumed, iso_utc
from dewline.typed_json import Json

# Laws of any record: each statement counts the rows that break one.
_LAWS = {
    "events whose item is missing": """
        SELECT count(*) FROM event WHERE item_seq >= (SELECT min(seq) FROM item)
        AND NOT EXISTS (SELECT 1 FROM item WHERE seq = item_seq)""",
    "events missing between the first and the last": """
        SELECT coalesce(max(seq) - min(seq) + 1, 0) - count(*) FROM event""",
    "items out of order in watch time": """
        SELECT count(*) FROM (SELECT at_ms < lag(at_ms) OVER (ORDER BY seq) AS back FROM item)
        WHERE back""",
    "readings without an item": f"""
        SELECT count(*) FROM sample
        WHERE NOT EXISTS (SELECT 1 FROM item WHERE seq = key >> {SIGNAL_BITS})""",
    "readings of an unknown signal or quality": f"""
        SELECT count(*) FROM sample
        WHERE NOT EXISTS (SELECT 1 FROM signal WHERE id = key & {SIGNAL_MASK})
        OR NOT EXISTS (SELECT 1 FROM quality WHERE code = sample.quality)""",
    "event documents that are no JSON": """
        SELECT count(*) FROM event WHERE NOT json_valid(document)""",
    "states of the watch that are no JSON": """
        SELECT count(*) FROM snapshot WHERE NOT json_valid(document)""",
}


class _Examiner(Reader):
    """Questions without a time limit: reading a whole record may take minutes."""

    def __init__(self, path: Path) -> None:
        super().__init__(path, time_limit_s=math.inf)

    def problems(self) -> list[str]:
        """What SQLite's own check finds; where that is nothing, the laws that rows break."""
        found = [str(row[0]) for row in self._all("PRAGMA integrity_check")]
        if found != ["ok"]:
            return found
        counts = {what: self.number(law) for what, law in _LAWS.items()}
        return [f"{count} {what}" for what, count in counts.items() if count]

    def number(self, statement: str) -> int | None:
        value = self._first(statement)[0]
        return None if value is None else int(value)

    def followers(self) -> list[tuple[str, int, int]]:
        return self._all("SELECT name, item_seq, event_seq FROM follower ORDER BY name")

    def reading_maps(self) -> list[Json]:
        """Since when registers are read as they are: time and hash of every change, in order."""
        resumed = [item for _, item in self.inputs() if isinstance(item, Resumed)]
        runs = groupby(resumed, key=attrgetter("read_with"))
        begun = [(map_hash, next(run).time_ms) for map_hash, run in runs if map_hash]
        return [f"{map_hash} since {iso_utc(time_ms)}" for map_hash, time_ms in begun]

    def backup(self, target: Path) -> None:
        with self._asking() as connection:
            backup(connection, target)


def info(path: Path) -> dict[str, Json]:
    """What is in the record and how far its followers are, as one JSON object.

    Sizes in bytes, times as ISO 8601 in UTC. ``writer`` is the process that writes the record
    now, ``set_aside`` the damaged files beside it. JournalError where it cannot be read.
    """
    with _Examiner(path) as examiner:
        tail, number = examiner.tail(), examiner.number
        oldest_ms = number("SELECT time_ms FROM item ORDER BY seq LIMIT 1") if tail.seq else None
        return {
            "path": str(path),
            "site": site_of(path),
            "schema_version": number("SELECT schema_version FROM meta"),
            "writer": owner_of(path),
            "bytes": path.stat().st_size,
            "log_bytes": log_bytes(path),
            "free_pages": number("PRAGMA freelist_count"),
            "signals": number("SELECT count(*) FROM signal"),
            "first_item": number("SELECT min(seq) FROM item"),
            "last_item": tail.seq,
            "raw_from": None if oldest_ms is None else iso_utc(oldest_ms),
            "raw_to": None if tail.time_ms is None else iso_utc(tail.time_ms),
            "events": number("SELECT count(*) FROM event"),
            "verdicts": number("SELECT count(*) FROM verdict"),
            "read_with": examiner.reading_maps(),
            "ledger_rows": number("SELECT count(*) FROM ledger"),
            "notes": number("SELECT count(*) FROM note"),
            "dead_letters": number("SELECT count(*) FROM dead_letter"),
            "snapshots": number("SELECT count(*) FROM snapshot"),
            "followers": {
                name: {"item_seq": item_seq, "event_seq": event_seq}
                for name, item_seq, event_seq in examiner.followers()
            },
            "set_aside": [*sorted(p.name for p in path.parent.glob(f"{path.name}.damaged-*"))],
        }


def check(path: Path) -> list[str]:
    """Everything that is wrong with the record, in words; empty for a sound one.

    SQLite's own integrity check first, then the laws of a record. Reads all of it, which takes
    minutes on a slow disk. JournalError where the file cannot be read for another reason than
    damage.
    """
    try:
        with _Examiner(path) as examiner:
            return examiner.problems()
    except JournalError as error:
        if isinstance(error.__cause__, sqlite3.Error) and is_damage(error.__cause__):
            return [str(error)]
        raise


def back_up(path: Path, target: Path) -> None:
    """Write a whole copy to ``target`` while the daemon runs on.

    JournalError where ``target`` is there already or the copy cannot be made.
    """
    if target.exists():
        raise JournalError(f"{target} is there already; name another file")
    with _Examiner(path) as examiner:
        examiner.backup(target)
