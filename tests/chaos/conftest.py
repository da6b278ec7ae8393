"""How hard each fault is made, and the far sides of the bus that the faults are made on."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable
from pathlib import Path

import pytest

#: Fault -> (N in CI, N with DEWLINE_CHAOS=full).
SIZES = {
    "B1": (300, 10_000),  # polls over RTU
    "B2": (5_000, 100_000),  # fuzzed replies; a fiftieth of them over real links
    "B3": (6, 300),  # seconds
    "B4": (3, 200),  # unplug cycles
    "B5": (20, 1_000),  # idle connections closed
    "B6": (4, 60),  # seconds of a server that hangs up at once
    "B7": (100, 1_000),  # cancellations
    "B8": (150, 5_000),  # polls on a noisy line
    "B9": (200, 10_000),  # chunks of a garbled stream
    "B10": (20, 1_000),  # polls
    "B11": (30, 2_000),  # polls
    "B12": (20, 1_000),  # polls
    "B13": (20, 1_000),  # polls
    "B15": (2, 20),  # holders killed
    "H9": (4, 24),  # hours
}
_FULL = os.environ.get("DEWLINE_CHAOS") == "full"


@pytest.fixture
def size() -> Callable[[str], int]:
    """``size("B1")``: how often a fault is made in this run; printed."""

    def of(fault: str) -> int:
        number = SIZES[fault][_FULL]
        print(f"{fault}: N = {number}")
        return number

    return of


def _bus_far_sides() -> dict[str, object]:
    """The fixtures of the bus tests; pytest shares a conftest only with its own folder."""
    path = Path(__file__).parents[1] / "bus" / "conftest.py"
    spec = importlib.util.spec_from_file_location("bus_far_sides", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return {name: getattr(module, name) for name in module.SHARED}


globals().update(_bus_far_sides())
