"""Every stop of the loop of 30 min or more is a free leak test; this reads it.

Oxygen climbs straight: slope after the first 10 min. Water bends, because walls
take most of it: levels at 15 min, 1 h and the end instead of an ingress.
"""

from __future__ import annotations

from statistics import fmean
from typing import Any

from dewline.gas.cleanup import source_isolated_cm3_h
from dewline.gas.constants import DRY_AIR_OXYGEN_PPM
from dewline.watch.derived.bucket import Run
from dewline.watch.derived.facts import BoxFacts
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.slope import theil_sen

SHORTEST_MS = 30 * 60_000
SETTLE_MS = 10 * 60_000  # dead corners empty in about this time; common practice, no source
AFTER_DISTURBANCE_MS = 15 * 60_000
MOST_POINTS = 120
FEWEST_POINTS = 20
KEPT_MS = (15 * 60_000, 60 * 60_000)


class IsolationStretch(Kept):
    """A record of at most 120 points whose spacing doubles whenever it is full."""

    KEPT = ("points", "_each", "_waiting")

    def __init__(self) -> None:
        self.points: list[list[float]] = []  # hours since the stop, ppm
        self._each = 1
        self._waiting: list[list[float]] = []

    def add(self, hours: float, ppm: float) -> None:
        self._waiting.append([hours, ppm])
        if len(self._waiting) < self._each:
            return
        self.points.append(_mean(self._waiting))
        self._waiting = []
        if len(self.points) >= MOST_POINTS:
            self.points = [_mean(self.points[i : i + 2]) for i in range(0, len(self.points), 2)]
            self._each *= 2

    @property
    def hours(self) -> float:
        return self.points[-1][0] - self.points[0][0] if self.points else 0.0

    def slope(self) -> dict[str, float] | None:
        """Theil-Sen slope, ppm/h, with its 95 % interval; None with too few points."""
        if len(self.points) < FEWEST_POINTS:
            return None
        hours, ppm = [p[0] for p in self.points], [p[1] for p in self.points]
        found = theil_sen(hours, ppm, widen=True)
        return {"ppm_h": found.slope, "low": found.low, "high": found.high, "hours": self.hours}


def _mean(points: list[list[float]]) -> list[float]:
    return [fmean(p[0] for p in points), fmean(p[1] for p in points)]


class IsolationBook(Kept):
    """One box. Told by the second whether the loop stands, and every ten seconds of ppm."""

    KEPT = (
        "since_ms", "_oxygen", "_best", "_undisturbed_ms", "_levels", "_latest", "_gauge",
        "_celsius", "_count", "_disturbed",
    )  # fmt: skip

    def __init__(self, facts: BoxFacts, rows: RowBook) -> None:
        self._facts, self._rows = facts, rows
        self._reset(None)

    def _reset(self, at_ms: int | None) -> None:
        self.since_ms = at_ms
        self._undisturbed_ms = (at_ms or 0) + SETTLE_MS
        self._oxygen = IsolationStretch()
        self._best: dict[str, float] | None = None
        self._levels: dict[str, list[float | None]] = {"oxygen": [], "moisture": []}
        self._latest: dict[str, float] = {}
        self._gauge = self._celsius = 0.0
        self._count = 0
        self._disturbed = 0

    def hear(self, at_ms: int) -> None:
        """The loop may have stopped or started."""
        running = self._facts.circulating
        if running is False and self.since_ms is None:
            self._reset(at_ms)
        elif running and self.since_ms is not None:
            self._end(at_ms)

    def take(self, role: str, run: Run) -> None:
        """Ten seconds of oxygen or moisture."""
        if self.since_ms is None or run.from_ms < self.since_ms:
            return
        mean = run.mean
        marks = self._levels[role]
        if not marks:
            marks.append(mean)
        while len(marks) <= len(KEPT_MS) and run.to_ms - self.since_ms >= KEPT_MS[len(marks) - 1]:
            marks.append(mean)
        self._latest[role] = mean
        if role == "oxygen" and run.from_ms >= self._undisturbed_ms:
            self._oxygen.add((run.middle_ms - self.since_ms) / 3_600_000, mean)

    def disturb(self, at_ms: int) -> None:
        """Something came in: the slope begins anew a while after it."""
        if self.since_ms is None:
            return
        if at_ms >= self._undisturbed_ms:
            self._disturbed += 1
            self._keep_best()
        self._undisturbed_ms = max(self._undisturbed_ms, at_ms + AFTER_DISTURBANCE_MS)

    def minute(self) -> None:
        """Mean gauge pressure and temperature of the stop."""
        if self.since_ms is None:
            return
        self._count += 1
        self._gauge += self._facts.value(self._facts.pressure, 0.0)
        self._celsius += self._facts.kelvin - 273.15

    def reset(self, at_ms: int) -> None:
        """After a gap: what was seen before it is written, if it was long enough."""
        if self.since_ms is not None:
            self._end(at_ms, broken_off=True)

    def status(self) -> dict[str, Any] | None:
        if self.since_ms is None:
            return None
        return {
            "box": self._facts.name,
            "kind": "isolation",
            "started_at_ms": self.since_ms,
            "document": self._document(self._oxygen.slope()),
        }

    def _keep_best(self) -> None:
        slope = self._oxygen.slope()
        if slope is not None and (self._best is None or slope["hours"] > self._best["hours"]):
            self._best = slope
        self._oxygen = IsolationStretch()

    def _end(self, at_ms: int, *, broken_off: bool = False) -> None:
        started_ms = self.since_ms
        if started_ms is not None and at_ms - started_ms >= SHORTEST_MS:
            self._keep_best()
            document = self._document(self._best)
            if broken_off:
                document["broken_off"] = True
            self._rows.close(self._facts.name, "isolation", started_ms, at_ms, document)
        self._reset(None)

    def _why_no_slope(self) -> str:
        """In plain words: nobody is to take a missing figure for a tight box."""
        if "oxygen" not in self._latest:
            return "no usable oxygen reading"
        if self._disturbed:
            return "something came in; not enough quiet time after it"
        return "too few oxygen readings after the first ten minutes"

    def _document(self, slope: dict[str, float] | None) -> dict[str, Any]:
        facts, count = self._facts, max(1, self._count)
        volume = facts.box.volume_m3
        rate = None if slope is None else slope["ppm_h"]
        ingress = None
        if rate is not None and volume is not None:
            ingress = source_isolated_cm3_h(rate, volume) * facts.to_standard
        return {
            "oxygen_ppm_h": rate,
            "oxygen_low_ppm_h": None if slope is None else slope["low"],
            "oxygen_high_ppm_h": None if slope is None else slope["high"],
            "no_slope_because": None if slope is not None else self._why_no_slope(),
            "slope_hours": None if slope is None else slope["hours"],
            "oxygen_ingress_ml_h": ingress,
            # If it were all air; glove permeation is in it.
            "air_per_h": None if rate is None else rate / DRY_AIR_OXYGEN_PPM,
            "oxygen": _marks(self._levels["oxygen"], self._latest.get("oxygen")),
            "moisture": _marks(self._levels["moisture"], self._latest.get("moisture")),
            "mean_gauge_mbar": self._gauge / count if facts.pressure is not None else None,
            "mean_degC": self._celsius / count if facts.temperature is not None else None,
            "disturbed": self._disturbed,
        }


def _marks(marks: list[float | None], latest: float | None) -> dict[str, float | None]:
    names = ("start_ppm", "after_15_min_ppm", "after_1_h_ppm")
    filled = [*marks, *[None] * (len(names) - len(marks))]
    return {**dict(zip(names, filled, strict=True)), "end_ppm": latest}
