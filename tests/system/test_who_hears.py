"""Every rule of the built-in sets, alone, under every parent and in every mode: somebody hears.

At 03:00 on a Tuesday and on Saturday noon, in a lab that is staffed on weekdays. Printed with
``pytest -s``. Common practice, no source: what is high or critical can still be changed by a
person before staff arrive, what is medium waits for them, and what is low is for the record.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from dewline.watch.alarms.suppression import Suppression
from dewline.watch_plan import WatchPlan
from tests.system.who_hears import (
    MEDIUM_DESK,
    NIGHT,
    NOON,
    ONE_DESK,
    SETS,
    TWO_DESKS,
    Cell,
    Site,
    plan_of,
    show,
)

URGENT = ("critical", "high")
BY_PEOPLE = ("opened", "maintenance")  # somebody is at the box, or has said for how long
LONGEST_MS = 4 * 3_600_000


@pytest.fixture(name="plan", params=SETS)
def plan_fixture(request: pytest.FixtureRequest, tmp_path: Path) -> WatchPlan:
    """A site of two desks with every rule of a set."""
    return plan_of(request.param, TWO_DESKS, tmp_path)


def cells(plan: WatchPlan) -> list[Cell]:
    return [cell for when in (NIGHT, NOON) for cell in Site(plan, when).cells()]


@pytest.mark.long
@pytest.mark.parametrize("contacts", [ONE_DESK, TWO_DESKS, MEDIUM_DESK])
@pytest.mark.parametrize("rule_set", SETS)
def test_somebody_hears_at_once_of_what_can_still_be_changed(
    rule_set: str, contacts: dict[str, Any], tmp_path: Path
) -> None:
    """Of the alarm or of the parent that stands for it; else a mode holds it, for a while."""
    found = cells(plan_of(rule_set, contacts, tmp_path))
    assert len(found) > 700
    urgent = [cell for cell in found if cell.priority in URGENT and cell.longest_ms is None]
    assert [cell for cell in urgent if not cell.told] == []


def test_what_can_wait_is_told_when_staff_are_back(plan: WatchPlan) -> None:
    """No cell of a medium rule says nobody."""
    assert [cell for cell in cells(plan) if cell.text == "nobody"] == []


def test_no_mode_silences_a_signal_for_long(plan: WatchPlan) -> None:
    """Not all urgent rules of a signal for more than four hours, unless people are at work."""
    urgent = [c for c in cells(plan) if plan.rules[c.alarm].priority in URGENT]
    for signal in {plan.rules[c.alarm].signal for c in urgent}:
        mine = [c for c in urgent if plan.rules[c.alarm].signal == signal]
        for mode in {c.holder for c in mine if c.longest_ms is not None} - {*BY_PEOPLE}:
            held = {c.alarm: c.longest_ms or 0 for c in mine if c.holder == mode and c.longest_ms}
            spoken = {c.alarm for c in mine} - held.keys()
            assert spoken or max(held.values()) <= LONGEST_MS, (signal, mode)


def test_the_table_would_show_a_high_alarm_muted_by_a_medium_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Held by any parent whose condition is true, as it was: some are heard by nobody."""
    monkeypatch.setattr(Suppression, "_speaks", lambda *_: True)
    found = cells(plan_of("inert-box", ONE_DESK, tmp_path))
    muted = {c.alarm: c.holder for c in found if c.text == "nobody" and c.priority in URGENT}
    assert muted["heron.pressure-low"] == "house.supply-low"
    assert muted["heron.moisture-high"] == "heron.circulation-stopped"


def test_the_table_can_be_read(tmp_path: Path) -> None:
    """Printed for two desks that share the week."""
    show(plan_of("inert-box", TWO_DESKS, tmp_path), sys.stdout)
