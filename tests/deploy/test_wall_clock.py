"""The clock on the wall is set by an hour under the running daemon, by Debian's libfaketime."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.patience import wait_until

pytestmark = [pytest.mark.service, pytest.mark.long, pytest.mark.clock]

HOUR_MS = 3_600_000


def library() -> Path:
    """Where Debian keeps it: under the name of the machine's architecture."""
    return next(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))


def config(folder: Path, port: int) -> Path:
    """A panel that is not there, so that ``daemon.panel-lost`` comes and stands."""
    document = yaml.safe_load((Path(__file__).parents[2] / "config" / "first.yaml").read_text())
    document["buses"]["panel"] = {"modbus_tcp": {"host": "127.0.0.1", "port": port}}
    del document["rule_sets"]  # nothing else is to come by itself
    document["journal"] = {"path": "lab.db", "reserve": "0 MB", "commit_every": "1 s"}
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document))
    return path


def rows(journal: Path, question: str) -> list[tuple[Any, ...]]:
    """Rows of a query; none while the journal does not exist."""
    connection = sqlite3.connect(f"file:{journal}?mode=ro", uri=True)
    try:
        return connection.execute(question).fetchall()
    except sqlite3.OperationalError:  # not made yet
        return []
    finally:
        connection.close()


def offset_ms(journal: Path) -> int:
    """How far the label of the newest item is from its watch time."""
    (found,) = rows(journal, "SELECT time_ms - at_ms FROM item ORDER BY seq DESC LIMIT 1")
    return int(found[0])


def until(journal: Path, law: Callable[[], bool]) -> None:
    """Wait until the journal shows it."""
    wait_until("the record to say so", lambda: journal.exists() and law())


def is_shifted(journal: Path, hours: int) -> bool:
    """Whether the newest offset of wall clock to monotonic clock is that many hours."""
    return abs(offset_ms(journal) - hours * HOUR_MS) < 5000


def test_a_step_of_an_hour_either_way_changes_no_alarm(
    tmp_path: Path, free_port: Callable[[], int]
) -> None:
    """Labels follow the clock, and nothing else does: no event comes, none is lost, watch time
    goes on by as many seconds as passed."""
    path, journal, step = config(tmp_path, free_port()), tmp_path / "lab.db", tmp_path / "step"
    step.write_text("+0\n")
    environment = os.environ | {
        "LD_PRELOAD": str(library()),
        "FAKETIME_TIMESTAMP_FILE": str(step),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    events = "SELECT document FROM event ORDER BY seq"
    with (
        (tmp_path / "log").open("wb") as log,
        subprocess.Popen(
            [sys.executable, "-m", "dewline", "run", str(path)],
            env=environment,
            stdout=log,
            stderr=log,
        ) as daemon,
    ):
        try:
            # The lost panel, and its two instruments suppressed under it.
            until(journal, lambda: len(rows(journal, events)) >= 3)
            before = rows(journal, events)
            began, begun_ms = time.monotonic(), newest_ms(journal)
            for word, hours in (("+3600", 1), ("-3600", -1)):
                step.write_text(f"{word}\n")
                until(journal, partial(is_shifted, journal, hours))
            passed_ms = newest_ms(journal) - begun_ms
            assert abs(passed_ms - 1000 * (time.monotonic() - began)) < 10_000
            after = rows(journal, events)
        finally:
            daemon.send_signal(signal.SIGTERM)
    assert daemon.returncode == 0, (tmp_path / "log").read_text()[-2000:]
    assert [json.loads(text)["transition"] for (text,) in after] == [
        json.loads(text)["transition"] for (text,) in before
    ]
    times = [at for (at,) in rows(journal, "SELECT at_ms FROM item ORDER BY seq")]
    assert times == sorted(times)


def newest_ms(journal: Path) -> int:
    """Watch time of the newest item."""
    (found,) = rows(journal, "SELECT at_ms FROM item ORDER BY seq DESC LIMIT 1")
    return int(found[0])
