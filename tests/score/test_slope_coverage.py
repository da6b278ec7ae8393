"""Slopes of analyzers that lag: the command's table of 400 cases; DEWLINE_LONG=1: of 1000."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

pytestmark = pytest.mark.long

COMMAND = (sys.executable, "-m", "tests.score.slope_coverage")


def test_intervals_of_slopes_hold_the_truth(long_runs: bool) -> None:
    """Stated 95 % intervals hold it in 92-99 % of the half hours of the simulator's own analyzers.

    The slowest of them, capacitive, dries for hours: no slope within half an hour can know that,
    and what it holds (87 %) is far from the 43-80 % of plain intervals, but not 92 %.
    """
    cases = "1000" if long_runs else "400"
    run = subprocess.run(
        [*COMMAND, "--cases", cases, "--json"], capture_output=True, check=True, text=True
    )
    covered: dict[str, float] = {
        row["analyzer"]: row["covered_percent"] for row in _rows(run.stdout)
    }
    for analyzer in ("all", "electrochemical", "zirconia"):
        assert 92 <= covered[analyzer] <= 99, covered
    assert covered["capacitive"] > 84


def _rows(text: str) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads(text)
    return rows
