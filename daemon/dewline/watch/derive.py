"""Derived signals: computed from measured ones, laid in beside them, never fed back.

``Derive.scan`` is called once an item, after the modes and before the rules. A
measured signal of the same name wins.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewline.readings import Quality, Reading
from dewline.watch.plan import SignalPlan, WatchPlan
from dewline.watch.slope import MEDIANS, MedianWindow
from dewline.watch.slots import STALE_POLLS, Slot

SLOPE_OVER_MS = 30 * 60_000
SLOPE_CONFIDENCE = 0.95
SLOPES = {"oxygen": "oxygen_slope", "moisture": "moisture_slope"}


def slope_name(source: SignalPlan, plan: WatchPlan) -> str | None:
    """Full name of the slope signal of a box's oxygen or moisture; None where there is none."""
    if source.place not in plan.boxes or source.role not in SLOPES:
        return None
    name = f"{source.place}.{SLOPES[source.role]}"
    measured = plan.signals.get(name)
    return None if measured is not None and measured.instrument is not None else name


class Derive:
    """Slopes in ppm/h over 30 min, anew with every median."""

    def __init__(self) -> None:
        self._slopes: dict[MedianWindow, Slot] = {}

    def slope(self, window: MedianWindow, into: Slot) -> None:
        """Have the slope of ``window`` written into signal ``into``."""
        self._slopes[window] = into
        into.stale_ms = max(into.stale_ms, STALE_POLLS * SLOPE_OVER_MS // MEDIANS)

    def scan(
        self, closed: Mapping[MedianWindow, Slot], readings: dict[str, Reading]
    ) -> list[tuple[Slot, Reading]]:
        """Derived readings that follow from the windows just closed; also put in ``readings``."""
        out: list[tuple[Slot, Reading]] = []
        for window in closed:
            into = self._slopes.get(window)
            estimate = window.estimate(SLOPE_CONFIDENCE) if into is not None else None
            if into is None or estimate is None:
                continue
            reading = Reading(estimate.slope, Quality.GOOD)
            readings[into.name] = reading
            out.append((into, reading))
        return out
