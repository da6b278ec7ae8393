"""A migration cut off at every one of its statements."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from dewline.journal.schema import MIGRATIONS, connect

pytestmark = pytest.mark.long

FULL = os.environ.get("DEWLINE_CHAOS") == "full"
# A step with the kinds of work real ones do: a column, a table filled from an old one, an index.
STEP = [
    "ALTER TABLE note ADD COLUMN ref TEXT",
    "CREATE TABLE event_count(alarm TEXT PRIMARY KEY, count INTEGER)",
    "INSERT INTO event_count SELECT alarm, count(*) FROM event GROUP BY alarm",
    "CREATE INDEX note_ref ON note(ref)",
    "UPDATE note SET ref = 'old'",
]
# Opens the record with STEP and dies by kill -9 just before statement number argv[2].
PROGRAM = """
import os, signal, sqlite3, sys
from pathlib import Path
from dewline.journal.schema import MIGRATIONS, connect
left = int(sys.argv[2])
def count(statement):
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
real = sqlite3.connect
def traced(*args, **kwargs):
    connection = real(*args, **kwargs)
    connection.set_trace_callback(count)
    return connection
sqlite3.connect = traced
steps = MIGRATIONS if sys.argv[3] == "make" else [*MIGRATIONS, {step!r}]
connect(Path(sys.argv[1]), steps).close()
""".replace("{step!r}", repr(STEP))


def run_and_kill(path: Path, statement: int, what: str) -> bool:
    """True if it came to its end before that statement."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, path, str(statement), what],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, -9), done.stderr
    return done.returncode == 0


def old_record(path: Path) -> None:
    connection = connect(path)
    connection.execute("BEGIN")
    for n in range(1, 200):
        event = (n, f"{n:016x}", n, f"heron.rule-{n % 3}", "{}", n)
        connection.execute("INSERT INTO event VALUES (?, ?, ?, ?, ?, ?)", event)
        connection.execute("INSERT INTO note VALUES (?, ?, 'heron', 'other', 'anna', 'x')", (n, n))
    connection.execute("COMMIT")
    connection.close()


@pytest.mark.parametrize("what", ["make", "migrate"])
def test_killed_at_every_statement_it_completes_or_rolls_back(tmp_path: Path, what: str) -> None:
    """The file is always wholly of one version; the next start brings it to today's."""
    steps = MIGRATIONS if what == "make" else [*MIGRATIONS, STEP]
    finished = False
    stride = 1 if FULL else 3
    statement = 1 - stride
    while not finished:
        statement += stride
        path = tmp_path / f"{statement}.db"
        if what == "migrate":
            old_record(path)
        finished = run_and_kill(path, statement, what)
        look = sqlite3.connect(path)
        assert look.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        tables = {name for (name,) in look.execute("SELECT name FROM sqlite_master")}
        if what == "migrate":
            (version,) = look.execute("SELECT schema_version FROM meta").fetchone()
            assert ("event_count" in tables) == (version == len(steps))
            assert ("note_ref" in tables) == (version == len(steps))
        else:
            assert not tables or {"meta", "reading", "plan", "dead_letter"} <= tables
        look.close()
        connection = connect(path, steps)
        assert connection.execute("SELECT schema_version FROM meta").fetchone() == (len(steps),)
        if what == "migrate":
            counts = connection.execute("SELECT sum(count) FROM event_count").fetchone()
            refs = connection.execute("SELECT count(*) FROM note WHERE ref = 'old'").fetchone()
            assert (counts, refs) == ((199,), (199,))
        connection.close()
        kept = path.with_name(f"{path.name}.schema-{len(MIGRATIONS)}")
        if what == "migrate":
            backup = sqlite3.connect(kept)
            assert backup.execute("SELECT count(*) FROM note").fetchone() == (199,)
            backup.close()
    print(f"{what}: killed before every {stride}th of {statement - stride} statements")
    assert statement > 10
