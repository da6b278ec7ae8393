"""Replay from a CSV: long form in, events out, and every mistake with its line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dewline.cli import main
from dewline.config import load
from dewline.errors import ConfigError
from dewline.events import Entry
from dewline.replay.replay import replay_csv

CONFIG = """
site: saltmarsh
journal: {path: s.db}
buses: {panel: {modbus_tcp: {host: 127.0.0.1, port: 5020}}}
instruments: {heron-trace: {bus: panel, unit: 1, profile: trace-gas, every: 1 s}}
boxes:
  heron:
    signals: {oxygen: heron-trace.o2, moisture: heron-trace.h2o}
rules:
  moisture-high: {signal: moisture, above: 5 ppm, deadband: 1 ppm, on_delay: 2 s, priority: high}
  oxygen-stale: {signal: oxygen, stale_after: 10 s}
"""
HEADER = "time,signal,value,quality\n"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "lab.yaml"
    path.write_text(CONFIG)
    return path


def events(config: Path, csv: Path) -> list[tuple[str, str, str]]:
    found: list[Entry] = []
    replay_csv(load(config).plan, csv, found.append, lambda _: None)
    return [
        (event.document()["time"][14:19], event.alarm, event.transition)
        for entry in found
        for event in entry.outcome.events
    ]


def row(second: int, signal: str, value: object, quality: str = "good") -> str:
    return f"2026-03-02T02:{second // 60:02d}:{second % 60:02d}.000Z,{signal},{value},{quality}\n"


def test_rows_become_scans_and_scans_become_events(config: Path, tmp_path: Path) -> None:
    """Moisture over its limit for the delay raises; a silent oxygen cell goes stale on a tick."""
    csv = tmp_path / "r.csv"
    rows = [row(s, "heron.oxygen", 0.1) for s in (0, 1)]
    rows += [row(s, "heron.moisture", 6.0 if 2 <= s < 9 else 0.2) for s in range(20)]
    csv.write_text(HEADER + "".join(sorted(rows)))
    assert events(config, csv) == [
        ("00:04", "heron.moisture-high", "raised"),
        ("00:09", "heron.moisture-high", "returned"),
        ("00:11", "heron.oxygen-stale", "raised"),
    ]


def test_an_empty_value_is_a_bad_reading_and_raises_nothing(config: Path, tmp_path: Path) -> None:
    """No number, NaN and inf are bad/not-a-number; they neither raise nor complete a delay."""
    csv = tmp_path / "r.csv"
    rows = [row(0, "heron.moisture", 6.0)]
    rows += [row(s, "heron.moisture", v, "") for s, v in ((1, ""), (2, "nan"), (3, "inf"))]
    csv.write_text(HEADER + "".join(rows))
    assert events(config, csv) == []


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("when,signal,value\n", 1, "header"),
        (HEADER + "2026-03-02T02:00:00Z,heron.oxygen\n", 2, "2 fields"),
        (HEADER + "2026-03-02T02:00:00Z,heron.oxigen,1,good\n", 2, "heron.oxigen"),
        (HEADER + "2026-03-02T02:00:00Z,heron.oxygen,one,good\n", 2, "'one'"),
        (HEADER + "2026-03-02T02:00:00Z,heron.oxygen,1,fine\n", 2, "'fine'"),
        (HEADER + "2026-03-02T02:00:00,heron.oxygen,1,good\n", 2, "time zone"),
        (HEADER + "yesterday,heron.oxygen,1,good\n", 2, "yesterday"),
    ],
)
def test_a_bad_row_is_named_with_its_line(
    config: Path, tmp_path: Path, text: str, line: int, words: str
) -> None:
    """File, line, what is wrong and what to write; never a traceback."""
    csv = tmp_path / "r.csv"
    csv.write_text(text)
    with pytest.raises(ConfigError) as caught:
        events(config, csv)
    problem = caught.value.problems[0]
    assert (problem.file, problem.line) == (str(csv), line)
    assert words in str(problem)
    assert problem.remedy


def test_the_command_prints_one_document_a_line_and_compares(
    config: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--json gives event documents; --compare names the alarm that a changed limit concerns."""
    csv = tmp_path / "r.csv"
    csv.write_text(HEADER + "".join(row(s, "heron.moisture", 6.0) for s in range(5)))
    assert main(["replay", "--config", str(config), "--csv", str(csv), "--json"]) == 0
    documents = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [d["alarm"] for d in documents] == ["heron.moisture-high"]
    other = tmp_path / "other.yaml"
    other.write_text(CONFIG.replace("above: 5 ppm", "above: 7 ppm"))
    words = [
        "replay",
        "--config",
        str(config),
        "--csv",
        str(csv),
        "--compare",
        str(other),
        "--json",
    ]
    assert main(words) == 1
    assert json.loads(capsys.readouterr().out)["alarms"] == ["heron.moisture-high"]
