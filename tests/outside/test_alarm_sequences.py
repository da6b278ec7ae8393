"""Alarm delays, floods and the state table against worked sequences.

Source of the rules: ISA-18.2 / IEC 62682 (states and their moves, from memory
of the state transition diagram), EEMUA 191 (flood: more than 10 new alarms in
10 minutes; that it ends below 5 in 10 minutes is from memory). The sequences in
tests/outside/data were computed by an independent reference.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from dewline.events import CALLING_STATES, CALLING_TRANSITIONS, Entry, Event, State
from dewline.readings import Quality, Reading, Scan
from dewline.replay.drive import Drive
from dewline.watch.alarms.rates import AlarmRate
from dewline.watch.alarms.states import TABLE, StateRow
from dewline.watch.watch import Watch
from dewline.watch_plan import Above, RulePlan, SignalPlan, WatchPlan

DATA = Path(__file__).parent / "data"
START_MS = 1_772_417_640_000


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_delays_and_deadband_follow_the_sequence_sample_by_sample() -> None:
    """Limit 1.0, deadband 0.2, on 3 s, off 4 s: active at 9 and 28 s, clear at 23 and 33 s."""
    rule = RulePlan(
        alarm="heron.oxygen-high",
        place="heron",
        rule="oxygen-high",
        signal="heron.oxygen",
        condition=Above(1.0),
        unit="ppm",
        deadband=0.2,
        on_delay_ms=3000,
        off_delay_ms=4000,
    )
    signal = SignalPlan("heron.oxygen", "heron", "oxygen", "ppm")
    plan = WatchPlan(site="saltmarsh", signals={"heron.oxygen": signal}, rules={rule.alarm: rule})
    events: list[Event] = []
    drive = Drive(Watch(plan), "plan", lambda entry: events.extend(entry.outcome.events))
    active = False
    sequence = rows("alarm_delay_sequence.csv")
    assert len(sequence) == 34
    for row in sequence:
        events.clear()
        at_ms = START_MS + int(row["t_s"]) * 1000
        reading = Reading(float(row["o2_ppm"]), Quality.GOOD)
        drive.feed(Scan(at_ms, at_ms, "sequence", {"heron.oxygen": reading}))
        for event in events:
            active = event.transition == "raised"
        assert active == (row["expected_condition"] == "active"), row


def test_flood_window_counts_as_the_sequence_does() -> None:
    """Window (t - 600 s, t]: the count after each new alarm."""
    rate = AlarmRate()
    for row in rows("alarm_flood.csv"):
        at_ms = int(row["t_s_new_alarm"]) * 1000
        rate.add(at_ms)
        assert rate.count(at_ms) == int(row["count_last_600s"]), row


def test_flood_alarm_of_the_watch_starts_at_450_s_and_is_ended_by_time_at_990_s() -> None:
    """A timer-driven evaluation ends the flood with the tick at which the count falls to 4."""
    times_s = [int(row["t_s_new_alarm"]) for row in rows("alarm_flood.csv")]
    rules, signals = _one_alarm_for_each(times_s)
    plan = WatchPlan(site="saltmarsh", signals=signals, rules=rules)
    entries: list[Entry] = []
    drive = Drive(Watch(plan), "plan", entries.append)
    for number, second in enumerate(times_s):
        at_ms = START_MS + second * 1000
        scan = Scan(at_ms, at_ms, "s", {f"heron.s{number}": Reading(1.0, Quality.GOOD)})
        drive.feed(scan)
    told = [
        ((event.at_ms - START_MS) // 1000, event.transition, event.value)
        for entry in entries
        for event in entry.outcome.events
        if event.alarm == "daemon.alarm-flood"
    ]
    assert told == [(450, "raised", 11.0), (990, "cleared", 4.0)]


def _one_alarm_for_each(
    times_s: list[int],
) -> tuple[dict[str, RulePlan], dict[str, SignalPlan]]:
    flood_rule = RulePlan(
        alarm="daemon.alarm-flood",
        place="daemon",
        rule="alarm-flood",
        signal="daemon.alarm-rate",
        condition=Above(10.0),
        unit="",
        deadband=5.0,
        acknowledge="auto",
    )
    rules = {flood_rule.alarm: flood_rule}
    signals = {"daemon.alarm-rate": SignalPlan("daemon.alarm-rate", "daemon", "alarm-rate", "")}
    for number in range(len(times_s)):
        name = f"heron.s{number}"
        signals[name] = SignalPlan(name, "heron", f"s{number}", "")
        rules[f"heron.a{number}"] = RulePlan(
            alarm=f"heron.a{number}",
            place="heron",
            rule=f"a{number}",
            signal=name,
            condition=Above(0.5),
            unit="",
        )
    return rules, signals


STATES: dict[str, State] = {
    "A_NORMAL": "normal",
    "B_UNACK": "unacknowledged",
    "C_ACK": "acknowledged",
    "D_RTN_UNACK": "returned",
    "E_LATCHED_UNACK": "latched-unacknowledged",
    "F_LATCHED_ACK": "latched-acknowledged",
    "G_SHELVED": "shelved",
    "H_SUPPRESSED_BY_DESIGN": "suppressed",
    "I_OUT_OF_SERVICE": "out-of-service",
}
TRIGGERS = {
    "condition_active": "active",
    "condition_clear": "clear",
    "ack": "acknowledge",
    "re_alarm": "remind",
    "reset": "reset",
    "shelve": "shelve",
    "unshelve_or_timeout": "unshelve",
    "suppress_by_design_on": "suppress",
    "suppress_by_design_off": "unsuppress",
    "remove_from_service": "remove",
    "return_to_service": "return",
}
Move = tuple[str, str, frozenset[str], str]


def published() -> set[Move]:
    """The table of the file: (from, trigger, facts that choose the row, to)."""
    moves: set[Move] = set()
    for row in rows("alarm_transitions.csv"):
        event, _, condition = row["event"].partition("|")
        when = set()
        if condition == "condition_active":
            when.add("active")
        if row["applies_to"] == "latching" and event == "condition_clear":
            when.add("latch")
        if "auto-ack" in row["applies_to"]:
            when.add("auto")
        starts = (
            list(STATES.values())[:6]
            if row["from_state"] == "ANY_A_TO_F"
            else [STATES[row["from_state"]]]
        )
        for start in starts:
            moves.add((start, TRIGGERS[event], frozenset(when), STATES[row["to_state"]]))
    return moves


def ours(origin: str) -> set[Move]:
    return {(r.state, r.trigger, frozenset(r.when), r.to) for r in TABLE if r.origin == origin}


def test_the_table_is_the_published_one() -> None:
    """Every published move is in the table and the table marks no other as published."""
    assert ours("TABLE") == published()
    assert len(rows("alarm_transitions.csv")) == 23


@pytest.mark.parametrize("row", [r for r in TABLE if r.origin == "TABLE"])
def test_what_calls_is_what_the_published_table_annunciates(row: StateRow) -> None:
    """Only a move into unacknowledged calls people (annunciate = yes)."""
    yes = {STATES[r["to_state"]] for r in rows("alarm_transitions.csv") if r["annunciate"] == "yes"}
    calls = row.transition in CALLING_TRANSITIONS | {"reminded"} and row.to in CALLING_STATES
    assert calls == (row.to in yes)
