"""The status document: what is read, what is only remembered, and what the ledger last wrote."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

import pytest

from dewline.cli import status as status_command
from dewline.events import LedgerRow
from dewline.journal import Journal
from dewline.live.record import Record
from dewline.live.requests import StatusDocument
from dewline.live.status import status_document
from dewline.readings import Quality, Reading, Scan
from dewline.watch_plan import Above
from tests.watch.conftest import START_MS, Bench, plan_of, rule

PANEL = {"oxygen": 1.0, "moisture": 2.0, "pressure": 3.0, "circulating": 1.0}
SILENT = dict.fromkeys(PANEL, Reading(None, Quality.NO_ANSWER))


def reading_of(value: float | Reading) -> Reading:
    """A bare number is good."""
    return value if isinstance(value, Reading) else Reading(value, Quality.GOOD)


class Daemon:
    """A watch and what its service shows of it: the latest reading of every signal."""

    def __init__(self) -> None:
        self.bench = Bench(plan_of([rule("high", "oxygen", Above(100.0))]))
        self.record = Record(cast("Journal", None))
        self.latest: dict[str, tuple[int, Reading]] = {}

    def scan(self, start_s: int, stop_s: int, readings: Mapping[str, float | Reading]) -> None:
        """The same readings of heron's panel once a second."""
        for second in range(start_s, stop_s):
            at_ms = START_MS + second * 1000
            full = {
                f"heron.{role}": value
                if isinstance(value, Reading)
                else Reading(value, Quality.GOOD)
                for role, value in readings.items()
            }
            self.bench.drive.feed(Scan(at_ms, at_ms, "panel", full))
            self.latest.update({name: (at_ms, reading) for name, reading in full.items()})
            self.bench.now_s = second

    def restart(self, second: int) -> None:
        """The daemon stops, and another one goes on from its snapshot ten minutes later."""
        self.bench.freeze()
        self.bench.resume(second, "restart", gap_s=600)
        self.latest.clear()

    def status(self) -> StatusDocument:
        self.record.drive = self.bench.drive
        plan = self.bench.watch.plan
        return status_document(plan, "running", self.record, self.latest, ())


def text(document: StatusDocument, capsys: pytest.CaptureFixture[str]) -> str:
    status_command._print(document)
    return capsys.readouterr().out


@pytest.fixture(name="daemon")
def daemon_fixture() -> Daemon:
    daemon = Daemon()
    daemon.scan(0, 30, PANEL)
    return daemon


def test_while_all_is_read_it_says_so(daemon: Daemon, capsys: pytest.CaptureFixture[str]) -> None:
    """The mode and the numbers stand, nothing is called old."""
    box = daemon.status()["boxes"]["heron"]
    assert (box["modes"], box["modes_unread"], box["read"]) == (["circulating"], [], True)
    oxygen = box["readings"]["oxygen"]
    assert (oxygen["value"], oxygen["overdue"], oxygen["last_value"]) == (1.0, False, None)
    told = text(daemon.status(), capsys)
    assert "  circulating, learning\n" in told
    assert "NOT READ" not in told


def test_a_box_of_which_nothing_is_read_is_not_called_circulating(
    daemon: Daemon, capsys: pytest.CaptureFixture[str]
) -> None:
    """All buses dead for a minute: NOT READ, since when, the last values and their age."""
    daemon.scan(30, 90, SILENT)
    box = daemon.status()["boxes"]["heron"]
    assert (box["modes"], box["modes_unread"], box["read"]) == ([], ["circulating"], False)
    assert box["last_read"] == "2026-03-02T02:14:29.000Z"
    oxygen = box["readings"]["oxygen"]
    assert (oxygen["value"], oxygen["last_value"], oxygen["age_s"]) == (None, 1.0, 60.0)
    told = text(daemon.status(), capsys)
    assert "NOT READ since 2026-03-02 02:14:29 UTC\n" in told
    assert "not known whether still circulating, learning\n" in told
    assert "bad/no-answer  last 1 ppm, 1 min ago\n" in told


