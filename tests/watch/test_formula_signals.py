"""Signals defined by an expression: as good as their worst part, as old as their oldest."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.plan_json import watch_plan_from_json, watch_plan_to_json
from dewline.events import Entry
from dewline.gas.humidity import frost_point_c
from dewline.journal import Journal
from dewline.journal.reader import Reader
from dewline.readings import Quality, Reading, Resumed
from dewline.replay.drive import Drive
from dewline.replay.replay import replay_journal
from dewline.watch.watch import Watch
from tests.watch.conftest import START_MS
from tests.watch.rule_bench import RuleBench, load_rules

APART = {"other": "panel.trace", "apart": "trace - other"}
HIGH = {"high": {"signal": "apart", "above": "2 ppm"}}


def last(b: RuleBench, name: str) -> tuple[float, float | None]:
    """When a derived signal was last written, and its value."""
    return [(at_s, value) for at_s, found, value in b.derived if found == f"heron.{name}"][-1]


def test_it_is_computed_with_every_reading_of_a_part_and_judged_at_once(tmp_path: Path) -> None:
    """The difference of two analyzers, also where only one of them was read."""
    b = RuleBench(tmp_path, HIGH, **APART)
    b.feed(0, trace=5.0, other=4.0)
    assert last(b, "apart") == (0, 1.0)
    b.feed(1, trace=6.0)
    assert last(b, "apart") == (1, 2.0)
    assert b.raised_s("high") == []
    b.feed(2, other=3.9)
    assert b.raised_s("high") == [2]
    assert b.events[0].value == pytest.approx(2.1)
    assert b.events[0].unit == "ppm"


def test_one_may_stand_on_another_in_whatever_order_they_are_written(tmp_path: Path) -> None:
    """Each is computed after its parts, in the same scan."""
    chain = {"third": "second * 2", "second": "first + 1 ppm", "first": "trace - other"}
    b = RuleBench(tmp_path, {}, other="panel.trace", **chain)
    b.feed(0, trace=5.0, other=4.0)
    assert [last(b, name)[1] for name in ("first", "second", "third")] == [1.0, 2.0, 4.0]


@pytest.mark.parametrize(
    ("given", "value", "quality"),
    [
        (Reading(9.0, Quality.OVER_RANGE), 5.0, Quality.OVER_RANGE),
        (Reading(9.0, Quality.LOW), 5.0, Quality.LOW),
        (Reading(None, Quality.LOOP_FAULT), None, Quality.LOOP_FAULT),
        (Reading(None, Quality.NO_ANSWER), None, Quality.NO_ANSWER),
    ],
)
def test_its_quality_is_the_worst_of_its_parts(
    tmp_path: Path, given: Reading, value: float | None, quality: Quality
) -> None:
    """It has no value where a part is bad."""
    b = RuleBench(tmp_path, HIGH, **APART)
    b.feed(0, trace=5.0, other=4.0)
    found = b.at(1, trace=given, other=4.0).readings["heron.apart"]
    assert (found.value, found.quality) == (value, quality)


def test_a_value_that_cannot_be_computed_is_bad(tmp_path: Path) -> None:
    """A division by zero gives no number, and the watch goes on."""
    b = RuleBench(tmp_path, {}, ratio="trace / part")
    found = b.at(0, trace=5.0, part=0.0).readings["heron.ratio"]
    assert found == Reading(None, Quality.NOT_A_NUMBER)
    b.feed(1, trace=5.0, part=0.001)
    assert last(b, "ratio")[1] == pytest.approx(0.5)


def test_it_is_as_old_as_the_oldest_of_its_parts(tmp_path: Path) -> None:
    """While one part comes and the other does not, it is stale by the one that does not."""
    b = RuleBench(tmp_path, {"stale": {"signal": "apart", "stale_after": "10 s"}}, **APART)
    for second in range(4):
        b.feed(second, trace=5.0, other=4.0)
    for second in range(4, 40):
        b.feed(second, trace=5.0)
    assert b.raised_s("stale") == [13]
    assert last(b, "apart")[1] is None  # overdue: not as if it were of now
    b.feed(40, trace=5.0, other=4.0)
    assert b.told("stale")[-1][:2] == (40, "returned")


def test_parts_that_come_and_do_not_change_keep_it_alive(tmp_path: Path) -> None:
    """The same reading again is a reading: neither stale, nor left out of the record."""
    b = RuleBench(tmp_path, {"stale": {"signal": "apart", "stale_after": "10 s"}}, **APART)
    for second in range(60):
        b.feed(second, trace=5.0, other=4.0)
    assert b.events == []
    assert last(b, "apart") == (59, 1.0)


@pytest.mark.long
def test_it_serves_as_limit_as_guard_and_for_slopes(tmp_path: Path) -> None:
    """A signal like any other, for every rule."""
    rules = {
        "limit": {"signal": "trace", "above": "apart + 3 ppm"},
        "guard": {"signal": "trace", "above": "1 ppm", "only_while": "apart above 1 ppm"},
        "slope": {"signal": "apart", "rising": "1 ppm/h"},
        "soon": {"signal": "apart", "reaches": "10 ppm", "within": "4 h"},
    }
    b = RuleBench(tmp_path, rules, **APART)
    for second in range(0, 4 * 3600, 30):
        b.feed(second, trace=4.0 + second / 1800, other=4.0)  # 2 ppm/h apart, 5 h to the limit
    assert b.raised_s("limit") == [0]  # 4 > 0 + 3
    assert b.raised_s("guard") == [1830]
    assert 0 < b.raised_s("slope")[0] <= 1800
    assert 3000 < b.raised_s("soon")[0] < 2 * 3600


def test_a_sum_of_gas_and_a_derived_signal_are_parts_too(tmp_path: Path) -> None:
    """The frost point by its own formula, beside the one that dewline derives each minute."""
    own = {
        "moisture": "panel.trace",
        "frost": "frost_point(moisture, 1013.25 mbar)",
        "gap": "frost - frost_point_calc",
    }
    b = RuleBench(tmp_path, {}, **own)
    for second in range(70):
        b.feed(second, moisture=5.0)
    assert last(b, "frost")[1] == pytest.approx(frost_point_c(5.0, 101_325.0))
    assert last(b, "gap")[1] == pytest.approx(0.0, abs=1e-3)


def test_what_another_plan_had_computed_is_not_read_back(tmp_path: Path) -> None:
    """A recorded reading of it in a scan counts for nothing."""
    b = RuleBench(tmp_path, HIGH, **APART)
    b.feed(0, trace=5.0, other=4.0, apart=99.0)
    assert b.events == []
    assert last(b, "apart") == (0, 1.0)


def test_a_restored_watch_goes_on_with_it(tmp_path: Path) -> None:
    """Its last value and the rules on it are part of the saved state."""
    b = RuleBench(tmp_path, HIGH, **APART)
    b.feed(0, trace=9.0, other=4.0)
    b.freeze()
    b.feed(1, other=8.0)
    assert [t for _, t, _ in b.told("high")] == ["raised", "returned"]


def test_a_silent_instrument_is_told_once_for_what_is_computed_from_it(tmp_path: Path) -> None:
    """An alarm on it stands below the alarm that the instrument of a part does not answer."""
    plan = load_rules(tmp_path, HIGH, **APART)
    assert plan.rules["heron.high"].under == ("daemon.panel-silent",)


def test_its_plan_is_kept_with_the_record(tmp_path: Path) -> None:
    """Full names, so that it means the same whatever the config becomes."""
    plan = load_rules(tmp_path, HIGH, **APART)
    assert plan.signals["heron.apart"].formula == "heron.trace - heron.other"
    assert watch_plan_from_json(watch_plan_to_json(plan)) == plan


def test_it_is_recorded_with_its_unit_and_a_replay_gives_the_same(tmp_path: Path) -> None:
    """Beside the measured ones as a derived signal: so MQTT, the store and exports get it."""
    load_rules(tmp_path, HIGH, **APART)
    plan = load(tmp_path / "saltmarsh.yaml").plan
    live: list[Entry] = []

    async def run() -> None:
        path = plan.journal.path
        journal = Journal.open(path, plan.site, 100, reserve_bytes=0)
        journal.put_plan(plan.hash, watch_plan_to_json(plan.watch))
        journal.put_units({name: signal.unit for name, signal in plan.watch.signals.items()})

        def record(entry: Entry) -> None:
            live.append(entry)
            journal.append(entry)

        b = RuleBench(tmp_path, HIGH, **APART)
        b.drive = Drive(Watch(plan.watch), plan.hash, record)
        b.drive.feed(Resumed(START_MS, START_MS, "start", 0, plan.hash))
        for second in range(1, 20):
            b.feed(second, trace=5.0 + second / 10, other=4.0)
        await journal.flush()
        journal.close()

    asyncio.run(run())
    replayed: list[Entry] = []
    reader = Reader(plan.journal.path)
    replay_journal(plan, reader, replayed.append, lambda _: None)
    assert events(replayed) == events(live) != []
    assert readings(replayed) == readings(live) != []
    rows = [row for row in reader.rows(0, 1000) if row.signal == "heron.apart"]
    assert len(rows) == 19
    assert {(row.unit, row.origin) for row in rows} == {("ppm", "derived")}


def events(entries: list[Entry]) -> list[str]:
    """The ids of all events."""
    return [event.id for entry in entries for event in entry.outcome.events]


def readings(entries: list[Entry]) -> list[Reading]:
    """All readings of the difference."""
    found = (entry.outcome.readings.get("heron.apart") for entry in entries)
    return [reading for reading in found if reading is not None]


@pytest.mark.long
def test_an_outlook_of_it_is_about_itself(tmp_path: Path) -> None:
    """The difference of two oxygen cells reaches its limit; the oxygen of the box does not."""
    own = {"oxygen": "panel.trace", "oxygen_second": "panel.trace"}
    spec = {"signal": "oxygen_apart", "reaches": "10 ppm", "within": "4 h"}
    b = RuleBench(tmp_path, {"soon": spec}, oxygen_apart="oxygen - oxygen_second", **own)
    for second in range(0, 3 * 3600, 30):
        apart = second / 1800  # 2 ppm/h, 10 ppm after 5 h
        b.feed(second, oxygen=20.0 + apart / 2, oxygen_second=20.0 - apart / 2)
    (event,) = [e for e in b.events if e.alarm == "heron.soon"]
    assert event.outlook is not None
    at_s = b.raised_s("soon")[0]
    assert event.outlook.in_s == pytest.approx(5 * 3600 - at_s, abs=3600)
