"""Hands in the gloves, as the pressure of the box shows them while none of its valves moves."""

from __future__ import annotations

from itertools import pairwise
from math import sqrt

from dewline.watch.signals.bucket import Run

# Least jump and least unrest (standard deviation) of the pressure. Common practice, no source.
KICK_MBAR_S = 1.0
UNREST_MBAR = 0.3


def moved_by_hands(run: Run) -> bool:
    """Whether the pressures of a stretch, mbar, jump or vary as hands in the gloves make them."""
    step_s = (run.to_ms - run.from_ms) / 1000 / len(run.values)
    kick = max((abs(b - a) for a, b in pairwise(run.values)), default=0.0)
    return kick > KICK_MBAR_S * step_s or _deviation(run.values) > UNREST_MBAR


def _deviation(values: list[float]) -> float:
    mean = sum(values) / len(values)
    return sqrt(sum((v - mean) ** 2 for v in values) / len(values))
