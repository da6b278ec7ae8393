"""When a hot cell that shows nothing is believed, and when solvent is the likelier reason.

The times and levels are those of the trade's story of open toluene; common practice, no source.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from dewline.readings import Quality
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.sensors.plausibility import GasSensor
from dewline.watch.sensors.sudden_zero import SuddenZero
from dewline.watch.signals.signal_state import SignalState

MINUTE_MS = 60_000


def told(
    cell: SuddenZero,
    levels: Iterable[float | None],
    water: Any = 0.2,
    floored: bool = False,
    from_min: int = 0,
) -> int | None:
    """Minutes of one box; gives the first, from 0, in which the cell is not believed."""
    for k, ppm in enumerate(levels):
        moisture = water(k) if callable(water) else water
        cell.minute((from_min + k) * MINUTE_MS, ppm, moisture, floored)
        if cell.from_ppm is not None:
            return k
    return None


QUIET = [0.3] * 120


def test_solvent_is_known_within_a_quarter_of_an_hour() -> None:
    """From 0.3 ppm to the floor while water rises: not believed 15 min after the bottle."""
    cell = SuddenZero()
    at = told(cell, QUIET + [0.1] + [0.02] * 30, water=lambda k: 0.2 if k < 120 else 0.8)
    assert at is not None
    assert 120 < at <= 135


@pytest.mark.parametrize(
    ("levels", "water"),
    [
        ([0.05] * 120 + [0.01] * 40, 0.2),  # a clean box may well show its floor
        ([0.3] * 60 + [0.3 * 0.97**k for k in range(240)], 0.2),  # a source dries up slowly
        (QUIET + [0.02] * 40, lambda k: 0.2 if k < 120 else 0.1),  # cleaned: water sinks too
        ([0.03] * 60 + [2.0] * 60 + [0.03] * 40, 0.2),  # back to where it was before a leak
        ([0.3] * 40 + [0.02] * 40, 0.2),  # too little seen to call a level new
        (QUIET + [0.02] * 6 + [0.3] * 40, 0.2),  # a dip of minutes
        (QUIET + [0.12] * 40, 0.2),  # lower, but no floor: a faster blower
    ],
)
def test_a_level_that_cleaning_explains_is_believed(
    levels: list[float], water: Callable[..., Any] | float
) -> None:
    """Slow, small, short or known levels, and those that take the water along, are no solvent."""
    assert told(SuddenZero(), levels, water) is None


def test_what_is_not_a_quiet_box_is_not_compared() -> None:
    """Across a purge the level before says nothing of the level after."""
    cell = SuddenZero()
    assert told(cell, QUIET) is None
    cell.disturb()
    assert told(cell, [0.02] * 40, from_min=150) is None


def test_it_is_believed_again_once_it_shows_what_it_did() -> None:
    """Most of the old level, held for minutes, ends it; an answer to a dose ends it at once."""
    cell = SuddenZero()
    told(cell, QUIET + [0.02] * 30)
    assert cell.from_ppm == pytest.approx(0.3)
    cell.disturb()
    assert cell.from_ppm is not None  # a purge alone proves nothing
    for k in range(8):
        cell.minute((200 + k) * MINUTE_MS, 0.25, 0.2, False)
    assert cell.from_ppm is None
    told(cell, QUIET + [0.02] * 30, from_min=300)
    assert cell.from_ppm is not None
    cell.believe()
    assert cell.from_ppm is None


def test_what_is_saved_goes_on_as_if_nothing_had_been() -> None:
    """Restored in the middle of a fall, it says the same in the same minute."""
    whole, first, second = SuddenZero(), SuddenZero(), SuddenZero()
    levels = QUIET + [0.02] * 30
    at = told(whole, levels)
    assert told(first, levels[:124]) is None
    second.restore(json.loads(json.dumps(first.save())))
    rest = told(second, levels[124:], from_min=124)
    assert rest is not None
    assert at == 124 + rest


def test_a_sunk_reading_is_unproven_until_the_level_is_back() -> None:
    """At the floor it is uncertain/unproven, a high one stays good; an answer ends the doubt."""
    signal, output = (
        SignalState("heron.oxygen", "ppm", 15_000),
        SignalState("heron.oxygen_doubt", "", 15_000),
    )
    sensor = GasSensor("oxygen", signal, output, burns=True)
    assert sensor.sudden_zero is not None
    told(sensor.sudden_zero, QUIET + [0.02] * 30)
    sensor.doubt = sensor.evaluate(0, vapour=False)
    assert sensor.doubt is Doubt.SANK
    assert sensor.qualify(signal, 0.02, Quality.LOW) == Quality.UNPROVEN
    assert sensor.qualify(signal, 3.0, Quality.GOOD) == Quality.GOOD
    sensor.record_response(answered=True, at_ms=0)
    assert sensor.evaluate(0, vapour=False) is Doubt.NONE
