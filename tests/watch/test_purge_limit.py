"""What a purge explains: its gas, and what the box held before as long as that falls."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import exp

import pytest

from dewline.readings import Quality, Reading
from dewline.watch_plan import Above, BoxPlan, Guard, ServicePlan, SignalPlan
from tests.watch.conftest import START_MS, Bench, plan_of, rule

GASES = ("oxygen", "moisture")
Level = Callable[[float], float | Reading]


def bench(impurity_ppm: float = 10.0) -> Bench:
    """A box on a service of this impurity, with the two rules about dirty gas."""
    guard = Guard("heron.purging", "above", 0.5)
    rules = [
        rule(f"{g}-dirty", g, Above(f"heron.{g}_purge_limit"), only_while=guard, on_s=120)
        for g in GASES
    ]
    limits = [
        SignalPlan(f"heron.{g}_purge_limit", "heron", f"{g}_purge_limit", "ppm") for g in GASES
    ]
    service = ServicePlan(
        name="line", kind="house", oxygen_impurity_ppm=impurity_ppm, moisture_impurity_ppm=20.0
    )
    box = BoxPlan(name="heron", purifier="p1", supply="line")
    plan = plan_of(rules, extra=limits, services={"line": service})
    return Bench(replace(plan, boxes={"heron": box}))


def purged(gas: str, level: Level, minutes: int = 60, impurity_ppm: float = 10.0) -> list[float]:
    """Minutes into a purge at which dirty gas was told; ``level`` by seconds since it began."""
    told = bench(impurity_ppm)
    told.hold(0, 120, purging=0.0, **{gas: level(-1.0)})
    for second in range(120, 120 + 60 * minutes, 5):
        told.at(second, purging=1.0, **{gas: level(second - 120.0)})
    raised = [e for e in told.events if e.transition == "raised"]
    assert all(e.alarm == f"heron.{gas}-dirty" for e in raised), raised
    return [(e.at_ms - START_MS) / 60_000 - 2.0 for e in raised]


@pytest.mark.parametrize("gas", GASES)
def test_a_purge_with_dirty_gas_is_told_while_it_lasts(gas: str) -> None:
    """A clean box that a purge fills with 210 ppm is told once it is beyond what the gas may hold.

    Two minutes of delay come on top of the time that the level takes to get there.
    """
    (minute,) = purged(gas, lambda s: 0.1 + 210.0 * (1 - exp(-max(0.0, s) / 600)))
    assert 2.0 <= minute <= 4.0


def test_the_impurity_of_the_service_is_what_counts() -> None:
    """A gas that is known for 300 ppm explains 210 ppm; one that is known for 1 ppm does not."""

    def filled(s: float) -> float:
        return 0.1 + 210.0 * (1 - exp(-max(0.0, s) / 600))

    assert purged("oxygen", filled, impurity_ppm=300.0) == []
    assert len(purged("oxygen", filled, impurity_ppm=1.0)) == 1


@pytest.mark.parametrize("gas", GASES)
def test_an_opened_box_that_is_purged_is_no_dirty_gas(gas: str) -> None:
    """A level that falls towards the gas is what a purge is for, however high it still is."""
    assert purged(gas, lambda s: 1.0 + 20_000.0 * exp(-max(0.0, s) / 900)) == []


def test_oxygen_that_stands_still_is_told_and_water_is_not() -> None:
    """500 ppm of oxygen that no longer fall come with the gas; walls give off water for days."""

    def stands(s: float) -> float:
        return 500.0 + 20_000.0 * exp(-max(0.0, s) / 300)

    (minute,) = purged("oxygen", stands, minutes=120)
    assert 50.0 <= minute <= 80.0
    assert purged("moisture", stands, minutes=120) == []


def test_what_the_box_held_counts_from_the_first_good_reading() -> None:
    """While the analyzer is saturated the limit is not known, and nothing is told."""

    def level(s: float) -> float | Reading:
        high = Reading(250_000.0, Quality.OVER_RANGE)
        return high if s < 1200 else 20_000.0 * exp(-(s - 1200) / 600)

    assert purged("oxygen", level) == []


def test_after_a_restart_the_purge_goes_on_with_what_is_known() -> None:
    """A watch that was saved and restored in the purge keeps the lowest level seen before."""
    told = bench()
    told.hold(0, 120, purging=0.0, oxygen=0.1)
    told.hold(120, 180, purging=1.0, oxygen=0.1)
    told.freeze()
    told.hold(200, 400, purging=1.0, oxygen=50.0)
    assert [e.transition for e in told.events] == ["raised"]
    assert told.events[0].limit == 10.0
