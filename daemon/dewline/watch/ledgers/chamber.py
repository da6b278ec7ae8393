"""One antechamber: its gas, its cycles and its pump-downs, from pressure, valves and doors.

Cycles are counted by the pressure where it is measured, so that a hand valve counts as well as a
program does; else by the valve bits, and then their depth is not known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from dewline.gas.constants import DRY_AIR_OXYGEN_PPM
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts
from dewline.watch.signals.bucket import Bucket, Run
from dewline.watch_plan import AntechamberPlan

VACUUM_SHARE = 0.5  # of the box pressure: below this the chamber is being evacuated
FULL_SHARE = 0.8  # of the box pressure: above this a cycle is complete
DRYING_MBAR = 100.0  # below this, time counts as time under vacuum
SUPPLY_OXYGEN_PPM = 1.0  # house gas; common practice, no source
RISE_MS = 5 * 60_000
REACHED = 1.05  # of the wanted depth, because of the error of a gauge


@dataclass(frozen=True, slots=True)
class PumpDown:
    """One evacuation. Times are watch times; ``floor_mbar`` is the lowest pressure.

    ``reached_s``: when the wanted depth was reached, None: not. ``time_constant_s``: of the fall
    through the first decade.
    """

    started_at_ms: int
    ended_at_ms: int
    floor_mbar: float
    reached_s: float | None
    time_constant_s: float | None


class GaugePoint(NamedTuple):
    """A pressure of a pump-down, seconds after its start."""

    seconds: float
    mbar: float


class RiseStart(NamedTuple):
    """Since when (watch time, 0: not at all) and from where nothing has pumped a chamber."""

    at_ms: int = 0
    mbar: float = 0.0


class Chamber(Kept):
    """State of the gas in a chamber.

    ``residual_ppm``: oxygen; None where it is not known. ``depths``: lowest pressure of each
    cycle, mbar; None where it is not known. ``vacuum_s``: time under vacuum. ``rise_mbar_min``:
    rise of the pressure while nothing pumps. ``pumping``: state of the pump valve while the
    pressures to come were measured. ``_low``: it is evacuated now, since ``_low_ms``, with
    ``_falling`` until the pump-down is over.
    """

    residual_ppm: float | None = None
    depths: list[float | None]
    vacuum_s: float
    rise_mbar_min: float | None
    pumping: bool | None = None
    _low: bool = False
    _low_ms: int = 0
    _floor_mbar: float = 0.0
    _falling: bool = False
    _points: list[GaugePoint]
    _pump_downs: list[PumpDown]
    _reached_s: float | None = None
    _last_mbar: float | None = None
    _last_ms: int = 0
    _rise_from: RiseStart = RiseStart()

    def __init__(self, plan: AntechamberPlan, facts: BoxFacts) -> None:
        self.plan, self.facts = plan, facts
        name = plan.name
        self.pressure = facts.own(f"{name}_pressure")
        self.evacuating = facts.own(f"{name}_evacuating")
        self.refilling = facts.own(f"{name}_refilling")
        self.outer = facts.own(f"{name}_outer_door")
        self.inner = facts.own(f"{name}_inner_door")
        self.bucket = Bucket()
        self._pump_downs = []
        self._points = []
        self.restart()

    def restart(self) -> None:
        """Count cycles from here."""
        self.depths = []
        self.vacuum_s = 0.0
        self.rise_mbar_min = None

    @property
    def has_signals(self) -> bool:
        """Whether any signal of this chamber is mapped."""
        return any((self.pressure, self.evacuating, self.refilling, self.outer, self.inner))

    @property
    def under_vacuum(self) -> bool:
        """Whether it is evacuated now, by its pressure."""
        return self._low

    def aired(self) -> None:
        """Note that the outer door is open: the chamber is full of room air."""
        self.residual_ppm = DRY_AIR_OXYGEN_PPM
        self.restart()

    def shared(self, oxygen_ppm: float | None) -> None:
        """Note that the inner door was open: the chamber holds the box's gas."""
        self.residual_ppm = oxygen_ppm

    def reset(self) -> None:
        """Start anew after a gap: what was done meanwhile is not known."""
        self._last_mbar, self._points, self._rise_from = None, [], RiseStart()
        if not self._low:
            self.residual_ppm = None

    def add_run(self, run: Run) -> None:
        """Take in the pressures of a stretch, mbar absolute."""
        step_ms = (run.to_ms - run.from_ms) / len(run.values)
        full = self.facts.pressure_pa / 100
        for i, mbar in enumerate(run.values):
            self._pressure(round(run.from_ms + (i + 0.5) * step_ms), mbar, full)

    def valve_cycle(self) -> None:
        """Note that a refill has ended: a cycle of unknown depth where there is no gauge."""
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
            if len(self._points) < 2 or mbar < 0.8 * self._points[-1].mbar:
                self._points.append(GaugePoint(seconds, mbar))
            over = pumping is False or (pumping is None and mbar > 1.02 * self._floor_mbar + 0.1)
            if over:
                self._pumped_down()
        elif pumping is not True:
            self._rise(at_ms, mbar)
        else:
            self._rise_from = RiseStart()

    def _rise(self, at_ms: int, mbar: float) -> None:
        start = self._rise_from
        if not start.at_ms:
            self._rise_from = RiseStart(at_ms, mbar)
        elif at_ms - start.at_ms >= RISE_MS and self.rise_mbar_min is None:
            self.rise_mbar_min = (mbar - start.mbar) / ((at_ms - start.at_ms) / 60_000)

    def _pumped_down(self) -> None:
        """Note one pump-down: how long from half an atmosphere, how fast, how deep."""
        self._falling, self._rise_from = False, RiseStart()
        seconds = self._points[-1].seconds if self._points else 0
        self._pump_downs.append(
            PumpDown(
                self._low_ms,
                self._low_ms + round(seconds * 1000),
                max(0.0, self._floor_mbar),
                self._reached_s,
                _time_constant_s(self._points),
            )
        )

    def fetch_pump_downs(self) -> list[PumpDown]:
        """The pump-downs since the last call."""
        found, self._pump_downs = self._pump_downs, []
        return found


def _time_constant_s(points: list[GaugePoint]) -> float | None:
    """Of the fall from half an atmosphere through one decade; None where it did not get there."""
    if len(points) < 3:
        return None
    first = points[0]
    if first.mbar <= 0:  # a gauge that fell at once to a wrong zero shows no fall
        return None
    last = [p for p in points if p.mbar > 0 and p.mbar >= first.mbar / 10][-1]
    if last.mbar >= first.mbar * 0.5 or last.seconds <= first.seconds:
        return None
    return (last.seconds - first.seconds) / math.log(first.mbar / last.mbar)
