"""When will a limit be reached: the model that fits the shape, with a range.

A bed at its end lets pass C = G / (Q (1 - slip)), so 1/C falls about straight to
zero and a straight line through C is late by days; a stopped loop climbs
straight; a plateau never gets there. The sensor's zero error is carried along:
1/(C - zero) for every zero it may have.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log
from statistics import median
from typing import NamedTuple

from dewline.watch.slope import theil_sen

Points = Sequence[tuple[float, float]]  # hours (any origin), ppm

CONFIDENCE = 0.9
LEAST_POINTS = 8
USED_POINTS = 24
LEAST_SHARE = 0.1  # of the limit: below, nothing is foretold
LEAST_PPM = 0.02
LEVEL_SHARE = 0.35
FARTHEST_H = 240.0
WIDER_LOW, WIDER_HIGH = 0.7, 1.45  # for what the models leave out; set on simulated stories


class Forecast(NamedTuple):
    """Hours until the limit, and the range."""

    hours: float
    low: float
    high: float


def reach(points: Points, limit: float, zero_ppm: float) -> Forecast | None:
    """When a level that rises through ``points`` reaches ``limit``; None: not foreseen.

    ``zero_ppm``: how far the sensor's zero may be off, either way.
    """
    points = _thinned(points)
    if len(points) < LEAST_POINTS:
        return None
    now = median(v for _, v in points[-3:])
    if now >= limit:
        return Forecast(0.0, 0.0, 0.0)
    if now < LEAST_SHARE * limit:
        return None
    recent = points[-max(LEAST_POINTS, len(points) // 2) :]
    straight = _straight(recent, now, limit)
    if straight is None or _levels_off(recent):
        return None
    curved = [f for z in (-zero_ppm, 0.0, zero_ppm) if (f := _inverse(points, limit, z))]
    if not curved or _misfit_straight(points) <= _misfit_inverse(points):
        return _widened(straight, straight, curved)
    return _widened(curved[len(curved) // 2], straight, curved)


def clean(points: Points, limit: float, base: float) -> Forecast | None:
    """When a level that decays towards ``base`` falls below ``limit``."""
    points = _thinned(points)
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


def _thinned(points: Points) -> Points:
    """At most so many points, as medians of even parts."""
    if len(points) <= USED_POINTS:
        return points
    size = len(points) / USED_POINTS
    parts = [points[round(i * size) : round((i + 1) * size)] for i in range(USED_POINTS)]
    return [(median(t for t, _ in p), median(v for _, v in p)) for p in parts if p]


def _levels_off(points: Points) -> bool:
    """The last quarter has risen by far less than its share: a plateau is never a limit's."""
    quarter = max(2, len(points) // 4)
    levels = [median(v for _, v in points[i : i + quarter]) for i in (0, -2 * quarter)]
    last = median(v for _, v in points[-quarter:])
    hours = points[-1][0] - points[0][0]
    step_h = points[-1][0] - points[-1 - quarter][0]
    whole = last - levels[0]
    return last - levels[1] < LEVEL_SHARE * whole * step_h / hours


def _straight(points: Points, now: float, limit: float) -> Forecast | None:
    fit = theil_sen([t for t, _ in points], [v for _, v in points], CONFIDENCE, widen=True)
    if fit.low <= 0.0 or (limit - now) / fit.slope > FARTHEST_H:
        return None
    way = limit - now
    return Forecast(way / fit.slope, way / fit.high, way / fit.low)


def _inverse(points: Points, limit: float, zero: float) -> Forecast | None:
    """1/(C - zero) falls straight: when it is down to 1/(limit - zero)."""
    x = [t for t, _ in points]
    y = [1.0 / max(LEAST_PPM, v - zero) for _, v in points]
    fit = theil_sen(x, y, CONFIDENCE, widen=True)
    goal = 1.0 / max(LEAST_PPM, limit - zero)
    way = goal - median(y[-3:])
    if fit.slope >= 0.0 or way >= 0.0:
        return None
    slow = way / fit.high if fit.high < 0.0 else FARTHEST_H
    return Forecast(way / fit.slope, way / fit.low, slow)


def _widened(best: Forecast, straight: Forecast, curved: Sequence[Forecast]) -> Forecast:
    near = [f for f in curved if f.hours <= 3 * best.hours]
    low = min([best.low, *(f.low for f in near)])
    high = max([best.high, *(f.high for f in near if best is not straight)])
    if best is not straight:
        high = max(high, 0.5 * (best.high + min(straight.hours, 4 * best.hours)))
    return Forecast(best.hours, WIDER_LOW * low, min(FARTHEST_H, WIDER_HIGH * high))


def _misfit_straight(points: Points) -> float:
    x, y = [t for t, _ in points], [v for _, v in points]
    slope = theil_sen(x, y, CONFIDENCE).slope
    level = median(v - slope * t for t, v in points)
    return sum(abs(v - level - slope * t) for t, v in points)


def _misfit_inverse(points: Points) -> float:
    x = [t for t, _ in points]
    y = [1.0 / max(LEAST_PPM, v) for _, v in points]
    slope = theil_sen(x, y, CONFIDENCE).slope
    level = median(v - slope * t for t, v in zip(x, y, strict=True))
    told = [1.0 / max(1e-3, level + slope * t) for t in x]
    return sum(abs(v - min(1e3, c)) for (_, v), c in zip(points, told, strict=True))
