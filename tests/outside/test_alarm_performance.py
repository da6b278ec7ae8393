"""Figures of the alarm system, held against the reference sequence of a flood.

data/alarm_flood.csv: EEMUA 191's "10 in 10 minutes" as commonly quoted, the end below 5 from
memory; computed by an independent reference (window (t-600, t]): the flood begins with the
11th alarm at 450 s and, judged at all times, ends at 990 s.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from dewline.events import Event, EventDocument
from dewline.reports.alarm_performance import (
    DAY_MS,
    HOUR_MS,
    AlarmPerformance,
    Figure,
    floods,
    judge,
)

START_MS = 1_772_417_640_000
MINUTE_MS = 60_000
STATES = {
    "raised": "unacknowledged",
    "acknowledged": "acknowledged",
    "returned": "returned",
    "cleared": "normal",
    "shelved": "shelved",
    "unshelved": "unacknowledged",
    "suppressed": "suppressed",
    "removed-from-service": "out-of-service",
}


def record(*rows: tuple[Any, ...]) -> list[EventDocument]:
    """Documents of (minute, alarm, transition, fields)."""
    made = []
    for seq, (minute, alarm, transition, *more) in enumerate(rows, 1):
        time_ms = START_MS + round(minute * MINUTE_MS)
        fields = {"state": STATES[transition], "priority": "low", **(more[0] if more else {})}
        made.append(
            Event(
                id=f"{seq:016x}",
                seq=seq,
                time_ms=time_ms,
                at_ms=time_ms,
                site="saltmarsh",
                box=alarm.partition(".")[0],
                alarm=alarm,
                transition=transition,
                signal="heron.moisture",
                **fields,
            ).document()
        )
    return made


def judged(rows: Iterable[tuple[Any, ...]], days: float = 1.0) -> AlarmPerformance:
    return judge(record(*rows), START_MS, START_MS + round(days * DAY_MS), UTC)


def test_the_flood_of_the_reference_sequence() -> None:
    """It begins at the 11th alarm and ends when fewer than 5 lie in the window."""
    with (Path(__file__).parent / "data" / "alarm_flood.csv").open() as stream:
        times = [round(float(row["t_s_new_alarm"]) * 1000) for row in csv.DictReader(stream)]
    assert floods(times, 10**9) == [(450_000, 990_000)]


def test_ten_in_ten_minutes_are_no_flood() -> None:
    """More than ten are."""
    assert floods([n * 1000 for n in range(10)], 10**9) == []
    assert len(floods([n * 1000 for n in range(11)], 10**9)) == 1


def test_counts_by_priority_alarm_and_day() -> None:
    """Only what calls is counted: not returns, acknowledgements or suppressed ones."""
    found = judged(
        [
            (0, "heron.a", "raised", {"priority": "high"}),
            (1, "heron.a", "acknowledged"),
            (2, "heron.a", "cleared"),
            (3, "heron.b", "suppressed"),
            (4, "heron.a", "raised", {"priority": "high"}),
            (1420, "egret.c", "raised", {"priority": "medium"}),
        ],
        days=2,
    )
    assert dict(found.by_priority) == {"high": 2, "medium": 1}
    assert found.by_alarm.most_common(1) == [("heron.a", 2)]
    assert dict(found.by_day) == {"2026-03-02": 2, "2026-03-03": 1}
    assert found.suppressed == 1


def test_what_stands_longer_than_a_day() -> None:
    """From raise to return, acknowledged or not; also when it still stands, or began before."""
    rows = [
        (-600, "heron.old", "raised"),
        (0, "heron.short", "raised"),
        (1439, "heron.short", "cleared"),
        (0, "heron.long", "raised"),
        (5, "heron.long", "acknowledged"),
        (1500, "heron.long", "cleared"),
    ]
    rows.sort(key=lambda row: row[0])
    found = judged(rows, days=2)
    assert sorted(span.alarm for span in found.standing) == ["heron.long", "heron.old"]
    assert next(s for s in found.standing if s.alarm == "heron.old").to_ms is None


def test_how_long_nobody_acknowledged() -> None:
    """From the call to the acknowledgement, the longest first."""
    found = judged(
        [
            (0, "heron.a", "raised"),
            (10, "heron.b", "raised"),
            (12, "heron.b", "acknowledged", {"by": "rui"}),
            (40, "heron.a", "acknowledged"),
        ]
    )
    lengths = [(s.alarm, s.length_ms(found.to_ms) / MINUTE_MS) for s in found.unacknowledged]
    assert lengths == [("heron.a", 40), ("heron.b", 2)]


def test_what_was_shelved_by_whom_and_why() -> None:
    """Every shelving is listed with its person, reason and end; so is out of service."""
    until_ms = START_MS + 2 * HOUR_MS
    found = judged(
        [
            (0, "heron.a", "raised"),
            (1, "heron.a", "shelved", {"by": "rui", "why": "new gloves", "until_ms": until_ms}),
            (121, "heron.a", "unshelved", {"why": "time is up"}),
            (200, "heron.b", "removed-from-service", {"by": "ana", "why": "calibration"}),
        ]
    )
    (shelf,) = found.shelved
    assert (shelf.by, shelf.why, shelf.until_ms) == ("rui", "new gloves", until_ms)
    assert shelf.length_ms(found.to_ms) == 120 * MINUTE_MS
    assert [(s.by, s.to_ms) for s in found.out_of_service] == [("ana", None)]


def test_three_cycles_in_a_minute_chatter() -> None:
    """Three returns within a minute; at longer spacing none."""

    def cycles(step_minutes: float) -> list[tuple[float, str, str]]:
        return [
            (step_minutes * (n + half / 2), "heron.a", "cleared" if half else "raised")
            for n in range(3)
            for half in (0, 1)
        ]

    assert dict(judged(cycles(0.3)).chattering) == {"heron.a": 1}
    assert not judged(cycles(0.6)).chattering


def figure(found: AlarmPerformance, name: str) -> Figure:
    return next(f for f in found.figures() if f.name == name)


@pytest.mark.parametrize(("count", "within"), [(150, True), (151, False)])
def test_alarms_a_day_against_the_figure(count: int, within: bool) -> None:
    """About 150 a day is what one person can bear (ISA-18.2, from memory)."""
    rows = [(n * 9.0, f"heron.r{n}", "raised") for n in range(count)]
    assert figure(judged(rows), "alarms a day").within is within


def test_every_figure_names_its_source() -> None:
    """And says where it is from memory."""
    for one in judged([]).figures():
        assert "EEMUA 191" in one.source
        assert one.source.endswith(("slides", "from memory"))


def test_shares_of_a_handful_say_nothing() -> None:
    """Below twenty alarms no share is held against anything."""
    found = judged([(0, "heron.a", "raised", {"priority": "critical"})])
    assert figure(found, "share high and critical").within is None
    assert all(one.within is not False for one in found.figures())


def test_an_empty_period_is_a_good_one() -> None:
    """No alarm: nothing to divide by, nothing outside."""
    found = judged([])
    assert all(one.within is not False for one in found.figures())
    assert found.document()["alarms"] == 0
