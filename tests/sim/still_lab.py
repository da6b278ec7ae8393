"""A lab that stands still, and how its truth is read: shared by the tests of the physics."""

from __future__ import annotations

import os
from collections.abc import Callable

from dewline_sim.lab import Lab
from dewline_sim.physics.mixture import LITRE_MOL, N2
from dewline_sim.physics.spec import ClimateSpec, LabSpec

#: The long size of a test instead of the one that shows the same law sooner.
LONG = os.environ.get("DEWLINE_LONG") == "1"
HERON = "heron"
#: No weather and no day: for checks against closed forms.
STILL = ClimateSpec(daily_k=0.0, weather_percent=0.0, weather_mbar=0.0)
NOON_MS = 1_772_366_400_000  # 2026-03-01 12:00 UTC
EVENING_MS = 1_772_481_600_000  # 2026-03-02 20:00 UTC


def still(start_ms: int = NOON_MS, **changes: object) -> Lab:
    """A lab without weather; changes are fields of its spec."""
    settings: dict[str, object] = {"climate": STILL} | changes
    return Lab(LabSpec(**settings), 1, start_ms)  # type: ignore[arg-type]


def evening(**changes: object) -> Lab:
    """The same after work, when nobody has their hands in a glove."""
    return still(EVENING_MS, **changes)


def see(lab: Lab, role: str) -> float:
    """What is true in heron now."""
    return lab.truth(HERON)[role]


def until(lab: Lab, done: Callable[[], bool], step_s: float, limit_h: float) -> float:
    """Run until ``done``; returns hours it took."""
    start = lab.now_s
    while not done():
        lab.run(step_s)
        assert lab.now_s - start < limit_h * 3600, "never"
    return (lab.now_s - start) / 3600


def room_litres(lab: Lab, mol: float) -> float:
    """Litres at 23 degC and box pressure."""
    return mol / LITRE_MOL * 296.15 / 273.15


def filled_l(lab: Lab) -> float:
    """Supply gas since the start."""
    return room_litres(lab, lab.ledger.came[N2])
