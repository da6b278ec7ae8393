"""Whatever a rule describes, it fires when fed just that, and does not before."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.watch.rule_bench import UNITS, RuleBench, for_every_unit

H, STEP = 3600, 240  # a median of the outlook closes every four minutes
LIMITS = (-20.0, 0.0, 20.0)


@pytest.mark.parametrize("direction", ["rising", "falling"])
@pytest.mark.parametrize("limit", LIMITS)
def test_a_limit_is_foreseen_on_either_side_of_zero_and_in_either_direction(
    tmp_path: Path, limit: float, direction: str
) -> None:
    """A unit an hour towards the limit: foreseen within three hours, and not an hour too soon."""
    rules = for_every_unit(reaches=limit)
    more = {"within": "3 h", "direction": direction}
    b = RuleBench(tmp_path, {name: rule | more for name, rule in rules.items()})
    sign = 1 if direction == "rising" else -1
    for second in range(0, 9 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, limit - sign * (9.0 - second / H)))
    for event in b.events:
        (at_s,) = b.raised_s(event.alarm.partition(".")[2])
        assert 5 * H < at_s < 7.5 * H
        assert event.outlook is not None
        assert event.outlook.in_s == pytest.approx(9 * H - at_s, abs=H)
    assert len(b.events) == len(UNITS)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("limit", LIMITS)
def test_without_a_direction_the_limit_is_foreseen_from_both_sides(
    tmp_path: Path, limit: float, sign: int
) -> None:
    """A cylinder that falls to its limit and a freezer that warms to it need no further key.

    The alarm stands while the value is past the limit, and ends once it comes back from it. A
    concentration is bad above its limit: that it falls to it is no alarm unless asked for.
    """
    rules = for_every_unit(reaches=limit)
    b = RuleBench(tmp_path, {name: rule | {"within": "3 h"} for name, rule in rules.items()})
    for second in range(0, 11 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, limit - sign * (9.0 - second / H)))
    told = {name: [t for _, t, _ in b.told(name)] for name in UNITS}
    raised = [name for name in UNITS if name != "trace" or sign == 1]
    assert told == {name: ["raised"] if name in raised else [] for name in UNITS}
    for second in range(11 * H, 16 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, limit - sign * (second / H - 13.0)))
    assert all([t for _, t, _ in b.told(name)] == ["raised", "returned"] for name in raised)


@pytest.mark.parametrize(
    ("direction", "step"), [("rising", -1.0), ("falling", 1.0), ("rising", 0.0), ("falling", 0.0)]
)
def test_what_moves_away_from_its_limit_or_stands_is_not_foreseen(
    tmp_path: Path, direction: str, step: float
) -> None:
    """Away from the limit, and a level that stands, bring no event in either direction."""
    rules = for_every_unit(reaches=20.0)
    more = {"within": "3 h", "direction": direction}
    b = RuleBench(tmp_path, {name: rule | more for name, rule in rules.items()})
    side = -1 if direction == "rising" else 1
    for second in range(0, 4 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, 20.0 + side * 2.0 + step * second / H))
    assert b.events == []
