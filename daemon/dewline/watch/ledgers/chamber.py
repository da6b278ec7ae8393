"""One antechamber: its gas, its cycles, its pump-downs, from pressure, valves and doors.

Cycles are read off the pressure where there is one, so that a hand valve counts
as well as a program; else off the valve bits, and then their depth is unknown.
"""

from __future__ import annotations

import math
from typing import Any

from dewline.gas.constants import DRY_AIR_OXYGEN_PPM
from dewline.watch.derived.bucket import Bucket, Run
from dewline.watch.derived.facts import BoxFacts
from dewline.watch.saved import Kept
from dewline.watch_plan import AntechamberPlan

VACUUM_SHARE = 0.5  # of box pressure: below, the chamber is being evacuated
FULL_SHARE = 0.8  # above, a cycle is complete
DRYING_MBAR = 100.0  # below, time counts as time under vacuum
SUPPLY_OXYGEN_PPM = 1.0  # house gas; common practice, no source
RISE_MS = 5 * 60_000
REACHED = 1.05  # of the wanted depth: a gauge is not better


class Chamber(Kept):
    """State of the gas in a chamber. ``residual_ppm`` is oxygen; None where it is not known."""

    KEPT = (
        "residual_ppm", "depths", "vacuum_s", "_low", "_low_ms", "_floor_mbar", "_falling",
        "_points", "pump_downs", "pumping", "_reached_s", "_last_mbar", "_last_ms", "_rise_from",
        "rise_mbar_min",
    )  # fmt: skip

    def __init__(self, plan: AntechamberPlan, facts: BoxFacts) -> None:
        self.plan, self.facts = plan, facts
        name = plan.name
        self.pressure = facts.own(f"{name}_pressure")
        self.evacuating = facts.own(f"{name}_evacuating")
        self.refilling = facts.own(f"{name}_refilling")
        self.outer = facts.own(f"{name}_outer_door")
        self.inner = facts.own(f"{name}_inner_door")
        self.bucket = Bucket()
        self.residual_ppm: float | None = None
        self.pump_downs: list[dict[str, Any]] = []  # since last fetched
        self._last_mbar: float | None = None
        self._last_ms = 0
        self.pumping: bool | None = None  # while the pressures to come were taken
        self._low = False
        self._low_ms = 0
        self._floor_mbar = 0.0
        self._falling = False
        self._reached_s: float | None = None
        self._points: list[list[float]] = []  # of the pump-down: seconds, mbar
        self._rise_from: list[float] = []
        self.restart()

    def restart(self) -> None:
        """Count cycles from here."""
        self.depths: list[float | None] = []
        self.vacuum_s = 0.0
        self.rise_mbar_min: float | None = None

    @property
    def signals(self) -> bool:
        """Whether anything tells of this chamber."""
        return any((self.pressure, self.evacuating, self.refilling, self.outer, self.inner))

    @property
    def under_vacuum(self) -> bool:
        return self._low

    def aired(self) -> None:
        """The outer door is open: it is full of room air."""
        self.residual_ppm = DRY_AIR_OXYGEN_PPM
        self.restart()

    def shared(self, oxygen_ppm: float | None) -> None:
        """The inner door was open: it holds the box's gas."""
        self.residual_ppm = oxygen_ppm

    def reset(self) -> None:
        """After a gap: what was done meanwhile is not known."""
        self._last_mbar, self._points, self._rise_from = None, [], []
        if not self._low:
            self.residual_ppm = None

    def take(self, run: Run) -> None:
        """Pressures of a stretch, in order."""
        step_ms = (run.to_ms - run.from_ms) / len(run.values)
        full = self.facts.pressure_pa / 100
        for i, mbar in enumerate(run.values):
            self._pressure(round(run.from_ms + (i + 0.5) * step_ms), mbar, full)

    def valve_cycle(self) -> None:
        """A refill ended where no gauge tells how deep the vacuum before it was."""
        if self.pressure is None:
            self.depths.append(None)
            self.residual_ppm = None

    def _pressure(self, at_ms: int, mbar: float, full: float) -> None:
        seconds = (at_ms - self._last_ms) / 1000 if self._last_mbar is not None else 0.0
        if mbar < DRYING_MBAR:
            self.vacuum_s += min(seconds, 60.0)
        if not self._low and mbar < VACUUM_SHARE * full:
            self._low, self._low_ms, self._floor_mbar, self._falling = True, at_ms, mbar, True
            self._points, self._reached_s = [], None
        elif self._low and mbar > FULL_SHARE * full:
            self._cycle_done(full)
        if self._low:
            self._down(at_ms, mbar)
        self._last_mbar, self._last_ms = mbar, at_ms

    def _cycle_done(self, full: float) -> None:
        floor = max(0.0, self._floor_mbar)
        self._low = False
        self.depths.append(floor)
        if self._falling:
            self._pumped_down()
        if self.residual_ppm is not None:
            share = min(1.0, floor / full)
            refill = self._refill_ppm()
            self.residual_ppm = refill + (self.residual_ppm - refill) * share

    def _refill_ppm(self) -> float:
        if self.facts.box.refill_from == "supply":
            return SUPPLY_OXYGEN_PPM
        return max(0.0, self.facts.value(self.facts.own("oxygen"), SUPPLY_OXYGEN_PPM))

    def _down(self, at_ms: int, mbar: float) -> None:
        """Follow the pump down, then the rise while nothing pumps."""
        pumping = self.pumping
        self._floor_mbar = min(self._floor_mbar, mbar)
        if self._falling:
            seconds = (at_ms - self._low_ms) / 1000
            if self._reached_s is None and mbar <= REACHED * self.plan.evacuate_below_mbar:
                self._reached_s = seconds
            if len(self._points) < 2 or mbar < 0.8 * self._points[-1][1]:
                self._points.append([seconds, mbar])
            over = pumping is False or (pumping is None and mbar > 1.02 * self._floor_mbar + 0.1)
            if over:
                self._pumped_down()
        elif pumping is not True:
            self._rise(at_ms, mbar)
        else:
            self._rise_from = []

    def _rise(self, at_ms: int, mbar: float) -> None:
        if not self._rise_from:
            self._rise_from = [at_ms, mbar]
        elif at_ms - self._rise_from[0] >= RISE_MS and self.rise_mbar_min is None:
            minutes = (at_ms - self._rise_from[0]) / 60_000
            self.rise_mbar_min = (mbar - self._rise_from[1]) / minutes

    def _pumped_down(self) -> None:
        """Note one pump-down: how long from half an atmosphere, how fast, how deep."""
        self._falling, self._rise_from = False, []
        self.pump_downs.append(
            {
                "started_at_ms": self._low_ms,
                "ended_at_ms": self._low_ms
                + round((self._points[-1][0] if self._points else 0) * 1000),
                "floor_mbar": max(0.0, self._floor_mbar),
                "reached_s": self._reached_s,
                "time_constant_s": _time_constant_s(self._points),
            }
        )

    def fetch_pump_downs(self) -> list[dict[str, Any]]:
        """Those noted since the last call."""
        found, self.pump_downs = self.pump_downs, []
        return found


def _time_constant_s(points: list[list[float]]) -> float | None:
    """Of the fall from half an atmosphere through one decade; None where it did not get there."""
    if len(points) < 3:
        return None
    first = points[0]
    if first[1] <= 0:  # a gauge that dropped at once to a zero that is off tells of no fall
        return None
    upper = [p for p in points if p[1] > 0 and p[1] >= first[1] / 10]
    last = upper[-1]
    if last[1] >= first[1] * 0.5 or last[0] <= first[0]:
        return None
    return (last[0] - first[0]) / math.log(first[1] / last[1])
