"""Stories as files: the CSV's form, what it holds, and the truth beside it."""

from __future__ import annotations

import csv
import io
import itertools
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline_sim.command import main, scene_of
from dewline_sim.record import CsvWriter, TruthWriter, iso_utc, run_through
from dewline_sim.scenario import Scene
from tests.sim.still_lab import LONG


def rows_of(
    scene: Scene, only: frozenset[str] | None = None, step_s: int = 1
) -> list[dict[str, str]]:
    """The whole CSV of a scene, read again; with a longer step than usual if asked for."""
    out = io.StringIO()
    writer = CsvWriter(scene, out, only)
    if step_s == 1:
        run_through(scene, [writer], lambda _: None)
    while not scene.ended:
        writer.write()
        scene.advance(scene.now_ms + 1000 * step_s, 1000 * step_s)
    return list(csv.DictReader(io.StringIO(out.getvalue())))


@pytest.mark.long
def test_form(still_scene: Callable[..., Scene]) -> None:
    """Long form, a block of rows a second, every signal in every block, first moment included."""
    scene = still_scene()
    rows = rows_of(scene)
    assert list(rows[0]) == ["time", "signal", "value", "quality"]
    blocks = [list(b) for _, b in itertools.groupby(rows, lambda r: r["time"])]
    assert len(blocks) == 3601
    assert blocks[0][0]["time"] == "2026-03-02T20:00:00.000Z"
    assert blocks[-1][0]["time"] == "2026-03-02T21:00:00.000Z"
    assert all([r["signal"] for r in b] == [w.signal for w in scene.wires] for b in blocks)


def test_values_are_what_a_reader_would_decode(still_scene: Callable[..., Scene]) -> None:
    """Pressure comes in the register's hundredths; a value is finite and has a known quality."""
    rows = rows_of(still_scene(), frozenset({"heron.pressure"}))
    values = [float(r["value"]) for r in rows]
    assert all(abs(100 * v - round(100 * v)) < 1e-6 for v in values)
    assert sum(values) / len(values) == pytest.approx(3.21, abs=0.005)
    assert {r["quality"] for r in rows} == {"good"}


@pytest.mark.parametrize(
    ("fault", "quality"),
    [
        ({"kind": "silence", "link": "analyzers", "unit": 11}, "bad/no-answer"),
        ({"kind": "exception", "link": "analyzers", "unit": 11}, "bad/exception"),
        ({"kind": "unplug", "link": "analyzers"}, "bad/no-answer"),
        ({"kind": "slow", "link": "analyzers"}, "good"),
        ({"kind": "silence", "link": "analyzers", "unit": 12}, "good"),
    ],
)
def test_faults_of_the_wire_show(
    still_scene: Callable[..., Scene], fault: dict[str, object], quality: str
) -> None:
    """While a fault holds, the readings behind it are bad and have no number."""
    scene = still_scene(({"at": "20:10", "fault": fault, "for": "5 min"},))
    rows = rows_of(scene, frozenset({"heron.oxygen"}))
    assert {r["quality"] for r in rows[600:900]} == {quality}
    assert all((r["value"] == "") == (quality != "good") for r in rows[600:900])
    assert {r["quality"] for r in rows[:600] + rows[900:]} == {"good"}


@pytest.mark.long
def test_same_seed_same_file() -> None:
    """A story repeats to the byte by its seed; another seed tells it otherwise."""
    first, again, other = (rows_of(scene_of("night", seed, 0.2)) for seed in (5, 5, 6))
    assert first == again
    assert first != other


@pytest.mark.long
def test_only_some_signals_are_the_same_signals() -> None:
    """Leaving signals out changes nothing in those that stay."""
    some = frozenset({"heron.moisture", "egret.pressure"})
    everything = rows_of(scene_of("night", 2, 0.1))
    assert [r for r in everything if r["signal"] in some] == rows_of(
        scene_of("night", 2, 0.1), some
    )


