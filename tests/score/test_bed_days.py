"""Days left of a bed against simulated beds: the table as the command prints it, smaller."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

pytestmark = pytest.mark.long

COMMAND = (sys.executable, "-m", "tests.score.bed_days")


@pytest.fixture(scope="module")
def beds(long_runs: bool) -> int:
    return 100 if long_runs else 8


@pytest.fixture(scope="module")
def rows(beds: int) -> list[dict[str, Any]]:
    run = subprocess.run(
        [*COMMAND, "--stories", str(beds), "--json"], capture_output=True, check=True
    )
    table: list[dict[str, Any]] = json.loads(run.stdout)
    return table


@pytest.mark.parametrize("gas", ["moisture", "oxygen"])
def test_stated_intervals_hold_the_truth(rows: list[dict[str, Any]], gas: str, beds: int) -> None:
    """80 % intervals with a zero error of up to 0.2 ppm: 70-90 % of 200 stories by the command;
    of a few no further off than these can be by chance."""
    row = next(r for r in rows if (r["gas"], r["run_over"]) == (gas, "all"))
    assert row["said"] == 18 * beds
    assert 66 <= row["covered_percent"] <= 94


@pytest.mark.parametrize("gas", ["moisture", "oxygen"])
def test_the_middle_is_within_a_factor_two(rows: list[dict[str, Any]], gas: str) -> None:
    """From half load on nine in ten are right within a factor two (100 stories by the command).

    The rest is weather, doses still to come and the zero, see ``bed_days.py --limits``."""
    row = next(r for r in rows if (r["gas"], r["run_over"]) == (gas, "half on"))
    assert row["within_factor_2_percent"] >= 85
    assert row["median_factor"] <= 1.45
