"""The tables of the record, and how an older file becomes today's.

Plain SQL, meant to be opened by anyone with ``sqlite3``. ``item`` holds every input of the watch
in the order it was fed. ``sample`` holds the readings of the items, by
``key = seq * 65536 + signal.id``, so that rows are only ever added at the end, with the quality
that the bus gave. ``verdict`` holds what the watch said of the readings of a signal, as stretches
of watch time. The view ``reading`` shows readings in words: ``quality`` under the verdicts, ``raw``
as the bus gave it. ``read_with`` holds how registers were read, by a hash that each ``resumed``
item names.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from dewline.errors import JournalError
from dewline.readings import Quality

SIGNAL_BITS = 16
SIGNAL_MASK = (1 << SIGNAL_BITS) - 1
ANCHOR_EVERY = 256  # one item in so many stands in the index by time

Migration = Sequence[str]

_FIRST: Migration = (
    """CREATE TABLE item(
        seq INTEGER PRIMARY KEY, time_ms INTEGER NOT NULL, at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL, source TEXT NOT NULL, document TEXT)""",
    # Wall time may step, so seq cannot be found from it by bisection. A whole index would
    # cost a fifth of all bytes written; one row in 256 finds the place as well.
    f"CREATE INDEX item_anchor ON item(time_ms, at_ms) WHERE seq % {ANCHOR_EVERY} = 0",
    "CREATE TABLE sample(key INTEGER PRIMARY KEY, value REAL, quality INTEGER NOT NULL)",
    """CREATE TABLE signal(
        id INTEGER PRIMARY KEY CHECK (id BETWEEN 1 AND 65535), name TEXT NOT NULL,
        unit TEXT NOT NULL, origin TEXT NOT NULL CHECK (origin IN ('measured', 'derived')),
        UNIQUE (name, unit, origin))""",
    "CREATE TABLE quality(code INTEGER PRIMARY KEY, text TEXT NOT NULL)",
    *(f"INSERT INTO quality VALUES ({int(q)}, '{q.text}')" for q in Quality),
    """CREATE TABLE minute(
        signal_id INTEGER NOT NULL, time_ms INTEGER NOT NULL, mean REAL, min REAL, max REAL,
        count INTEGER NOT NULL, worst_quality INTEGER NOT NULL,
        PRIMARY KEY (signal_id, time_ms)) WITHOUT ROWID""",
    """CREATE TABLE event(
        seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at_ms INTEGER NOT NULL,
        alarm TEXT NOT NULL, document TEXT NOT NULL, item_seq INTEGER NOT NULL)""",
    "CREATE INDEX event_of_alarm ON event(alarm, seq)",
    """CREATE TABLE ledger(
        id TEXT PRIMARY KEY, box TEXT NOT NULL, kind TEXT NOT NULL,
        started_ms INTEGER NOT NULL, ended_ms INTEGER, document TEXT NOT NULL)""",
    "CREATE INDEX ledger_of_box ON ledger(box, kind, started_ms)",
    """CREATE TABLE note(
        item_seq INTEGER PRIMARY KEY, time_ms INTEGER NOT NULL, box TEXT, kind TEXT,
        by TEXT NOT NULL, text TEXT)""",
    """CREATE TABLE dead_letter(
        id INTEGER PRIMARY KEY, follower TEXT NOT NULL, time_ms INTEGER NOT NULL,
        reason TEXT NOT NULL, document TEXT NOT NULL)""",
    """CREATE TABLE follower(
        name TEXT PRIMARY KEY, item_seq INTEGER NOT NULL, event_seq INTEGER NOT NULL)
        WITHOUT ROWID""",
    """CREATE TABLE snapshot(
        item_seq INTEGER PRIMARY KEY, plan_hash TEXT NOT NULL, document TEXT NOT NULL)""",
    "CREATE TABLE plan(hash TEXT PRIMARY KEY, document TEXT NOT NULL)",
    "CREATE TABLE meta(schema_version INTEGER NOT NULL)",
    "INSERT INTO meta VALUES (0)",
    f"""CREATE VIEW reading AS
        SELECT item.time_ms AS time_ms, signal.name AS signal,
               sample.value AS value, quality.text AS quality
        FROM sample
        JOIN item ON item.seq = sample.key >> {SIGNAL_BITS}
        JOIN signal ON signal.id = sample.key & {SIGNAL_MASK}
        JOIN quality ON quality.code = sample.quality""",
)

# The quality of a sample under the verdicts, as a code: ``readings.judge`` in SQL.
JUDGED = """CASE WHEN sample.quality >= 20 THEN sample.quality ELSE max(sample.quality, coalesce((
    SELECT max(verdict.quality) FROM verdict
    WHERE verdict.signal = signal.name AND verdict.since_ms <= item.at_ms
      AND (verdict.until_ms IS NULL OR verdict.until_ms > item.at_ms)
      AND (verdict.up_to IS NULL OR sample.value <= verdict.up_to)
      AND (NOT verdict.at_floor OR sample.quality = 1)), 0)) END"""

_VERDICTS: Migration = (
    """CREATE TABLE verdict(
        signal TEXT NOT NULL, quality INTEGER NOT NULL, since_ms INTEGER NOT NULL,
        until_ms INTEGER, time_ms INTEGER NOT NULL, up_to REAL, at_floor INTEGER NOT NULL,
        item_seq INTEGER NOT NULL, PRIMARY KEY (signal, quality, since_ms)) WITHOUT ROWID""",
    "CREATE TABLE read_with(hash TEXT PRIMARY KEY, document TEXT NOT NULL)",
    "DROP VIEW reading",
    f"""CREATE VIEW reading AS
        SELECT item.time_ms AS time_ms, signal.name AS signal, sample.value AS value,
               (SELECT text FROM quality WHERE code = {JUDGED}) AS quality, quality.text AS raw
        FROM sample
        JOIN item ON item.seq = sample.key >> {SIGNAL_BITS}
        JOIN signal ON signal.id = sample.key & {SIGNAL_MASK}
        JOIN quality ON quality.code = sample.quality""",
)

# MIGRATIONS[n] brings a file of version n to n + 1. New ones only at the end.
MIGRATIONS: Sequence[Migration] = (_FIRST, _VERDICTS)


def stand_in(connection: sqlite3.Connection, version: int) -> None:
    """Give a reader of an older file empty tables, beside the file, for those that it lacks."""
    for statement in (s for step in MIGRATIONS[version:] for s in step):
        if statement.startswith("CREATE TABLE "):
            connection.execute(statement.replace("CREATE TABLE", "CREATE TEMP TABLE", 1))


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the file itself is broken, as against busy, full or out of reach."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def connect(path: Path, migrations: Sequence[Migration] = MIGRATIONS) -> sqlite3.Connection:
    """A writing connection to a record of today's schema, made or migrated as needed.

    JournalError for a newer or foreign file, which is then left untouched;
    sqlite3.DatabaseError (see ``is_damage``) for a broken one.
    """
    if not path.parent.is_dir():
        raise JournalError(f"{path.parent} is not there; is its disk mounted?")
    try:
        connection = sqlite3.connect(
            path, isolation_level=None, check_same_thread=False, timeout=5.0
        )
    except sqlite3.OperationalError as error:
        raise JournalError(f"{path} cannot be opened: {error}") from error
    try:
        version = schema_version(connection, path)
        if version > len(migrations):
            raise JournalError(
                f"{path} was written by a newer dewline (schema {version}, this one knows"
                f" {len(migrations)}); it is left untouched"
            )
        _settle(connection)
        _migrate(connection, path, version, migrations)
        touch_ends(connection)
    except BaseException:
        connection.close()
        raise
    return connection


def schema_version(connection: sqlite3.Connection, path: Path) -> int:
    """0 for an empty file; JournalError for a database that is no record of ours."""
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    if not tables:
        return 0
    if not tables >= {"meta", "item", "sample"}:
        raise JournalError(f"{path} is a database, but no dewline record; name another path")
    return int(connection.execute("SELECT schema_version FROM meta").fetchone()[0])


def _settle(connection: sqlite3.Connection) -> None:
    """Set how the file is written.

    Small pages, because a commit of a few readings writes whole pages, and flash wears.
    """
    connection.execute("PRAGMA page_size = 1024")
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise JournalError(f"the file system does not bear a write-ahead log (mode {mode})")
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA wal_autocheckpoint = 1000")
    connection.execute("PRAGMA journal_size_limit = 8000000")
    connection.execute("PRAGMA temp_store = MEMORY")


def _migrate(
    connection: sqlite3.Connection, path: Path, version: int, migrations: Sequence[Migration]
) -> None:
    if 0 < version < len(migrations):
        backup(connection, path.with_name(f"{path.name}.schema-{version}"))
    for number in range(version, len(migrations)):
        # One transaction a step: cut off anywhere, the file is wholly of one version.
        with transaction(connection):
            for statement in migrations[number]:
                connection.execute(statement)
            connection.execute("UPDATE meta SET schema_version = ?", (number + 1,))


@contextlib.contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """A writing transaction: committed at the end, rolled back where anything fails in it."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:  # a full disk has rolled back already
            connection.execute("ROLLBACK")
        raise


