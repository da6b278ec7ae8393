"""What a box gives, seen from the hold itself, on boxes whose give is known by construction."""

from __future__ import annotations

import math
import random

import pytest

from dewline.gas import give, hold
from dewline.gas.hold import COVERED, BoundedCompliance, HoldReading

LITRES, AIR_MBAR, GAS_K = 1200.0, 1013.0, 295.15


def swinging(
    l_per_mbar: float,
    swing_k: float = 0.2,
    leak_l_h: float = 0.5,
    period_s: float = 1800.0,
    lag_s: float = 0.0,
    noise: float = 0.005,
) -> list[HoldReading]:
    """Three hours in which an air conditioner warms and cools the gas; the box loses ``leak_l_h``.

    The thermometer follows by ``lag_s``.
    """
    rng = random.Random(3)
    whole = LITRES / AIR_MBAR + l_per_mbar
    late = math.atan(2 * math.pi * lag_s / period_s)
    damped = math.cos(late)
    out = []
    for second in range(0, 10_800, 10):
        turn = 2 * math.pi * second / period_s
        warmer = swing_k * math.sin(turn)
        gauge = 5.0 + (LITRES / GAS_K * warmer - leak_l_h * second / 3600) / whole
        seen = swing_k * damped * math.sin(turn - late)
        out.append(
            HoldReading(second, gauge + rng.gauss(0, noise), GAS_K - 273.15 + seen, AIR_MBAR)
        )
    return out


@pytest.mark.parametrize("l_per_mbar", [0.05, 0.3, 1.0, 4.0])
@pytest.mark.parametrize("lag_s", [0.0, 100.0])
def test_swings_of_the_room_measure_the_give(l_per_mbar: float, lag_s: float) -> None:
    """The bounds hold the true give, stiff or soft, whatever the lag of the thermometer."""
    seen = give.seen_give(swinging(l_per_mbar, lag_s=lag_s), LITRES, 0.1)
    assert seen is not None
    assert seen.low <= l_per_mbar <= seen.high
    whole = LITRES / AIR_MBAR
    assert (whole + seen.high) / (whole + seen.low) < 1.6


def test_a_room_that_stands_still_measures_nothing() -> None:
    """Where only noise moves, the bounds stay those that were stated."""
    still = swinging(1.0, swing_k=2e-4)
    assert give.seen_give(still, LITRES, 0.1) is None
    assert hold.evaluate(still, LITRES, COVERED).compliance == COVERED


def test_a_wrong_word_about_the_ports_widens_the_interval() -> None:
    """Told that the ports are covered while slack gloves hang in them, the leak is still held."""
    readings = swinging(3.0, leak_l_h=2.0)
    told = hold.evaluate(readings, LITRES, COVERED)
    assert isinstance(told.compliance, BoundedCompliance)
    assert told.compliance.low <= 3.0 <= told.compliance.high
    assert abs(told.rate_l_h + 2.0) <= told.expanded_l_h


def test_a_stiff_box_is_not_judged_as_a_soft_one() -> None:
    """With covers on the ports and a quiet room the interval holds the leak and resolves it."""
    readings = swinging(0.1, swing_k=2e-4, leak_l_h=2.0)
    told = hold.evaluate(readings, LITRES, hold.compliance_of("covered"))
    assert abs(told.rate_l_h + 2.0) <= told.expanded_l_h
    assert told.resolved


def test_what_is_not_known_within_a_factor_of_four_is_not_resolved() -> None:
    """Of free gloves in a quiet room a hold says that it knows no leak, and that a step would."""
    readings = swinging(2.0, swing_k=2e-4, leak_l_h=2.0)
    free = hold.evaluate(readings, LITRES, hold.compliance_of("free", 4))
    assert not free.resolved
    assert free.detects_per_h is None
    rise = 2.0 / (LITRES / AIR_MBAR + 2.0)
    step = hold.measured_compliance(LITRES, AIR_MBAR, 2.0, rise, 0.02)
    known = hold.evaluate(readings, LITRES, step)
    assert known.resolved
    assert known.detects_per_h is not None
    assert known.detects_per_h < 2.0 / LITRES


def test_a_rise_a_little_above_that_of_a_rigid_box_is_that_of_one() -> None:
    """The gauge has its error too: a stiff box is no mistake of whoever made the step."""
    rigid = 2.0 * AIR_MBAR / LITRES
    assert hold.measured_compliance(LITRES, AIR_MBAR, 2.0, rigid + 0.03, 0.03).l_per_mbar < 1e-9
