"""The score of a few stories, as the command prints it, on a seed that no weight was set on.

DEWLINE_LONG=1 tells them on two.
"""

import json
import subprocess
import sys
from statistics import median
from typing import Any

import pytest

from dewline_sim import story as stories
from tests.score.bench import tell
from tests.score.marks import rows

pytestmark = pytest.mark.long

COMMAND = (sys.executable, "-m", "tests.score.causes")
STORIES = "air-rush,torn-glove,cooling-leak,panel-frozen,bad-wire,negative-box,circulator-trip"


@pytest.fixture(scope="module")
def seeds(long_runs: bool) -> int:
    return 2 if long_runs else 1


@pytest.fixture(scope="module")
def told(seeds: int) -> list[dict[str, Any]]:
    run = subprocess.run(
        [*COMMAND, "--seeds", f"1000-{999 + seeds}", "--jobs", "1", "--stories", STORIES, "--json"],
        capture_output=True,
        check=True,
    )
    rows: list[dict[str, Any]] = json.loads(run.stdout)
    return rows


def of(told: list[dict[str, Any]], story: str) -> list[dict[str, Any]]:
    """The tellings of one story."""
    return [row for row in told if row["story"] == story]


def test_nine_of_ten_sayings_are_right(told: list[dict[str, Any]], seeds: int) -> None:
    """Right name or right set for what was wrong."""
    marks = [s["right"] for row in told for s in row["sayings"] if s["truth"] != "nothing"]
    assert len(marks) >= 10 * seeds
    assert sum(marks) >= 0.9 * len(marks)


def test_hardly_anything_is_wrong_and_sure(told: list[dict[str, Any]]) -> None:
    """Single wrong names stated at 0.8 or more: at most 3 in 100."""
    marks = [s for row in told for s in row["sayings"] if s["truth"] != "nothing"]
    wrong = [s for s in marks if not s["right"] and not s["also"] and s["confidence"] >= 0.8]
    assert len(wrong) <= 0.03 * len(marks), wrong


def test_a_torn_glove_is_named_within_a_hundred_seconds(
    told: list[dict[str, Any]], seeds: int
) -> None:
    """Pressure gone, fill full: the first alarm comes within 100 s and names it."""
    rows = [row for row in told if row["story"] == "torn-glove"]
    assert len(rows) == seeds
    for row in rows:
        first = min(row["sayings"], key=lambda s: s["at_ms"])
        assert first["after_s"] <= 100
        assert "glove-torn" in (first["name"], *first["also"])
        assert first["priority"] == "high"


def test_a_rush_of_air_is_told_within_seconds(told: list[dict[str, Any]], seeds: int) -> None:
    """From the first air in the box to the first alarm at most 10 s, the sensor's lag included."""
    afters = [row["leads"][0]["after_s"] for row in of(told, "air-rush")]
    assert len(afters) == seeds
    assert median(afters) <= 10, afters


def test_a_tripped_circulator_is_told_within_five_minutes(told: list[dict[str, Any]]) -> None:
    """One alarm about the stop itself, long before any gas has moved, and it names the stop."""
    for row in of(told, "circulator-trip"):
        lead = next(r for r in row["leads"] if r["cause"] == "circulation-stopped")
        assert lead["after_s"] <= 300
        assert all(s["name"] == "circulation-stopped" for s in row["sayings"])


def test_a_torn_glove_is_not_blamed_on_the_valves_it_starves(told: list[dict[str, Any]]) -> None:
    """When its cylinder has run empty the glove is still named first, not the dead valves."""
    names = [s["name"] for row in of(told, "torn-glove") for s in row["sayings"]]
    assert names.count("glove-torn") >= 0.8 * len(names), names


def test_quiet_stretches_may_be_read_more_seldom() -> None:
    """Read every 5 s where nothing happens, a story brings the same alarms within a minute."""
    story = stories.load("circulator-trip", 3, hours=7.5)
    close, coarse = (rows(tell(story, coarse=c)) for c in (False, True))
    assert coarse["readings"] < 0.6 * close["readings"]
    assert [a[0] for a in coarse["alarms"]] == [a[0] for a in close["alarms"]]
    for (_, _, a), (_, _, b) in zip(close["alarms"], coarse["alarms"], strict=True):
        assert abs(a - b) <= 120_000


def test_faults_of_the_wire_accuse_no_box(told: list[dict[str, Any]]) -> None:
    """Garbled answers are no alarm of a box, and page nobody."""
    for row in (r for r in told if r["story"] == "bad-wire"):
        assert row["sayings"] == []
        assert row["pages"] == []