@pytest.mark.long
def test_night_holds_what_its_title_says() -> None:
    """Spent bed, silent analyzer, pressure run up, saturated cell, three cycles.

    Seen every 10 s, or every second if LONG.
    """
    roles = {f"heron.{r}" for r in ("oxygen", "moisture", "large_pressure")}
    roles |= {f"egret.{r}" for r in ("oxygen", "pressure")}
    series: dict[str, list[tuple[str, str]]] = {}
    step_s = 1 if LONG else 10
    for row in rows_of(scene_of("night", 1, 9.2), frozenset(roles), step_s):
        series.setdefault(row["signal"], []).append((row["value"], row["quality"]))
    assert set(series) == roles
    water = [float(v) for v, _ in series["heron.moisture"]]
    hour = 3600 // step_s
    assert water[2 * hour] < 1.0
    crossed = next(i for i, v in enumerate(water) if v > 5.0)
    rising = next(i for i in range(2 * hour, len(water)) if water[i] > water[i - hour] + 0.3)
    assert crossed - rising > 2 * hour
    assert max(float(v) for v, _ in series["heron.oxygen"]) < 1.0
    egret = series["egret.oxygen"]
    assert sum(q == "bad/no-answer" for _, q in egret) == 600 // step_s
    assert sum(q == "uncertain/over-range" for _, q in egret) > 60 // step_s
    assert max(float(v) for v, _ in series["egret.pressure"]) > 12.0
    chamber = [float(v) < 50.0 for v, _ in series["heron.large_pressure"]]
    assert sum(b and not a for a, b in itertools.pairwise(chamber)) == 3


def test_truth(tmp_path: Path) -> None:
    """First what is wrong, then the state of every place each minute, as JSON lines."""
    file = tmp_path / "truth.jsonl"
    assert main(["night", "--hours", "0.1", "--truth", str(file), "--quiet"]) == 0
    lines = [json.loads(line) for line in file.read_text().splitlines()]
    wrongs = [line for line in lines if "wrong" in line]
    assert [w["wrong"] for w in wrongs[:2]] == ["transfer", "bed-spent-water"]
    assert wrongs[1] | {"note": ""} == {
        "wrong": "bed-spent-water",
        "place": "heron",
        "from": "2026-03-02T22:00:00.000Z",
        "to": None,
        "note": "",
    }
    states = [line for line in lines if "truth" in line and line["place"] == "heron"]
    assert [s["time"] for s in states] == [iso_utc(1772481600000 + 60_000 * m) for m in range(7)]
    assert {"oxygen", "moisture", "pressure", "large_pressure"} <= set(states[0]["truth"])


def test_truth_keeps_its_minute_whatever_the_step(still_scene: Callable[..., Scene]) -> None:
    """Moved on by 7 s at a time, the state is still written once a minute."""
    scene, out = still_scene(), io.StringIO()
    writer = TruthWriter(scene, out)
    writer.write()
    for _ in range(100):
        scene.advance(scene.now_ms + 7_000)
        writer.write()
    states = [json.loads(x) for x in out.getvalue().splitlines() if '"heron"' in x]
    assert len(states) == 12


@pytest.mark.long
def test_truth_is_not_touched_by_the_instruments() -> None:
    """Sensors only look: with all of them frozen the lab goes the same way."""
    free, frozen = scene_of("night", 1, 0.5), scene_of("night", 1, 0.5)
    for instrument in frozen.instruments.values():
        instrument.act("freeze", {})
    ends = []
    for scene in (free, frozen):
        out = io.StringIO()
        run_through(scene, [TruthWriter(scene, out)], lambda _: None)
        ends.append(out.getvalue())
    assert ends[0] == ends[1]


def test_a_wrong_call_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    """An unknown story, and a malformed one, end with status 2 and words."""
    assert main(["no-such-night", "--csv", "-"]) == 2
    assert "night" in capsys.readouterr().err
    assert main(["--list"]) == 0
    assert "torn-glove" in capsys.readouterr().out
