"""The shape of the file, who may open it, and files of other ages."""

from __future__ import annotations

import asyncio
import os
import sqlite3
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from dewline.errors import JournalError
from dewline.events import Entry, Event, Outcome
from dewline.journal import Journal, Reader
from dewline.journal.schema import MIGRATIONS, connect
from dewline.readings import Quality, Scan
from tests.journal.conftest import Opener

TABLES = {
    "item": ["seq", "time_ms", "at_ms", "kind", "source", "document"],
    "sample": ["key", "value", "quality"],
    "verdict": [
        "signal",
        "quality",
        "since_ms",
        "until_ms",
        "time_ms",
        "up_to",
        "at_floor",
        "item_seq",
    ],
    "read_with": ["hash", "document"],
    "reading": ["time_ms", "signal", "value", "quality", "raw"],
    "signal": ["id", "name", "unit", "origin"],
    "quality": ["code", "text"],
    "minute": ["signal_id", "time_ms", "mean", "min", "max", "count", "worst_quality"],
    "event": ["seq", "id", "at_ms", "alarm", "document", "item_seq"],
    "ledger": ["id", "box", "kind", "started_ms", "ended_ms", "document"],
    "follower": ["name", "item_seq", "event_seq"],
    "snapshot": ["item_seq", "plan_hash", "document"],
    "plan": ["hash", "document"],
    "meta": ["schema_version"],
}


@pytest.fixture
def fresh(path: Path) -> Iterator[sqlite3.Connection]:
    connection = connect(path)
    yield connection
    connection.close()


def version_of(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT schema_version FROM meta").fetchone()[0])


def test_tables_are_as_published(fresh: sqlite3.Connection) -> None:
    """Names and order of columns are a promise to anyone with sqlite3."""
    for table, columns in TABLES.items():
        assert [row[1] for row in fresh.execute(f"PRAGMA table_info({table})")] == columns


def test_small_pages_and_a_log(fresh: sqlite3.Connection) -> None:
    """page_size 1024 keeps a small commit small; WAL lets readers and writer pass."""
    assert fresh.execute("PRAGMA page_size").fetchone() == (1024,)
    assert fresh.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_qualities_are_in_the_file(fresh: sqlite3.Connection) -> None:
    """Codes and words agree with those of the house."""
    rows = dict(fresh.execute("SELECT code, text FROM quality").fetchall())
    assert rows == {int(quality): quality.text for quality in Quality}


def test_a_newer_file_is_refused_and_left_as_it_was(path: Path) -> None:
    """Neither writer nor reader touches what a newer dewline wrote."""
    connection = connect(path)
    connection.execute("UPDATE meta SET schema_version = 99")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="newer dewline"):
        connect(path)
    with Reader(path) as reader, pytest.raises(JournalError, match="newer dewline"):
        reader.tail()
    assert path.read_bytes() == before


def test_a_foreign_database_is_refused(path: Path) -> None:
    """A database that is no record of ours is not written to."""
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes(name)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="no dewline record"):
        connect(path)
    assert path.read_bytes() == before


def test_a_missing_folder_is_said(tmp_path: Path) -> None:
    """No folder is made: the disk meant for the record may just not be mounted."""
    with pytest.raises(JournalError, match="mounted"):
        connect(tmp_path / "card" / "saltmarsh.db")


def test_an_older_file_is_backed_up_and_brought_up(path: Path) -> None:
    """Each step runs once, after a backup that still is of the old version."""
    connection = connect(path)
    connection.execute("INSERT INTO plan VALUES ('abc', '{}')")
    connection.close()
    steps = [*MIGRATIONS, ["CREATE TABLE extra(x)", "INSERT INTO extra VALUES (1)"]]
    for _ in range(2):
        connection = connect(path, steps)
        assert connection.execute("SELECT * FROM extra").fetchall() == [(1,)]
        assert version_of(connection) == len(steps)
        connection.close()
    kept = sqlite3.connect(path.with_name(f"{path.name}.schema-{len(MIGRATIONS)}"))
    assert version_of(kept) == len(MIGRATIONS)
    assert kept.execute("SELECT hash FROM plan").fetchall() == [("abc",)]
    kept.close()


def test_a_file_of_every_older_version_is_read_as_it_is(path: Path) -> None:
    """A reader takes what is there: tables that came later are empty, the file stays as it was."""
    for version in range(1, len(MIGRATIONS)):
        older = path.with_name(f"{version}.db")
        connect(older, MIGRATIONS[:version]).close()
        before = older.read_bytes()
        with Reader(older) as reader:
            assert reader.tail().seq == 0
            assert reader.verdicts() == []
            assert list(reader.rows()) == []
        assert older.read_bytes() == before


def test_a_failed_step_leaves_the_old_version(path: Path) -> None:
    """A statement that fails rolls its whole step back."""
    connect(path).close()
    with pytest.raises(sqlite3.OperationalError):
        connect(path, [*MIGRATIONS, ["CREATE TABLE extra(x)", "CREATE TABLE extra(x)"]])
    connection = connect(path)
    assert version_of(connection) == len(MIGRATIONS)
    connection.close()


async def test_a_second_daemon_is_refused_with_the_pid_of_the_first(
    opened: Opener, path: Path
) -> None:
    """In this process and in another one."""
    async with opened():
        with pytest.raises(JournalError, match=f"in use by process {os.getpid()}"):
            Journal.open(path, "saltmarsh")
        script = (
            "import asyncio, sys, pathlib; from dewline.journal import Journal\n"
            "async def main(): Journal.open(pathlib.Path(sys.argv[1]), 'saltmarsh')\n"
            "asyncio.run(main())"
        )
        other = await asyncio.create_subprocess_exec(
            sys.executable, "-c", script, str(path), stderr=asyncio.subprocess.PIPE
        )
        _, complaint = await other.communicate()
        assert f"in use by process {os.getpid()}" in complaint.decode()
    async with opened() as journal:
        await journal.flush()


async def test_the_record_of_another_site_is_refused(
    opened: Opener, path: Path, event_of: Callable[..., Event]
) -> None:
    """Two labs never share one record by a copied config."""
    async with opened() as journal:
        journal.append(Entry(0, None, Outcome((event_of(1, site="mudflat"),))))
        await journal.flush()
    with pytest.raises(JournalError, match="record of mudflat"):
        Journal.open(path, "saltmarsh")


async def test_closing_leaves_one_file(
    opened: Opener, path: Path, scan_of: Callable[..., Scan]
) -> None:
    """A clean stop checkpoints: no log is left beside the record."""
    async with opened() as journal:
        journal.append(Entry(1, scan_of(1, a=1.0), Outcome()))
    assert sorted(p.name for p in path.parent.iterdir()) == ["saltmarsh.db", "saltmarsh.db.lock"]
    with Reader(path) as reader:
        assert reader.tail().seq == 1