def backup(connection: sqlite3.Connection, target: Path) -> None:
    """Copy the record, whole and consistent, to ``target``; JournalError where that fails.

    Written under another name, synced, then renamed: ``target`` is never half a copy.
    """
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        copy = sqlite3.connect(part)
        try:
            connection.backup(copy)  # in one step: writes between steps would start it anew
            copy.execute("PRAGMA journal_mode = DELETE")
        finally:
            copy.close()
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        part.replace(target)
    except (sqlite3.Error, OSError) as error:
        part.unlink(missing_ok=True)
        raise JournalError(f"no backup to {target}: {error}") from error


def touch_ends(connection: sqlite3.Connection) -> None:
    """Read both ends of every table; sqlite3.DatabaseError where the file is damaged there.

    So a damaged file is found at the start. A full check takes minutes on a memory card;
    ``dewline journal check`` does that.
    """
    for table, key in (
        *(("item", "seq"), ("sample", "key"), ("event", "seq"), ("snapshot", "item_seq")),
        *(("note", "item_seq"), ("signal", "id"), ("follower", "name"), ("ledger", "id")),
    ):
        for order in ("ASC", "DESC"):
            connection.execute(f"SELECT * FROM {table} ORDER BY {key} {order} LIMIT 200").fetchall()


def set_aside(path: Path) -> Path:
    """Rename a damaged file and its log; returns the new name, ``NAME.damaged-TIME``.

    A number is added where that name is taken.
    """
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    path.rename(aside)
    for tail in ("-wal", "-shm"):
        log = path.with_name(path.name + tail)
        if log.exists():
            log.rename(aside.with_name(aside.name + tail))
    return aside
