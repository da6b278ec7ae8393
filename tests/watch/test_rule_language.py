"""Whatever a rule describes, it fires when fed just that, and does not before."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dewline.events import Event
from tests.watch.rule_bench import UNITS, RuleBench, for_every_unit, quantity

H, STEP = 3600, 240  # a median of the outlook closes every four minutes
LIMITS = (-20.0, 0.0, 20.0)


@pytest.mark.long
@pytest.mark.parametrize("direction", ["rising", "falling"])
@pytest.mark.parametrize("limit", LIMITS)
def test_a_limit_is_foreseen_on_either_side_of_zero_and_in_either_direction(
    tmp_path: Path, limit: float, direction: str
) -> None:
    """A unit an hour towards the limit: foreseen within ninety minutes, and not too soon."""
    rules = for_every_unit(reaches=limit)
    more = {"within": "90 min", "direction": direction}
    b = RuleBench(tmp_path, {name: rule | more for name, rule in rules.items()})
    sign = 1 if direction == "rising" else -1
    for second in range(0, 4 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, limit - sign * (4.0 - second / H)))
    for event in b.events:
        (at_s,) = b.raised_s(event.alarm.partition(".")[2])
        # The bed of a trace gas may end before a straight line does.
        early, off = (1.0, 1.0) if event.signal == "heron.trace" else (0.1, 0.15)
        assert (2.5 - early) * H < at_s < 2.8 * H
        outlook = event.outlook
        assert outlook is not None
        assert outlook.in_s == pytest.approx(4 * H - at_s, abs=off * H)
        assert outlook.low_s is not None
        assert outlook.high_s is not None
        assert outlook.low_s < 4 * H - at_s < outlook.high_s
    assert len(b.events) == len(UNITS)


@pytest.mark.long
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("limit", LIMITS)
def test_without_a_direction_the_limit_is_foreseen_from_both_sides(
    tmp_path: Path, limit: float, sign: int
) -> None:
    """A cylinder that falls to its limit and a freezer that warms to it need no further key.

    The alarm stands while the value is past the limit, and ends once it comes back from it. A gas
    that dewline knows is bad above its limit: that it falls to it is no alarm unless asked for.
    """
    rules = for_every_unit(reaches=limit)
    rules["moisture"] = {"signal": "moisture", "reaches": f"{limit} ppm"}
    more = {"within": "90 min"}
    b = RuleBench(tmp_path, {n: rule | more for n, rule in rules.items()}, moisture="panel.trace")
    for second in range(0, 5 * H, STEP):
        b.feed(second, **dict.fromkeys(rules, limit - sign * (4.0 - second / H)))
    raised = [name for name in rules if name != "moisture" or sign == 1]
    told = {name: [t for _, t, _ in b.told(name)] for name in rules}
    assert told == {name: ["raised"] if name in raised else [] for name in rules}
    for second in range(5 * H, 9 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, limit - sign * (second / H - 6.0)))
    assert all([t for _, t, _ in b.told(name)] == ["raised", "returned"] for name in UNITS)


@pytest.mark.parametrize(
    ("direction", "step"), [("rising", -1.0), ("falling", 1.0), ("rising", 0.0), ("falling", 0.0)]
)
def test_what_moves_away_from_its_limit_or_stands_is_not_foreseen(
    tmp_path: Path, direction: str, step: float
) -> None:
    """Away from the limit, and a level that stands, bring no event in either direction."""
    rules = for_every_unit(reaches=20.0)
    more = {"within": "90 min", "direction": direction}
    b = RuleBench(tmp_path, {name: rule | more for name, rule in rules.items()})
    side = -1 if direction == "rising" else 1
    for second in range(0, 2 * H, STEP):
        b.feed(second, **dict.fromkeys(UNITS, 20.0 + side * 1.0 + step * second / H))
    assert b.events == []


# Every limit is also written in another unit of its kind: the same value for whoever reads it.
OTHERWISE: dict[str, Callable[[float], str | float]] = {
    "trace": lambda ppm: f"{ppm * 1000} ppb",
    "gauge": lambda mbar: f"{mbar * 100} Pa",
    "bottle": lambda bar: f"{bar * 100} kPa",
    "cold": lambda degc: f"{degc * 1.8 + 32} degF",
    "part": lambda percent: f"{percent * 10_000} ppm",
    "draught": lambda m3_h: f"{m3_h / 0.06} L/min",
    "heap": lambda kg: f"{kg * 1000} g",
    "plain": lambda number: number,
}


def both_ways(key: str, limit: float) -> dict[str, dict[str, Any]]:
    """Two rules a unit, the second with its limit written in another unit."""
    rules = for_every_unit(**{key: limit})
    others = {name: {"signal": name, key: OTHERWISE[name](limit)} for name in UNITS}
    return rules | {f"{name}-otherwise": rule for name, rule in others.items()}


@pytest.mark.parametrize(("key", "sign"), [("above", 1), ("below", -1)])
@pytest.mark.parametrize("limit", LIMITS)
def test_a_level_is_told_past_its_limit_and_not_before(
    tmp_path: Path, limit: float, key: str, sign: int
) -> None:
    """Short of the limit nothing; past it the alarm, at that very reading."""
    b = RuleBench(tmp_path, both_ways(key, limit))
    for second, past in enumerate((-15.0, -0.01, -0.01, 0.01, 30.0)):
        b.feed(second, **dict.fromkeys(UNITS, limit + sign * past))
    assert all(b.raised_s(rule) == [3] for rule in b.rules)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("limit", LIMITS)
def test_a_band_is_told_on_the_side_on_which_it_is_left(
    tmp_path: Path, limit: float, sign: int
) -> None:
    """Anywhere inside nothing; past either end the alarm."""
    ends = {n: [quantity(limit - 1, u), quantity(limit + 1, u)] for n, u in UNITS.items()}
    b = RuleBench(tmp_path, {n: {"signal": n, "outside": ends[n]} for n in UNITS})
    for second, off in enumerate((0.0, -0.99, 0.99, 1.01)):
        b.feed(second, **dict.fromkeys(UNITS, limit + sign * off))
    assert all(b.raised_s(rule) == [3] for rule in b.rules)


@pytest.mark.parametrize(("key", "sign"), [("above", 1), ("below", -1)])
@pytest.mark.parametrize("limit", LIMITS)
def test_a_count_is_told_with_the_last_of_its_times(
    tmp_path: Path, limit: float, key: str, sign: int
) -> None:
    """Twice is not three times."""
    rules = for_every_unit(**{key: limit})
    b = RuleBench(tmp_path, {n: r | {"count": 3, "within": "1 min"} for n, r in rules.items()})
    for second, past in enumerate((-1.0, 1.0, -1.0, 1.0, 1.0, -1.0, 1.0)):
        b.feed(second, **dict.fromkeys(UNITS, limit + sign * past))
    assert all(b.raised_s(rule) == [6] for rule in b.rules)


@pytest.mark.parametrize(("key", "sign"), [("rising", 1), ("falling", -1)])
@pytest.mark.parametrize("level", LIMITS)
def test_a_slope_is_told_when_it_is_steeper_and_only_in_its_direction(
    tmp_path: Path, level: float, key: str, sign: int
) -> None:
    """Flat, the other way, half as steep: nothing; twice as steep: within the time it spans."""
    rules = {n: {"signal": n, key: per_hour(1.0, u)} for n, u in UNITS.items()}
    b = RuleBench(tmp_path, rules)
    value = level
    for part, pace in enumerate((0.0, -2.0, 0.5, 2.0)):
        assert b.events == []
        for second in range(part * H, part * H + H, 60):
            b.feed(second, **dict.fromkeys(UNITS, value))
            value += sign * pace * 60 / H
    assert all(3 * H < at_s <= 3.5 * H for rule in b.rules for at_s in b.raised_s(rule))
    assert len(b.events) == len(UNITS)


def per_hour(value: float, unit: str) -> str:
    """A slope; that of a temperature is in K."""
    return f"{value:g} {'K' if unit == 'degC' else unit}/h"


@pytest.mark.parametrize("level", LIMITS)
def test_silence_and_stillness_are_told_after_their_time(tmp_path: Path, level: float) -> None:
    """A value that comes and moves is neither; one that stands is still; none at all is silence."""
    still = {n: {"signal": n, "unchanged_for": "60 s"} for n in UNITS}
    silent = {f"{n}-silent": {"signal": n, "stale_after": "20 s"} for n in UNITS}
    b = RuleBench(tmp_path, still | silent)
    apart = {name: level + 0.1 * n for n, name in enumerate(UNITS)}  # all zero is a dead block
    for second in range(100):
        b.feed(second, **{name: value + second % 2 for name, value in apart.items()})
    assert b.events == []
    for second in range(100, 170):
        b.feed(second, **{name: value + 0.5 for name, value in apart.items()})
    assert all(b.raised_s(rule) == [160] for rule in still)
    assert all(b.raised_s(rule) == [] for rule in silent)
    b.wait(190)
    assert all(b.raised_s(rule) == [189] for rule in silent)


def test_a_switch_is_told_in_both_of_its_positions(tmp_path: Path) -> None:
    """On for ten seconds, off for ten seconds, and not a second before."""
    times = ("true_for", "false_for")
    b = RuleBench(tmp_path, {k.replace("_", "-"): {"signal": "switch", k: "10 s"} for k in times})
    for second in range(40):
        b.feed(second, switch=float(second >= 20))
    assert (b.raised_s("false-for"), b.raised_s("true-for")) == ([10], [30])


@pytest.mark.parametrize(("key", "sign"), [("above", 1), ("below", -1)])
@pytest.mark.parametrize("plus", [3.0, -3.0])
@pytest.mark.parametrize("setpoint", LIMITS)
def test_a_limit_may_be_a_signal_plus_or_minus_a_quantity(
    tmp_path: Path, setpoint: float, plus: float, key: str, sign: int
) -> None:
    """It moves with the signal that holds it, whatever the sign of either."""
    rules = {
        name: {
            "signal": name,
            key: f"{name}_set {'+' if plus > 0 else '-'} {step(abs(plus), name)}",
        }
        for name in UNITS
    }
    sets = {f"{name}_set": f"panel.{name}" for name in UNITS}
    b = RuleBench(tmp_path, rules, **sets)
    limit = setpoint + plus
    for second, past in enumerate((-5.0, -0.01, 0.01)):
        values = dict.fromkeys(UNITS, limit + sign * past) | dict.fromkeys(sets, setpoint)
        b.feed(second, **values)
    assert all(b.raised_s(rule) == [2] for rule in b.rules)


def step(value: float, name: str) -> str | float:
    """A difference of a signal: that of a temperature is in K."""
    return quantity(value, "K" if name == "cold" else UNITS[name])


def test_a_fixed_limit_stands_in_for_a_signal_that_is_missing_or_bad(tmp_path: Path) -> None:
    """Without the signal, and while it is not read, `else` is the limit: a rule is never blind."""
    spec = {"signal": "cold", "above": "cold_set + 8 K else -15 degC"}
    with_set = RuleBench(tmp_path, {"it": spec}, cold_set="panel.cold")
    with_set.feed(0, cold=-26.0, cold_set=-35.0)
    assert with_set.raised_s("it") == [0]
    with_set.feed(1, cold=-26.0, cold_set=None)
    assert with_set.told("it")[-1][:2] == (1, "returned")
    with_set.feed(2, cold=-14.0, cold_set=None)
    assert with_set.raised_s("it") == [0, 2]
    without = RuleBench(tmp_path, {"it": spec})
    for second, value in enumerate((-26.0, -16.0, -14.0)):
        without.feed(second, cold=value)
    assert without.raised_s("it") == [2]


@pytest.mark.parametrize(("key", "sign"), [("above_own", 1), ("below_own", -1)])
def test_a_share_of_the_best_is_told_once_the_best_is_known(
    tmp_path: Path, key: str, sign: int
) -> None:
    """60, later 50, then past 0.7 (or 1.4) of the 60 that was the best; not before."""
    share = 1.0 + sign * 0.4 if sign > 0 else 0.7
    names = [name for name in UNITS if name != "cold"]
    rules = {name: {"signal": name, key: share, "of": "best"} for name in names}
    b = RuleBench(tmp_path, rules)
    worse = 60.0 + sign * 10.0
    for second in range(0, 8 * H, 60):
        b.feed(second, **dict.fromkeys(names, 60.0 if second < 4 * H else worse))
    assert b.events == []
    b.feed(8 * H, **dict.fromkeys(names, 60.0 * share - sign * 0.1))
    assert b.events == []
    b.feed(8 * H + 1, **dict.fromkeys(names, 60.0 * share + sign * 0.1))
    assert all(b.raised_s(rule) == [8 * H + 1] for rule in b.rules)
    assert all(event.limit == pytest.approx(60.0 * share * factor(event)) for event in b.events)


def factor(event: Event) -> float:
    """From the unit a signal is written in to that it is kept in."""
    return 1000.0 if event.signal == "heron.bottle" else 1.0


def test_the_best_is_remembered_over_a_restart(tmp_path: Path) -> None:
    """A loop that was weak before a restart is weak after it, by the best of before."""
    b = RuleBench(tmp_path, {"it": {"signal": "draught", "below_own": 0.7, "of": "best"}})
    for second in range(0, 4 * H, 60):
        b.feed(second, draught=60.0)
    b.freeze()
    b.resume(4 * H + 30, "restart", 30)
    b.feed(4 * H + 60, draught=41.0)
    assert b.raised_s("it") == [4 * H + 60]


def test_two_guards_have_to_hold_together(tmp_path: Path) -> None:
    """One that fails ends it; neither alone lets it raise."""
    guards = ["gauge above 1 mbar", "part between 10 % and 20 %"]
    b = RuleBench(tmp_path, {"it": {"signal": "trace", "above": "5 ppm", "only_while": guards}})
    for second, (gauge, part) in enumerate([(0.0, 15.0), (2.0, 5.0), (2.0, 25.0), (2.0, 15.0)]):
        b.feed(second, trace=9.0, gauge=gauge, part=part)
    assert b.raised_s("it") == [3]
    b.feed(4, gauge=2.0, part=25.0)
    assert b.told("it")[-1][:2] == (4, "returned")
    b.feed(5, trace=9.0, gauge=None, part=15.0)
    assert b.raised_s("it") == [3]


@pytest.mark.long
@settings(max_examples=40)
@given(
    signal=st.sampled_from(sorted(UNITS)),
    limit=st.floats(-5e4, 5e4).map(lambda x: round(x, 4)),
    past=st.floats(1e-3, 1e4),
    key=st.sampled_from(["above", "below"]),
    otherwise=st.booleans(),
)
def test_any_level_is_told_past_any_limit(
    tmp_path_factory: pytest.TempPathFactory,
    signal: str,
    limit: float,
    past: float,
    key: str,
    otherwise: bool,
) -> None:
    """Drawn at random: nothing while it is as far short of the limit, then the alarm at once."""
    shown = OTHERWISE[signal](limit) if otherwise else quantity(limit, UNITS[signal])
    b = RuleBench(tmp_path_factory.mktemp("site"), {"it": {"signal": signal, key: shown}})
    way = past if key == "above" else -past
    for second, value in enumerate((limit - way, limit - way / 2, limit + way, limit + way / 2)):
        b.feed(second, **{signal: value})
    assert b.raised_s("it") == [2]
