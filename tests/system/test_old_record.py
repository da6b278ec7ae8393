"""A record of version 0.1.0 with its unchanged config can be retraced and continued.

``two_reloads.sql`` is the dump of a record that commit 5bd6980 wrote, when a plan's hash counted
every field with its default. It ran under the config beside it, was reloaded with another limit
and reloaded again with the first one; its last lines are the state of the watch at the end.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from pathlib import Path

import pytest

from dewline.config import Plan, load
from dewline.events import Entry, EventDocument
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Resumed, Scan
from dewline.replay.recovery import recorded_plans, recover
from dewline.replay.replay import replay_journal

DATA = Path(__file__).parent / "data"
OLD_HASH, OTHER_HASH = "ce4fa0f80552a595", "61bfe12371746f49"
# Keys that version 0.1.0 did not write.
NEW_KEYS = {"occurrence", "to", "off_duty", "when_over", "stopped_at", "stands"}


@pytest.fixture(name="plan")
def plan_fixture(tmp_path: Path) -> Plan:
    """Today's plan of the unchanged config, the old record beside it."""
    config = tmp_path / "two_reloads.yaml"
    config.write_text((DATA / "two_reloads.yaml").read_text())
    plan = load(config).plan
    with sqlite3.connect(plan.journal.path) as record:
        record.executescript((DATA / "two_reloads.sql").read_text())
    record.close()
    return plan


def told(event: EventDocument) -> Mapping[str, object]:
    """An event without the keys that are new."""
    return {key: value for key, value in event.items() if key not in NEW_KEYS}


def recorded(plan: Plan) -> list[Mapping[str, object]]:
    """The events in the record, in order."""
    with Reader(plan.journal.path) as reader:
        return [told(event) for event in reader.events(0)]


def replayed(plan: Plan) -> list[Mapping[str, object]]:
    """The events that a replay of the record gives, in order."""
    found: list[Entry] = []
    with Reader(plan.journal.path) as reader:
        replay_journal(plan, reader, found.append, lambda _: None)
    return [told(event.document()) for entry in found for event in entry.outcome.events]


def test_recorded_plans_are_found_by_their_recorded_hash(plan: Plan) -> None:
    """The old hash means today's plan, the other one the plan that ran in between."""
    assert plan.hash != OLD_HASH
    with Reader(plan.journal.path) as reader:
        plans = recorded_plans(reader, plan.watch, plan.hash)
        assert plans(OLD_HASH) is plan.watch
        other = plans(OTHER_HASH)
        assert plans("0" * 16) is None
    assert other is not None
    assert other != plan.watch
    assert other.rules.keys() == plan.watch.rules.keys()


def test_an_old_record_is_retraced_across_its_reloads(plan: Plan) -> None:
    """Every event as it was recorded: while the limit was 8 ppm, 7 ppm raised nothing."""
    assert [(e["transition"], e["value"]) for e in recorded(plan)] == [
        *[("raised", 7), ("returned", 3)],
        *[("raised", 9), ("acknowledged", 9), ("cleared", 6)],
        *[("raised", 6), ("acknowledged", 6), ("cleared", 3)],
    ]
    assert replayed(plan) == recorded(plan)


def test_another_config_is_held_against_the_whole_record(plan: Plan) -> None:
    """With a limit of 8 ppm from the first item on, only the one alarm above it is raised."""
    plan.path.write_text(plan.path.read_text().replace("above: 5 ppm", "above: 8 ppm"))
    raised = [e["value"] for e in replayed(load(plan.path).plan) if e["transition"] == "raised"]
    assert raised == [9]


@pytest.mark.parametrize("from_snapshot", [True, False])
async def test_a_restart_goes_on_and_the_longer_record_is_still_retraced(
    plan: Plan, from_snapshot: bool
) -> None:
    """A restart under the unchanged config does not count as a change of plan."""
    journal = Journal.open(plan.journal.path, plan.site, 100, reserve_bytes=0)
    try:
        if not from_snapshot:
            with sqlite3.connect(plan.journal.path) as record:
                record.execute("DELETE FROM snapshot")
            record.close()
        before = recorded(plan)
        with Reader(plan.journal.path) as reader:
            tail = reader.tail()
            assert tail.time_ms is not None
            drive = recover(reader, plan.watch, plan.hash, journal.append, tail.time_ms + 1000)
        assert drive.watch.plan is plan.watch
        assert drive.plan_hash == plan.hash
        at_ms = drive.at_ms or 0
        for second in range(0, 40, 5):
            reading = {"heron.moisture": Reading(6.0, Quality.GOOD)}
            drive.feed(Scan(at_ms + 1000 * second, at_ms + 1000 * second, "trace", reading))
        await journal.flush()
    finally:
        journal.close()
    with Reader(plan.journal.path) as reader:
        last = [item for _, item in reader.inputs() if isinstance(item, Resumed)][-1]
    assert (last.reason, last.plan_hash) == ("restart", plan.hash)
    assert [e["transition"] for e in recorded(plan)[len(before) :]] == ["raised"]
    assert replayed(plan) == recorded(plan)
