"""What goes out of the record, read back by others' readers."""

from __future__ import annotations

import csv
import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest
from line_protocol_parser import parse_line
from pyarrow import parquet

from dewline.cli import main
from dewline.errors import ConfigError, OutOfRange
from dewline.events import Entry, Event, LedgerRow, Outcome
from dewline.journal import Reader
from dewline.readings import Command, Quality, Reading, Resumed, Scan, Verdict
from dewline.replay.replay import csv_scans
from dewline.reports.export import ExportRange, export
from dewline.watch_plan import SignalPlan
from tests.journal.conftest import Opener

START_MS = 1_772_409_600_000


def silent(_: float) -> None:
    """No progress wanted."""


@pytest.fixture
async def record(
    opened: Opener, path: Path, event_of: Callable[..., Event]
) -> AsyncIterator[Reader]:
    """Ten scans, derived readings, a note, an event, a ledger row."""
    async with opened() as journal:
        journal.put_units({"heron.o2": "ppm", "heron.h2o": "ppm", "heron.slope": "ppm/h"})
        journal.append(Entry(1, Resumed(START_MS, START_MS, "start", 0, "abc"), Outcome()))
        for seq in range(2, 12):
            at_ms = START_MS + seq * 1000
            readings = {
                "heron.o2": Reading(0.1 * seq, Quality.GOOD),
                "heron.h2o": Reading(None, Quality.NO_ANSWER)
                if seq % 2
                else Reading(3.0, Quality.LOW),
            }
            derived = {"heron.slope": Reading(1.25, Quality.GOOD)}
            row = LedgerRow("t", "heron", "transfer", START_MS, at_ms, {"cycles": 3, "by": "x"})
            event = event_of(1, time_ms=at_ms, at_ms=at_ms, value=0.5, limit=0.4)
            last = seq == 11
            outcome = Outcome((event,) if last else (), derived, (row,) if last else ())
            journal.append(Entry(seq, Scan(at_ms, at_ms, "heron-trace", readings), outcome))
        note = Command(START_MS + 12_000, START_MS + 12_000, "socket", "note", "anna", why="gloves")
        journal.append(Entry(12, note, Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            yield reader


async def test_a_csv_is_what_replay_reads(record: Reader, tmp_path: Path) -> None:
    """Times, values and qualities of every measured reading come back as scans."""
    target = tmp_path / "out.csv"
    done = export(record, target, silent)
    assert (done.readings, done.events, done.inputs) == (20, 1, 2)
    plans = {n: SignalPlan(n, "heron", n[6:], "ppm") for n in ("heron.o2", "heron.h2o")}
    back = [(scan.time_ms, scan.readings) for scan, _ in csv_scans(target, plans)]
    want = [(item.time_ms, item.readings) for _, item in record.items() if isinstance(item, Scan)]
    assert back == want


async def test_a_csv_names_the_unit_of_every_value(
    opened: Opener, path: Path, tmp_path: Path, scan_of: Callable[..., Scan]
) -> None:
    """A number without its unit is half a reading; replay takes none for one of another unit."""
    async with opened() as journal:
        journal.put_units({"heron.o2": "ppm"})
        journal.append(Entry(1, scan_of(1, o2=1.0), Outcome()))
        await journal.flush()
        with Reader(path) as reader:
            export(reader, tmp_path / "out.csv", silent)
    with (tmp_path / "out.csv").open(newline="") as stream:
        assert [row["unit"] for row in csv.DictReader(stream)] == ["ppm"]
    other = {"heron.o2": SignalPlan("heron.o2", "heron", "o2", "%")}
    with pytest.raises(ConfigError, match="is in ppm here, in % in the config"):
        list(csv_scans(tmp_path / "out.csv", other))


async def test_commands_resumes_and_events_stand_beside_it(record: Reader, tmp_path: Path) -> None:
    """One document a line, events as everywhere else."""
    export(record, tmp_path / "out.csv", silent)
    inputs = [json.loads(line) for line in (tmp_path / "out.inputs.jsonl").read_text().splitlines()]
    assert [(i["seq"], i["input"]) for i in inputs] == [(1, "resumed"), (12, "command")]
    assert inputs[0]["plan_hash"] == "abc"
    assert (inputs[1]["command"], inputs[1]["why"]) == ("note", "gloves")
    events = [json.loads(line) for line in (tmp_path / "out.events.jsonl").read_text().splitlines()]
    assert events == record.events()


async def test_a_stretch_of_time_is_cut_out(record: Reader, tmp_path: Path) -> None:
    """From since up to, not at, until."""
    stretch = ExportRange(START_MS + 4000, START_MS + 6000)
    done = export(record, tmp_path / "out.csv", silent, stretch)
    assert (done.readings, done.events, done.inputs) == (4, 0, 0)
    with (tmp_path / "out.csv").open(newline="") as stream:
        times = {row["time"] for row in csv.DictReader(stream)}
    assert times == {"2026-03-02T00:00:04.000Z", "2026-03-02T00:00:05.000Z"}


async def test_line_protocol_is_read_back_by_an_independent_parser(
    record: Reader, tmp_path: Path
) -> None:
    """Against line-protocol-parser 2.0.1: every reading, derived too, with its tags and time."""
    target = tmp_path / "out.lp"
    done = export(record, target, silent)
    assert done.readings == 30
    parsed = [parse_line(line) for line in target.read_text().splitlines()]
    readings = [p for p in parsed if p["measurement"] == "reading"]
    want = [
        (row.time_ms * 1_000_000, row.signal, row.unit, row.quality.text, row.value)
        for row in record.rows()
    ]
    found = [
        (
            p["time"],
            f"{p['tags']['box']}.{p['tags']['signal']}",
            p["tags"]["unit"],
            p["tags"]["quality"],
            p["fields"].get("value"),
        )
        for p in readings
    ]
    assert found == want
    assert all(isinstance(v, float) for p in parsed for v in p["fields"].values())
    (event,) = [p for p in parsed if p["measurement"] == "event"]
    assert event["tags"]["alarm"] == "moisture-high"
    assert event["fields"] == {"seq": 1.0, "value": 0.5, "limit": 0.4, "state": 8.0}
    (ledger,) = [p for p in parsed if p["measurement"] == "ledger"]
    assert ledger["fields"] == {"duration_s": 11.0, "cycles": 3.0}


async def test_an_export_holds_the_verdicts_and_replays_the_same(
    opened: Opener, path: Path, tmp_path: Path
) -> None:
    """In each form the word of the watch and that of the bus; a CSV gives back the readings fed."""
    off = Verdict("heron.o2", Quality.OFF, START_MS, START_MS)
    fed = [Reading(0.5, Quality.GOOD), Reading(None, Quality.NO_ANSWER), Reading(0.6, Quality.LOW)]
    async with opened() as journal:
        for seq, reading in enumerate(fed, 1):
            now_ms = START_MS + seq * 1000
            said = {1: (off,), 3: (off._replace(until_ms=now_ms),)}.get(seq, ())
            scan = Scan(now_ms, now_ms, "heron", {"heron.o2": reading})
            journal.append(Entry(seq, scan, Outcome(verdicts=said)))
        await journal.flush()
    words = [("bad/off", "good"), ("bad/no-answer", "bad/no-answer"), ("good/low", "good/low")]
    with Reader(path) as reader:
        for ending in (".csv", ".parquet", ".lp"):
            export(reader, tmp_path / f"out{ending}", silent)
    with (tmp_path / "out.csv").open(newline="") as stream:
        assert [(row["quality"], row["raw"]) for row in csv.DictReader(stream)] == words
    rows = parquet.read_table(tmp_path / "out.parquet").to_pylist()
    assert [(row["quality"], row["raw"]) for row in rows] == words
    points = [parse_line(line) for line in (tmp_path / "out.lp").read_text().splitlines()]
    told = [p for p in points if p["measurement"] == "reading"]
    assert [p["tags"]["quality"] for p in told] == [quality for quality, _ in words]
    assert [p["fields"].get("raw") for p in told] == [0.0, None, None]
    stretch = [(p["time"], p["fields"]) for p in points if p["measurement"] == "verdict"]
    assert stretch == [
        (START_MS * 1_000_000, {"code": float(Quality.OFF)}),
        ((START_MS + 3000) * 1_000_000, {"code": 0.0}),
    ]
    plans = {"heron.o2": SignalPlan("heron.o2", "heron", "o2", "ppm")}
    back = [scan.readings["heron.o2"] for scan, _ in csv_scans(tmp_path / "out.csv", plans)]
    assert back == fed


async def test_parquet_is_read_back_by_pyarrow(record: Reader, tmp_path: Path) -> None:
    """Columns, types and every row, derived too."""
    target = tmp_path / "out.parquet"
    export(record, target, silent)
    rows = parquet.read_table(target).to_pylist()
    assert [(r["seq"], r["signal"], r["value"], r["quality"], r["origin"]) for r in rows] == [
        (row.seq, row.signal, row.value, row.quality.text, row.origin) for row in record.rows()
    ]
    assert [round(r["time"].timestamp() * 1000) for r in rows] == [r.time_ms for r in record.rows()]


async def test_parquet_without_pyarrow_says_what_to_install(
    record: Reader, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No trace, no half-written file."""
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(OutOfRange, match="pip install pyarrow"):
        export(record, tmp_path / "out.parquet", silent)
    assert list(tmp_path.glob("out*")) == []


async def test_another_ending_is_refused(record: Reader, tmp_path: Path) -> None:
    """The three forms are named."""
    with pytest.raises(OutOfRange, match=r"\.csv, \.parquet or \.lp"):
        export(record, tmp_path / "out.xlsx", silent)


async def test_a_failed_export_leaves_the_old_file(record: Reader, tmp_path: Path) -> None:
    """The target is replaced only by a whole one."""
    target = tmp_path / "out.csv"
    target.write_text("old")

    def stop(_: float) -> None:
        raise RuntimeError

    with pytest.raises(RuntimeError):
        export(record, tmp_path / "out.lp", stop)
    assert target.read_text() == "old"
    assert not (tmp_path / "out.lp").exists()
    assert list(tmp_path.glob("*.part")) == []


async def test_the_command_reports_what_went_out(
    record: Reader, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """JSON on stdout; exit status 2 for a form that is none."""
    config = tmp_path / "lab.yaml"
    config.write_text(
        "site: saltmarsh\njournal: {path: saltmarsh.db}\nboxes:\n  heron: {volume: 1 m3}\n"
    )
    target = tmp_path / "out.csv"
    assert main(["export", "--config", str(config), "--to", str(target), "--json"]) == 0
    done = json.loads(capsys.readouterr().out)
    assert (done["readings"], done["files"][0]) == (20, str(target))
    assert main(["export", "--config", str(config), "--to", "x.xlsx"]) == 2