def test_a_bit_that_is_not_read_makes_its_mode_unknown(daemon: Daemon) -> None:
    """Though other signals of the box are read; and an event names no such mode."""
    gone: dict[str, float | Reading] = {**PANEL, "circulating": Reading(None, Quality.EXCEPTION)}
    daemon.scan(30, 90, gone)
    box = daemon.status()["boxes"]["heron"]
    assert (box["modes"], box["modes_unread"], box["read"]) == ([], ["circulating"], True)
    daemon.scan(90, 91, {**gone, "oxygen": 500.0})
    assert [(e.alarm, e.mode) for e in daemon.bench.events] == [("heron.high", None)]


def test_after_a_restart_nothing_is_read_until_something_is(daemon: Daemon) -> None:
    """The values of before the stop are shown as what they are, with their age."""
    daemon.restart(630)
    box = daemon.status()["boxes"]["heron"]
    assert (box["read"], box["modes"], box["modes_unread"]) == (False, [], ["circulating"])
    oxygen = box["readings"]["oxygen"]
    assert (oxygen["last_value"], oxygen["age_s"], oxygen["time"]) == (1.0, 601.0, None)
    daemon.scan(631, 632, PANEL)
    box = daemon.status()["boxes"]["heron"]
    assert (box["read"], box["modes"]) == (True, ["circulating"])


def test_a_box_that_was_never_read_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """No time is made up."""
    daemon = Daemon()
    daemon.scan(0, 20, SILENT)
    assert daemon.status()["boxes"]["heron"]["last_read"] is None
    assert "NOT READ: nothing was ever read\n" in text(daemon.status(), capsys)


def test_a_frozen_panel_is_answered_but_not_believed(
    daemon: Daemon, capsys: pytest.CaptureFixture[str]
) -> None:
    """The word is that of the watch, with its beginning: the last change of a number."""
    numbers = {"temperature": 22.0, "blower_speed": 80.0, "pressure_low": 2.0, **PANEL}
    daemon.scan(30, 420, numbers)
    oxygen = daemon.status()["boxes"]["heron"]["readings"]["oxygen"]
    assert (oxygen["quality"], oxygen["raw"]) == ("bad/frozen", "good")
    assert oxygen["since"] == "2026-03-02T02:14:30.000Z"
    told = text(daemon.status(), capsys)
    assert "NOT BELIEVED since" in told
    assert "bad/frozen since 2026-03-02 02:14:30 UTC" in told


def test_the_last_rows_of_the_ledger_are_those_of_the_record(daemon: Daemon) -> None:
    """Also what was written before the start, and what no watch has written: a leak test."""
    rows = [
        LedgerRow(f"{n:016x}", "heron", kind, n * 1000, n * 1000 + 500, {})
        for n, kind in enumerate(("transfer", "leak-test", "transfer"))
    ]
    daemon.record.rows = rows
    assert [row["kind"] for row in daemon.status()["ledger"]["recent"]] == [r.kind for r in rows]


def test_beyond_its_range_the_last_value_within_it_is_shown(
    daemon: Daemon, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither as a number nor as a floor for one: the end of the range is the profile's word."""
    daemon.scan(30, 40, {**PANEL, "oxygen": Reading(250_000.0, Quality.OVER_RANGE)})
    oxygen = daemon.status()["boxes"]["heron"]["readings"]["oxygen"]
    assert (oxygen["last_value"], oxygen["age_s"], oxygen["overdue"]) == (1.0, 10.0, False)
    told = text(daemon.status(), capsys)
    assert "- ppm  uncertain/over-range  last 1 ppm, 10 s ago\n" in told
    assert "over its range  limit 100" in told
    assert "250000" not in told
    assert "2.5e+05" not in told


def test_an_alarm_that_stands_shows_what_its_signal_shows_now(
    daemon: Daemon, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its own figure is that of its last event, which may be hours old."""
    daemon.scan(30, 31, {**PANEL, "oxygen": 127.0})
    daemon.scan(31, 60, {**PANEL, "oxygen": 99.9})
    daemon.scan(60, 90, {**PANEL, "oxygen": 0.3})
    (alarm,) = daemon.status()["alarms"]
    assert alarm["value"] != 0.3
    assert alarm["now"] == {"value": 0.3, "quality": "good", "time": "2026-03-02T02:15:29.000Z"}
    assert "  now 0.3 ppm\n" in text(daemon.status(), capsys)
    daemon.scan(90, 95, SILENT)
    assert "  now bad/no-answer\n" in text(daemon.status(), capsys)
