"""Stops of the loop: every stop of 30 min or more is a leak test at no cost.

Oxygen rises in a straight line, so its slope after the first 10 min is given. Moisture does not,
because the walls take up most of it: its levels at 15 min, 1 h and the end are given instead.
"""

from __future__ import annotations

from statistics import fmean
from typing import NamedTuple, TypedDict

from dewline.gas.cleanup import source_isolated_cm3_h
from dewline.gas.constants import DRY_AIR_OXYGEN_PPM
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts
from dewline.watch.signals.bucket import Run
from dewline.watch.signals.slope import theil_sen

SHORTEST_MS = 30 * 60_000
SETTLE_MS = 10 * 60_000  # dead corners empty in about this time; common practice, no source
AFTER_DISTURBANCE_MS = 15 * 60_000
MOST_POINTS = 120
FEWEST_POINTS = 20
KEPT_MS = (15 * 60_000, 60 * 60_000)


class LevelPoint(NamedTuple):
    """A level, hours after the loop stopped."""

    hours: float
    ppm: float


class LevelSlope(TypedDict):
    """A slope with its 95 % interval, ppm/h, and the hours it was found over."""

    ppm_h: float
    low: float
    high: float
    hours: float


class IsolationStretch(Kept):
    """Readings of a stretch as at most 120 points; whenever it is full the spacing doubles.

    ``_waiting``: readings that go into the next point, which takes ``_each`` of them.
    """

    points: list[LevelPoint]
    _each: int = 1
    _waiting: list[LevelPoint]

    def __init__(self) -> None:
        self.points = []
        self._waiting = []

    def add(self, hours: float, ppm: float) -> None:
        """Take in a level, ``hours`` after the loop stopped."""
        self._waiting.append(LevelPoint(hours, ppm))
        if len(self._waiting) < self._each:
            return
        self.points.append(_mean(self._waiting))
        self._waiting = []
        if len(self.points) >= MOST_POINTS:
            self.points = [_mean(self.points[i : i + 2]) for i in range(0, len(self.points), 2)]
            self._each *= 2

    @property
    def hours(self) -> float:
        """Length of the stretch."""
        return self.points[-1].hours - self.points[0].hours if self.points else 0.0

    def slope(self) -> LevelSlope | None:
        """Theil-Sen slope with its 95 % interval; None with too few points."""
        if len(self.points) < FEWEST_POINTS:
            return None
        found = theil_sen([p.hours for p in self.points], [p.ppm for p in self.points], widen=True)
        return {"ppm_h": found.slope, "low": found.low, "high": found.high, "hours": self.hours}


def _mean(points: list[LevelPoint]) -> LevelPoint:
    return LevelPoint(fmean(p.hours for p in points), fmean(p.ppm for p in points))


class IsolationBook(Kept):
    """The stops of one box. ``since_ms``: start of the one that goes on.

    ``_oxygen``: the undisturbed stretch since ``_undisturbed_ms``; ``_best``: the slope of the
    longest such stretch before. ``_levels``: by gas the level at the start, after 15 min and
    after 1 h, as far as the stop has come; ``_latest``: the last ones. ``_gauge`` and
    ``_celsius``: sums over ``_count`` minutes. ``_disturbed``: how often something came in.
    """

    since_ms: int | None
    _undisturbed_ms: int
    _oxygen: IsolationStretch
    _best: LevelSlope | None
    _levels: dict[str, list[float | None]]
    _latest: dict[str, float]
    _gauge: float
    _celsius: float
    _count: int
    _disturbed: int

    def __init__(self, facts: BoxFacts, rows: RowBook) -> None:
        self._facts, self._rows = facts, rows
        self._reset(None)

    def _reset(self, at_ms: int | None) -> None:
        self.since_ms = at_ms
        self._undisturbed_ms = (at_ms or 0) + SETTLE_MS
        self._oxygen = IsolationStretch()
        self._best = None
        self._levels = {"oxygen": [], "moisture": []}
        self._latest = {}
        self._gauge = self._celsius = 0.0
        self._count = 0
        self._disturbed = 0

    def update(self, at_ms: int) -> None:
        """The loop may have stopped or started."""
        running = self._facts.circulating
        if running is False and self.since_ms is None:
            self._reset(at_ms)
        elif running and self.since_ms is not None:
            self._end(at_ms)

    def add_run(self, role: str, run: Run) -> None:
        """Take in ten seconds of oxygen or moisture, ppm.

        Levels are kept of both, the points of a slope of oxygen only.
        """
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
        """Something came in: the slope starts again 15 min after it."""
        if self.since_ms is None:
            return
        if at_ms >= self._undisturbed_ms:
            self._disturbed += 1
            self._keep_best()
        self._undisturbed_ms = max(self._undisturbed_ms, at_ms + AFTER_DISTURBANCE_MS)

    def minute(self) -> None:
        """Every minute: add to the mean pressure and temperature of the stop."""
        if self.since_ms is None:
            return
        self._count += 1
        self._gauge += self._facts.value(self._facts.pressure, 0.0)
        self._celsius += self._facts.kelvin - 273.15

    def reset(self, at_ms: int) -> None:
        """After a gap: end a stop that went on, where the watching ended."""
        if self.since_ms is not None:
            self._end(at_ms, broken_off=True)

    def open_row(self) -> OpenRow | None:
        """The stop that goes on."""
        if self.since_ms is None:
            return None
        document = self._document(self._oxygen.slope())
        return OpenRow(self._facts.name, "isolation", self.since_ms, document)

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
        """A reason for a missing slope, so that nobody takes it for a tight box."""
        if "oxygen" not in self._latest:
            return "no usable oxygen reading"
        if self._disturbed:
            return "something came in; not enough quiet time after it"
        return "too few oxygen readings after the first ten minutes"

    def _document(self, slope: LevelSlope | None) -> dict[str, object]:
        """The row. ``air_per_h``: share of the box's gas, if all of the oxygen were air."""
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
            # Glove permeation is in it.
            "air_per_h": None if rate is None else rate / DRY_AIR_OXYGEN_PPM,
            "oxygen": _marks(self._levels["oxygen"], self._latest.get("oxygen")),
            "moisture": _marks(self._levels["moisture"], self._latest.get("moisture")),
            "mean_gauge_mbar": self._gauge / count if facts.pressure is not None else None,
            "mean_degC": self._celsius / count if facts.temperature is not None else None,
            "disturbed": self._disturbed,
        }


def _marks(marks: list[float | None], latest: float | None) -> dict[str, float | None]:
    """Levels in a stop; None where the gas was not measured or the stop was too short."""
    start, quarter, hour = [*marks, None, None, None][:3]
    return {
        "start_ppm": start,
        "after_15_min_ppm": quarter,
        "after_1_h_ppm": hour,
        "end_ppm": latest,
    }
