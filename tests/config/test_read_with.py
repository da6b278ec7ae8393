"""The hash of how registers are read: what changes it, and what does not."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dewline.config import Plan, load
from dewline.config.plan_json import plan_hash
from dewline.config.read_with import read_with
from dewline.readings import Quality

EXAMPLE = Path(__file__).parents[2] / "config" / "example.yaml"


@pytest.fixture(name="plan", scope="module")
def plan_fixture() -> Plan:
    return load(EXAMPLE).plan


def with_register(plan: Plan, **change: Any) -> Plan:
    """The plan with its first fed register of an instrument changed."""
    instrument = next(i for i in plan.instruments.values() if i.ascii is None)
    registers = [
        replace(r, **change) if r.name == next(iter(instrument.feeds)) else r
        for r in instrument.registers
    ]
    changed = replace(instrument, registers=tuple(registers))
    return replace(plan, instruments={**plan.instruments, instrument.name: changed})


@pytest.mark.parametrize(
    "change",
    [
        {"address": 77},
        {"table": "holding"},
        {"type": "int32", "word_order": "ABCD"},
        {"word_order": "BADC"},
        {"scale": 0.37},
        {"offset": -3.0},
        {"factor": 60.0},
        {"sentinels": {9: Quality.OFF}},
        {"span": (0.0, 7.0)},
    ],
    ids=str,
)
def test_each_way_to_read_a_register_otherwise_has_another_hash(
    plan: Plan, change: dict[str, Any]
) -> None:
    """The plan of the watch, and its hash, are the same: only this one tells."""
    changed = with_register(plan, **change)
    assert plan_hash(changed.watch) == plan.hash
    assert read_with(changed).hash != read_with(plan).hash


def test_another_instrument_or_unit_has_another_hash(plan: Plan) -> None:
    """A signal that comes from another place is another reading."""
    name, instrument = next(iter(plan.instruments.items()))
    moved = {**plan.instruments, name: replace(instrument, unit=instrument.unit + 1)}
    assert read_with(replace(plan, instruments=moved)).hash != read_with(plan).hash


def test_how_often_and_where_a_bus_is_plugged_in_does_not_count(plan: Plan) -> None:
    """An adapter at another port, a slower poll or a longer time limit read the same."""
    slower = {n: replace(i, every_ms=7000, timeout_ms=900) for n, i in plan.instruments.items()}
    changed = replace(plan, instruments=slower, buses={})
    assert read_with(changed) == read_with(plan)


def test_the_document_names_every_measured_signal(plan: Plan) -> None:
    """Whoever reads the record finds the address and the scale behind each name."""
    document = json.loads(read_with(plan).document)
    fed = {n for i in plan.instruments.values() for names in i.feeds.values() for n in names}
    assert set(document) == fed
    assert document["heron.oxygen"]["register"]["address"] >= 0
