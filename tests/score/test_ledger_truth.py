"""One simulated day of doors and stops: every one in the ledger, with what truly came in."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

pytestmark = pytest.mark.long

COMMAND = (sys.executable, "-m", "tests.score.ledger_truth")


@pytest.fixture(scope="module")
def found() -> list[dict[str, Any]]:
    run = subprocess.run([*COMMAND, "--story", "doors", "--json"], capture_output=True, check=False)
    assert run.stdout, run.stderr.decode()
    lines: list[dict[str, Any]] = json.loads(run.stdout)
    return lines


def test_every_transfer_has_its_cycles_and_its_dose(found: list[dict[str, Any]]) -> None:
    """Cycles as made, dose within a fifth of what the chamber truly held."""
    transfers = [f for f in found if f["what"] == "transfer"]
    assert len(transfers) == 6
    assert all(f["ok"] for f in transfers), transfers
    assert max(f["true_cm3"] for f in transfers) > 100


def test_a_night_under_vacuum_is_not_called_dirty(found: list[dict[str, Any]]) -> None:
    """One cycle of a whole night passes; one short one at 50 mbar does not."""
    verdicts = [f["clean"] for f in found if f["what"] == "transfer" and f["cycles"] == 1]
    assert verdicts == [False, True]


def test_every_stop_of_half_an_hour_has_its_slope(found: list[dict[str, Any]]) -> None:
    """Oxygen slope within 15 % of the truth."""
    stops = [f for f in found if f["what"] == "isolation"]
    assert len(stops) == 2
    assert all(f["ok"] for f in stops), stops
