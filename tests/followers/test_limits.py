"""What of rules and ledger rows a store gets: limits that can be drawn, rows that stay apart."""

from __future__ import annotations

from typing import Any, get_args

import pytest

from dewline.events import LedgerRow, State
from dewline.followers.influx.follower import limit_lines
from dewline.journal.lines import STATE_RANK, ledger_line
from dewline.watch_plan import Above, Below, Outside, Rising, RulePlan, StaleAfter

HOUR_MS = 3_600_000


def rule(name: str, condition: Any) -> RulePlan:
    return RulePlan(
        alarm=f"heron.{name}",
        place="heron",
        rule=name,
        signal="heron.pressure",
        condition=condition,
        unit="mbar",
    )


@pytest.mark.parametrize(
    ("condition", "limits"),
    [
        (Above(8.0), [("high", "8.0")]),
        (Below(-1.0), [("low", "-1.0")]),
        (Outside(-8.0, 12.0), [("low", "-8.0"), ("high", "12.0")]),
        (Outside("heron.pressure_low", 12.0), [("high", "12.0")]),
        (Above("heron.pressure_high"), []),
        (Rising(0.5, HOUR_MS, 0.95), []),
        (StaleAfter(15_000), []),
    ],
)
def test_levels_are_sent_and_nothing_else(
    condition: Above | Below | Outside | Rising | StaleAfter,
    limits: list[Any] | list[tuple[str, str]],
) -> None:
    """A limit in the unit of its signal; slopes, times and other signals have no line of it."""
    lines = limit_lines([rule("pressure-odd", condition)], "saltmarsh", 1_700_000_000_000)
    head = "limit,site=saltmarsh,box=heron,signal=pressure,alarm=pressure-odd,priority=medium"
    assert lines == [
        f"{head},side={side} value={value} 1700000000000000000" for side, value in limits
    ]


def test_rows_of_one_moment_stay_apart() -> None:
    """Both analyzers answer one transfer: a store would lay the second over the first."""
    rows = [
        LedgerRow(gas, "heron", "sensor-response", 0, 1000, {"gas": gas, "rise_ppm": 1.5})
        for gas in ("oxygen", "moisture")
    ]
    heads = [str(ledger_line(row, "saltmarsh")).split(" ")[0] for row in rows]
    assert heads == [
        f"ledger,site=saltmarsh,box=heron,kind=sensor-response,of={gas}"
        for gas in ("oxygen", "moisture")
    ]


def test_every_state_has_its_rank() -> None:
    """0 is over; whatever waits for a person ranks above what a person has seen."""
    assert set(STATE_RANK) == set(get_args(State))
    assert len(set(STATE_RANK.values())) == len(STATE_RANK)
    assert STATE_RANK["normal"] == 0
    assert STATE_RANK["unacknowledged"] > STATE_RANK["acknowledged"] > STATE_RANK["shelved"]
