"""When a level reaches a limit, by the model that fits its course, with a range.

In a stopped loop a level rises in a straight line; a plateau never reaches its limit. Behind a
bed at its end the level is C = G / (Q (1 - slip)), so that 1/C falls to zero in about a straight
line, and a straight line through C would be late by days. The sensor's zero error is taken into
account: the curve is compared with the readings for every zero that the sensor may have.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import exp, expm1, inf, log, log1p
from operator import mul
from statistics import fmean, median
from typing import NamedTuple

from dewline.watch.derived.bed_evidence import FARTHEST, weather_filter, whitened
from dewline.watch.signals.slope import theil_sen

Points = Sequence[tuple[float, float]]  # hours (any origin), ppm

CONFIDENCE = 0.9
LEAST_POINTS = 8
USED_POINTS = 24
LEAST_SHARE = 0.1  # of the limit: below this level nothing is forecast
LEAST_PPM = 0.02
LEVEL_SHARE = 0.35
FARTHEST_H = 240.0
STRAIGHT_FIRST = 1.0  # a curve has to fit better than a straight line
NOISE_PPM = 0.01  # of a trace sensor's medians
THETAS_H = tuple(1.2 * 2.1**k for k in range(8))
LEFTS_H = tuple(0.3 * 1.32**k for k in range(26))
AHEAD_H = tuple(0.25 * 1.35**k for k in range(24))
# Time constant of the box with its walls, h: its flow over the volume that both stand for. Walls
# take up most of a rise of water, as much as 25 box volumes within hours (derived from linear
# walls; common practice).
WALLS_H = {"moisture": 0.6}
# Hands in the gloves bring in 0.1-0.25 ppm of water (0.15 to 0.3 ppm at work is normal; common
# practice). A rise no greater may look like the end of a bed, above a drifted zero too.
WORK_PPM = {"moisture": 0.3}
LEAST_TAKEN = 1e-4
GRIDS_KEPT = 8  # sets of times with all their curves, 0.3 MB each
LESS_LIKELY = 20.0  # a curve e to this times less likely than the best moves no quantile
WIDER_LOW, WIDER_HIGH = 0.55, 1.45  # for what the models leave out; set on simulated stories


class Forecast(NamedTuple):
    """Hours until the limit is reached, and their range."""

    hours: float
    low: float
    high: float


def reach(points: Points, limit: float, zero_ppm: float, role: str = "oxygen") -> Forecast | None:
    """When a level that rises through ``points`` reaches ``limit``, ppm; None: not foreseen.

    ``zero_ppm``: how far the sensor's zero may be off, either way. ``role``: for moisture the
    walls of the box are part of the model.
    """
    if len(points) < LEAST_POINTS:
        return None
    fine, points = _finer_of_late(points), thinned(points)
    now = median(v for _, v in fine[-3:])
    if now >= limit:
        return Forecast(0.0, 0.0, 0.0)
    if now < LEAST_SHARE * limit:
        return None
    recent = points[-max(LEAST_POINTS, len(points) // 2) :]
    line = straight_line(recent, now, limit)
    if line is None or levels_off(recent):
        return None
    spent = spent_bed(fine, limit, zero_ppm, WALLS_H.get(role, 0.0))
    risen = now - min(v for _, v in points)
    if risen < WORK_PPM.get(role, 0.0) or _misfit_of_line(fine) <= STRAIGHT_FIRST * spent.misfit:
        return _by_line(line, spent)
    return _by_spent_bed(line, spent)


def clean(points: Points, limit: float, base: float) -> Forecast | None:
    """When a level that decays towards ``base`` falls below ``limit``, ppm; None: not foreseen.

    The logarithm of the excess falls in a straight line.
    """
    points = thinned(points)
    if len(points) < LEAST_POINTS or limit <= base:
        return None
    logs = [(t, log(v - base)) for t, v in points if v - base > LEAST_PPM]
    if len(logs) < LEAST_POINTS:
        return None
    fit = theil_sen([t for t, _ in logs], [y for _, y in logs], CONFIDENCE, widen=True)
    if fit.high >= 0.0:
        return None
    way = log(limit - base) - median(y for _, y in logs[-3:])
    hours = max(0.0, way / fit.slope)
    return Forecast(hours, max(0.0, way / fit.low) * WIDER_LOW, max(0.0, way / fit.high) * 2.0)


def thinned(points: Points, most: int = USED_POINTS) -> Points:
    """At most ``most`` points, as medians of even parts."""
    if len(points) <= most:
        return points
    size = len(points) / most
    parts = [points[round(i * size) : round((i + 1) * size)] for i in range(most)]
    return [(median(t for t, _ in p), median(v for _, v in p)) for p in parts if p]


def _finer_of_late(points: Points) -> Points:
    """At most as many points, half of them from the last quarter, where a spent bed shows."""
    if len(points) <= USED_POINTS:
        return points
    late = len(points) * 3 // 4
    half = USED_POINTS // 2
    return [*thinned(points[:late], half), *thinned(points[late:], half)]


def levels_off(points: Points) -> bool:
    """Whether the last quarter has risen by far less than its share, as on a plateau."""
    quarter = max(2, len(points) // 4)
    levels = [median(v for _, v in points[i : i + quarter]) for i in (0, -2 * quarter)]
    last = median(v for _, v in points[-quarter:])
    hours = points[-1][0] - points[0][0]
    step_h = points[-1][0] - points[-1 - quarter][0]
    whole = last - levels[0]
    return last - levels[1] < LEVEL_SHARE * whole * step_h / hours


def straight_line(
    points: Points, now: float, limit: float, *, bends: bool = True
) -> Forecast | None:
    """Along a straight line. None: it falls.

    ``bends``: the high end is also that of a slope which goes on falling as until now.
    """
    fit = theil_sen([t for t, _ in points], [v for _, v in points], CONFIDENCE, widen=True)
    if fit.low <= 0.0:
        return None
    way = limit - now
    bending = _bending(points, way) if bends else 0.0
    return Forecast(way / fit.slope, way / fit.high, max(way / fit.low, bending))


def _bending(points: Points, way: float) -> float:
    """Hours to rise by ``way`` ppm if the slope goes on falling exponentially as until now.

    That is how the level from a constant source settles. 0 where the slope does not fall.
    """
    half = len(points) // 2
    slopes = [
        theil_sen([t for t, _ in part], [v for _, v in part], CONFIDENCE).slope
        for part in (points[:half], points[half:])
    ]
    if not 0.0 < slopes[1] < slopes[0]:
        return 0.0
    apart_h = (points[-1][0] - points[0][0]) / 2
    pace_h = apart_h / log(slopes[0] / slopes[1])
    left = slopes[1] * exp(-apart_h / 2 / pace_h) * pace_h
    return -pace_h * log1p(-way / left) if way < left else FARTHEST_H


def within_reach(best: Forecast, low: float, high: float) -> Forecast | None:
    """``best`` with a wider range; None where it lies too far ahead to be foreseen."""
    if best.hours > FARTHEST_H:
        return None
    return Forecast(best.hours, WIDER_LOW * low, min(FARTHEST_H, WIDER_HIGH * high))


def _by_line(line: Forecast, spent: Spent) -> Forecast | None:
    """Along the straight line; the low end also for a bed that may be near its end."""
    near = spent.forecast.low
    low = min(line.low, near) if near <= 3 * line.hours else line.low
    return within_reach(line, low, line.high)


def _by_spent_bed(line: Forecast, spent: Spent) -> Forecast | None:
    """As for a bed at its end; the high end also for a rise that stays straight for a while."""
    best = spent.forecast
    high = max(best.high, 0.5 * (best.high + min(line.hours, 4 * best.hours)))
    return within_reach(best, best.low, high)


class Spent(NamedTuple):
    """When the limit is reached behind a bed at its end; ``misfit``: mean error of the best curve.

    The misfit is in ppm.
    """

    forecast: Forecast
    misfit: float


def spent_bed(points: Points, limit: float, zero_ppm: float, walls_h: float) -> Spent:
    """When the limit is reached behind a bed at its end, by all such beds that fit the points.

    At the time t the share exp(-(T - t) / theta) slips past, where T is when the bed is full and
    theta how long a transfer unit lasts. ``walls_h``: time constant of the walls, 0 for none.
    The range holds 90 % of what fits, weighted by how well it fits.
    """
    zeros = (-zero_ppm, -zero_ppm / 2, 0.0, zero_ppm / 2, zero_ppm)
    by_zero = [(_AboveZero(points, zero), log(max(LEAST_PPM, limit - zero))) for zero in zeros]
    found: list[tuple[float, float]] = []  # hours, how likely
    best: tuple[float, float, list[float]] = (-inf, 0.0, [])  # likely, zero, logs of the curve
    for curve in _curves(tuple(t - points[-1][0] for t, _ in points), walls_h):
        for above, wanted in by_zero:
            weighed = above.weigh(curve.logs, best[0] - LESS_LIKELY)
            if weighed is None:
                continue
            likely, level = weighed
            found.append((curve.reaches(wanted - level), likely))
            if likely > best[0]:
                best = (likely, above.zero, [level + y for y in curve.logs])
    most, zero, logs = best
    weights = [(hours, exp(likely - most)) for hours, likely in found]
    misfit = fmean(abs(v - zero - exp(y)) for (_, v), y in zip(points, logs, strict=True))
    low, middle, high = _quantiles(weights, ((1 - CONFIDENCE) / 2, 0.5, (1 + CONFIDENCE) / 2))
    return Spent(Forecast(middle, low, high), misfit)


class _Curve:
    """A bed that is full in ``left_h``, of which a transfer unit lasts ``theta_h``.

    ``logs``: at the points ln of the level over that with a fresh bed. Times are hours after the
    last point.
    """

    def __init__(self, left_h: float, theta_h: float, times: Sequence[float]) -> None:
        self._left_h, self._theta_h = left_h, theta_h
        self.logs = self._at(times)

    def _at(self, times: Sequence[float]) -> list[float]:
        return [-log(_takes(self._left_h - t, self._theta_h)) for t in times]

    def reaches(self, wanted: float) -> float:
        """Hours from the last point until ln of the level is ``wanted``."""
        share = min(1.0 - LEAST_TAKEN, exp(-wanted))
        return max(0.0, self._left_h + self._theta_h * log1p(-share))


class _Walled(_Curve):
    """The same in a box with walls: dC/dt = (A - (1 - slip) C) / ``walls_h``."""

    def __init__(self, left_h: float, grid: _StepGrid, walls_h: float) -> None:
        self._grid, self._walls_h = grid, walls_h
        self._slips = exp(-left_h / grid.theta_h)
        fresh = 1.0 / _takes(left_h - grid.first_h, grid.theta_h)
        self.logs, self._level = self._through(fresh, grid.past)
        self._ahead: list[float] = []  # ln of the level at AHEAD_H, made when it is asked for

    def _through(
        self, level: float, steps: Sequence[tuple[float, float]]
    ) -> tuple[list[float], float]:
        """ln of the level after each step from ``level`` on, and the last level.

        Exact for a slip that is constant within a step.
        """
        slips, walls_h = self._slips, self._walls_h
        logs: list[float] = []
        for hours, grown in steps:
            takes = max(LEAST_TAKEN, 1.0 - slips * grown)
            level -= (1.0 / takes - level) * expm1(-hours * takes / walls_h)
            logs.append(log(level))
        return logs, level

    def reaches(self, wanted: float) -> float:
        """Hours from the last point until ln of the level is ``wanted``; linear within a step."""
        if not self._ahead:
            self._ahead, _ = self._through(self._level, self._grid.ahead)
        last_h, last = 0.0, self.logs[-1]
        for hours, level in zip(AHEAD_H, self._ahead, strict=True):
            if level >= wanted:
                share = (wanted - last) / (level - last) if level > last else 0.0
                return last_h + max(0.0, share) * (hours - last_h)
            last_h, last = hours, level
        return last_h


class _StepGrid:
    """Precomputed steps from point to point and ahead, shared by all beds of the same pace.

    Each step: its hours, and exp of its middle over ``theta_h``, which is the part of the slip
    that does not depend on the end of the bed.
    """

    def __init__(self, times: Sequence[float], theta_h: float) -> None:
        self.first_h, self.theta_h = times[0], theta_h
        ends = (*times, *AHEAD_H)
        starts = (times[0], *ends[:-1])
        steps = [
            (t - last_h, exp((last_h + t) / (2 * theta_h)))
            for last_h, t in zip(starts, ends, strict=True)
        ]
        self.past, self.ahead = steps[: len(times)], steps[len(times) :]


@lru_cache(maxsize=GRIDS_KEPT)
def _curves(times: tuple[float, ...], walls_h: float) -> tuple[_Curve, ...]:
    """Beds of all ends and paces for points at these times; ``walls_h`` is 0 without walls.

    Cached, because a window without gaps asks with the same times again and again.
    """
    curves: list[_Curve] = []
    for theta_h in THETAS_H:
        grid = _StepGrid(times, theta_h) if walls_h else None
        for left_h in LEFTS_H:
            curve = _Walled(left_h, grid, walls_h) if grid else _Curve(left_h, theta_h, times)
            curves.append(curve)
    return tuple(curves)


def _takes(left_h: float, theta_h: float) -> float:
    """Share of its inlet that the bed takes up, ``left_h`` before its end."""
    return max(LEAST_TAKEN, -expm1(-left_h / theta_h))


class _AboveZero:
    """The points above one zero of the sensor, prepared so that many curves can be compared."""

    def __init__(self, points: Points, zero: float) -> None:
        above = [max(LEAST_PPM, v - zero) for _, v in points]
        self.zero = zero
        self._logs = [log(x) for x in above]
        through = weather_filter([t for t, _ in points], [(NOISE_PPM / x) ** 2 for x in above])
        # The density of the readings themselves, not of their logarithms.
        self._constant = sum(
            log(scale) - y for (_, _, scale), y in zip(through, self._logs, strict=True)
        )
        self._steps = [(y, *step) for y, step in zip(self._logs, through, strict=True)]
        self._pulls = _pulls(through)
        self._level = sum(map(mul, self._pulls, self._logs))

    def weigh(self, curve: Sequence[float], least: float) -> tuple[float, float] | None:
        """ln of how likely ``curve`` is, and ln of its level A; None: less likely than ``least``.

        A is the level with a fresh bed that fits best.
        """
        level = self._level - sum(map(mul, self._pulls, curve))
        # The same as ``whitened``, written out because it runs a thousand times a forecast.
        most = 2.0 * (self._constant - least)
        state = misfit = 0.0
        for c, (y, keep, gain, scale) in zip(curve, self._steps, strict=True):
            state *= keep
            new = y - c - level - state
            state += gain * new
            off = new * scale
            off *= off
            misfit += off if off < FARTHEST else FARTHEST
            if misfit > most:
                return None
        return self._constant - 0.5 * misfit, level


def _pulls(through: Sequence[tuple[float, float, float]]) -> list[float]:
    """Weight of each reading in the level that fits best; weights sum to 1.

    The level is the mean of the whitened readings, weighted by a whitened constant. Here that sum
    is taken backwards, once for all curves.
    """
    ones = whitened([1.0] * len(through), through)
    pulls: list[float] = []
    later = 0.0  # effect of a change of the state after this reading on all later ones
    for one, (keep, gain, scale) in zip(reversed(ones), reversed(through), strict=True):
        pulls.append(one * scale + later * gain)
        later = keep * ((1.0 - gain) * later - one * scale)
    whole = sum(one * one for one in ones)
    return [pull / whole for pull in reversed(pulls)]


def _quantiles(found: list[tuple[float, float]], shares: Sequence[float]) -> list[float]:
    """Quantiles of hours, each with its weight; ``shares`` ascending."""
    found = sorted(found)
    whole = sum(w for _, w in found)
    out, below = [], 0.0
    wanted = list(shares)
    for hours, weight in found:
        below += weight
        while wanted and below >= wanted[0] * whole:
            out.append(hours)
            wanted.pop(0)
    return out + [found[-1][0]] * len(wanted)


def _misfit_of_line(points: Points) -> float:
    """Mean error of a straight line through the points, ppm."""
    x, y = [t for t, _ in points], [v for _, v in points]
    slope = theil_sen(x, y, CONFIDENCE).slope
    level = median(v - slope * t for t, v in points)
    return fmean(abs(v - level - slope * t) for t, v in points)
