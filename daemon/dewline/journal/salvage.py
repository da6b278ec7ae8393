"""A damaged record: it is set aside, and a fresh one gets what can still be read."""

from __future__ import annotations

import contextlib
import json
import logging
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from dewline.errors import JournalError
from dewline.journal.readonly import Value
from dewline.journal.schema import connect, is_damage, set_aside, transaction

log = logging.getLogger(__name__)

SALVAGE_S = 10.0
# What a restart and the followers need, as table: (key, columns). Raw readings stay behind.
_KEPT = {
    "plan": ("hash", 2),
    "follower": ("name", 3),
    "note": ("item_seq", 6),
    "ledger": ("id", 6),
    "verdict": ("signal", 8),
    "read_with": ("hash", 2),
    "event": ("seq", 6),
    "snapshot": ("item_seq", 3),
    "dead_letter": ("id", 5),
}


def open_or_replace(path: Path) -> tuple[sqlite3.Connection, Path | None]:
    """A writing connection, and the new name of the old file where that was damaged.

    JournalError where the file cannot be opened for another reason.
    """
    try:
        return connect(path), None
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise JournalError(f"{path} cannot be opened: {error}") from error
        log.error("journal: %s: %s; set aside", path, error)
        return replace_damaged(path)


def replace_damaged(path: Path) -> tuple[sqlite3.Connection, Path]:
    """Set the file aside and make a fresh one with all that can be read but the raw readings.

    Reading takes at most ``SALVAGE_S``. Returns a writing connection and the name of the old
    file; JournalError where no fresh file can be made.
    """
    aside = set_aside(path)
    try:
        fresh = connect(path)
    except sqlite3.Error as error:
        raise JournalError(f"no fresh record at {path}: {error}") from error
    with contextlib.suppress(sqlite3.Error):
        _carry_over(aside, fresh)
    return fresh, aside


def _carry_over(aside: Path, fresh: sqlite3.Connection) -> None:
    old = sqlite3.connect(aside, isolation_level=None)
    deadline = time.monotonic() + SALVAGE_S
    old.set_progress_handler(lambda: time.monotonic() > deadline, 10_000)
    with contextlib.closing(old), transaction(fresh):
        for table, (key, width) in _KEPT.items():
            places = ", ".join("?" * width)
            for row in _readable(old, table, key):
                if len(row) == width and _is_sound(row):
                    fresh.execute(f"INSERT OR IGNORE INTO {table} VALUES ({places})", row)
        fresh.execute("DELETE FROM follower WHERE name = 'minute'")  # no raw came along


def _readable(old: sqlite3.Connection, table: str, key: str) -> Iterator[tuple[Value, ...]]:
    """Rows from both ends up to the break: newest first, then oldest first."""
    for order in ("DESC", "ASC"):
        with contextlib.suppress(sqlite3.Error):
            yield from old.execute(f"SELECT * FROM {table} ORDER BY {key} {order}")
            return


def _is_sound(row: tuple[Value, ...]) -> bool:
    """Whether what looks like JSON in a row still is."""
    try:
        for value in row:
            if isinstance(value, str) and value.startswith("{"):
                json.loads(value)
    except ValueError:
        return False
    return True
