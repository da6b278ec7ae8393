"""What a person is told of the record, beside a running daemon and after one."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.cli import main
from dewline.errors import JournalError
from dewline.events import Entry, Event, Outcome
from dewline.journal import Reader, health
from dewline.readings import Scan
from tests.journal.conftest import Opener

CONFIG = """
site: saltmarsh
journal: {path: saltmarsh.db, reserve: 1 MB}
boxes:
  heron: {volume: 1.1 m3}
"""


@pytest.fixture
def config(tmp_path: Path) -> str:
    file = tmp_path / "lab.yaml"
    file.write_text(CONFIG)
    return str(file)


async def test_info_tells_size_span_followers_and_who_writes(
    opened: Opener, path: Path, scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """While the daemon runs it names its process; afterwards nobody's."""
    async with opened() as journal:
        journal.append(Entry(1, scan_of(1000, a=1.0), Outcome((event_of(1),))))
        journal.append(Entry(2, scan_of(61_000, a=1.0), Outcome()))
        journal.advance("mqtt", event_seq=1)
        await journal.flush()
        found = health.info(path)
        assert found["writer"] == os.getpid()
        assert (found["first_item"], found["last_item"]) == (1, 2)
        assert found["raw_from"] == "1970-01-01T00:00:01.000Z"
        assert found["raw_to"] == "1970-01-01T00:01:01.000Z"
        assert (found["site"], found["events"], found["signals"]) == ("saltmarsh", 1, 1)
        assert found["followers"] == {"mqtt": {"item_seq": 0, "event_seq": 1}}
    assert health.info(path)["writer"] is None


async def test_info_of_an_empty_record(opened: Opener, path: Path) -> None:
    """No items, no span."""
    async with opened() as journal:
        await journal.flush()
        found = health.info(path)
    assert (found["raw_from"], found["raw_to"], found["site"]) == (None, None, None)


BREAKS = {
    "1 events whose item is missing": "DELETE FROM item WHERE seq = 5",
    "1 events missing between the first and the last": "DELETE FROM event WHERE seq = 2",
    "1 items out of order in watch time": "UPDATE item SET at_ms = 0 WHERE seq = 4",
    "1 readings without an item": "INSERT INTO sample VALUES (99 << 16 | 1, 1, 0)",
    "1 readings of an unknown signal or quality": (
        "UPDATE sample SET quality = 9 WHERE key >> 16 = 3"
    ),
    "1 event documents that are no JSON": "UPDATE event SET document = '{' WHERE seq = 2",
    "1 states of the watch that are no JSON": "INSERT INTO snapshot VALUES (3, 'a', '{')",
}


@pytest.mark.parametrize("finding", BREAKS)
async def test_check_finds_each_broken_law(
    opened: Opener,
    path: Path,
    scan_of: Callable[..., Scan],
    event_of: Callable[..., Event],
    finding: str,
) -> None:
    """A whole record has no findings; one broken law gives its own words."""
    async with opened() as journal:
        for seq in range(1, 10):
            events = (event_of(seq // 5 + 1),) if seq in (1, 5) else ()
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome(events)))
        journal.append(Entry(9, None, Outcome((event_of(3),))))
        await journal.flush()
    assert health.check(path) == []
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(BREAKS[finding])
    connection.close()
    assert finding in health.check(path)


async def test_check_finds_damage(
    opened: Opener,
    path: Path,
    scan_of: Callable[..., Scan],
    config: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A page of noise is found, and the command's exit status says trouble."""
    async with opened() as journal:
        for seq in range(1, 3000):
            journal.append(Entry(seq, scan_of(seq, a=1.0, b=2.0), Outcome()))
        await journal.flush()
    assert main(["journal", "check", "--config", config]) == 0
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2048 * 1024)
        file.write(b"\xff" * 1024)
    assert health.check(path)
    capsys.readouterr()
    assert main(["journal", "check", "--json", "--config", config]) == 1
    assert json.loads(capsys.readouterr().out)["ok"] is False
    with path.open("r+b") as file:
        file.write(b"\xff" * 1024)
    assert "damaged" in health.check(path)[0]


async def test_a_backup_is_whole_while_the_daemon_writes(
    opened: Opener,
    path: Path,
    scan_of: Callable[..., Scan],
    config: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The copy opens, holds what was committed, and is never overwritten."""
    async with opened() as journal:
        for seq in range(1, 500):
            journal.append(Entry(seq, scan_of(seq, a=1.0), Outcome()))
        await journal.flush()
        copy = path.with_name("copy.db")
        health.back_up(path, copy)
        journal.append(Entry(500, scan_of(500, a=1.0), Outcome()))
        await journal.flush()
        assert main(["journal", "backup", "--json", "--config", config]) == 0
    second = json.loads(capsys.readouterr().out)["backup"]
    with Reader(copy) as one, Reader(path.with_name(second.rpartition("/")[2])) as other:
        assert (one.tail().seq, other.tail().seq) == (499, 500)
    assert health.check(copy) == []
    with pytest.raises(JournalError, match="there already"):
        health.back_up(path, copy)


def test_no_record_is_exit_status_3(config: str, capsys: pytest.CaptureFixture[str]) -> None:
    """What cannot be reached is said, with its path."""
    assert main(["journal", "info", "--config", config]) == 3
    assert "saltmarsh.db cannot be read" in capsys.readouterr().err
