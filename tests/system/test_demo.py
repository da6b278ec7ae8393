"""The demo shows the main job in one night, and shows it every time.

In short, the same story in three and a half hours: the bed is smaller and fuller, and what
happens to egret lies closer together. DEWLINE_LONG=1 runs the night as it is shown.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from dewline_sim.story import scenarios

pytestmark = pytest.mark.long
LONG = os.environ.get("DEWLINE_LONG") == "1"
EARLIER = {
    "22:00": "20:45",  # the bed of heron is spent
    "['22:05', '22:20']": "20:35",  # the analyzer of egret falls silent
    "23:30": "21:10",  # its valves stick
    "23:36": "21:16",
    "01:40": "22:00",  # the rush of air
    "01:43": "22:03",
}


def short_night(path: Path) -> Path:
    """The story of the night, told in a third of the time."""
    story = yaml.safe_load((scenarios() / "night.yaml").read_text(encoding="utf-8"))
    story["hours"] = 3.5
    story["draw"] |= {"load_percent": [91, 91.5], "water_cm3_h": [16, 16]}
    story["change"]["lab"]["purifiers"]["p1"]["water_capacity_g"] = 0.38
    for item in story["timeline"]:
        item["at"] = EARLIER.get(str(item["at"]), item["at"])
    path.write_text(yaml.safe_dump(story, sort_keys=False))
    return path


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The night: the folder it kept, and what it printed."""
    folder = tmp_path_factory.mktemp("night")
    file = tmp_path_factory.mktemp("story") / "night.yaml"
    story = "night" if LONG else str(short_night(file))
    found = subprocess.run(
        [sys.executable, "-m", "dewline", "demo", "--story", story, "--keep", str(folder)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stderr[-3000:]
    return folder, found.stdout


def times(printed: str, alarm: str, transition: str = "raised") -> list[str]:
    pattern = rf"^([\d-]+ [\d:]+) UTC  {transition} +\w+ +{re.escape(alarm)}(?: |$)"
    return re.findall(pattern, printed, re.MULTILINE)


def test_the_climb_is_told_before_the_limit_is_crossed(night: tuple[Path, str]) -> None:
    """The spent bed: a warning of the climb stands at least an hour before the limit is crossed."""
    ahead = re.search(
        r"heron\.moisture-(?:soon|climbing) came ([\d.]+) h before heron\.moisture-high", night[1]
    )
    assert ahead, night[1][-800:]
    assert float(ahead[1]) >= 1.0
    warned = times(night[1], "heron.moisture-soon") + times(night[1], "heron.moisture-climbing")
    with sqlite3.connect(f"file:{night[0] / 'night.db'}?mode=ro", uri=True) as db:
        crossed = db.execute(
            "SELECT datetime(min(time_ms) / 1000, 'unixepoch') FROM reading"
            " WHERE signal = 'heron.moisture' AND value > 5 AND quality = 'good'"
        ).fetchone()[0]
    assert min(warned) < crossed


def test_the_saturated_cell_pages_within_seconds(night: tuple[Path, str]) -> None:
    """The rush of air drives the oxygen cell over its range: a critical alarm, not a gap."""
    truth = (night[0] / "truth.jsonl").read_text()
    assert '"wrong": "air-leak", "place": "egret"' in truth
    assert re.search(r"raised +critical +egret\.oxygen-into-bed", night[1])
    with sqlite3.connect(f"file:{night[0] / 'night.db'}?mode=ro", uri=True) as db:
        saturated = db.execute(
            "SELECT count(*), min(value), max(value) FROM reading"
            " WHERE signal = 'egret.oxygen' AND quality = 'uncertain/over-range'"
        ).fetchone()
    assert saturated[0] > 10
    assert saturated[1:] == (250_000.0, 250_000.0)  # the end of the range, not a gap


def test_silence_pressure_and_return_are_told_once(night: tuple[Path, str]) -> None:
    """One alarm for the silent analyzer and one return; the pressure excursion comes and goes."""
    for alarm in ("daemon.egret-trace-silent", "egret.pressure-extreme"):
        assert len(times(night[1], alarm)) == 1
        assert len(times(night[1], alarm, "returned")) == 1


def test_nothing_was_written_and_everything_is_recorded(night: tuple[Path, str]) -> None:
    """The instruments saw reads by the ten thousand and no write; the record replays."""
    reads, writes = re.search(r"saw: (\d+) to read, (\d+) to write", night[1]).groups()  # type: ignore[union-attr]
    assert int(reads) > (100_000 if LONG else 30_000)
    assert int(writes) == 0
    replay = subprocess.run(
        [
            *(sys.executable, "-m", "dewline", "replay"),
            *("--config", str(night[0] / "dewline.yaml")),
            *("--journal", str(night[0] / "night.db"), "--json"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert replay.returncode == 0, replay.stderr
    told = [json.loads(line) for line in replay.stdout.splitlines()]
    assert len(told) == int(re.search(r"(\d+) events came back", night[1])[1])  # type: ignore[index]
