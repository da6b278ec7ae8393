"""Slopes by Theil-Sen over block medians, with an interval that knows about lag.

Slope: median of the slopes of all pairs (Theil 1950). Interval: Sen, J. Am.
Stat. Assoc. 63 (1968) 1379-1389, eq. 2.6 with ties. Readings of a lagging
analyzer are not independent: the variance is widened by n / n_eff with
n_eff = n (1 - r) / (1 + r), r the lag-1 correlation of the residuals, and n_eff
at least 8. Found in few readings r comes out too low by about (1 + 4 r) / n
(Kendall, Biometrika 41 (1954) 403, from memory), which is given back.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter, deque
from collections.abc import Iterable, Sequence
from functools import cache
from itertools import pairwise
from math import sqrt
from statistics import NormalDist
from typing import NamedTuple

from dewline.watch.saved import State
from dewline.watch.signals.window import Window

MEDIANS = 60
FEWEST_MEDIANS = 20
FEWEST_EFFECTIVE = 8.0
# A leap is so much of the whole change, and so many times the usual step. White noise stays below
# 6 times in a window of 60 medians (derived: 4.5 standard deviations over 0.95).
LEAP_SHARE, LEAP_TIMES = 0.5, 8.0


class Estimate(NamedTuple):
    """A slope and the two bounds of its interval, y units per x unit."""

    slope: float
    low: float
    high: float


def theil_sen(
    x: Sequence[float], y: Sequence[float], confidence: float = 0.95, *, widen: bool = False
) -> Estimate:
    """Slope of y over x with its two-sided interval at ``confidence``.

    ``widen``: allow for readings that depend on each other (see above). ValueError without two
    different x.
    """
    slopes = sorted(
        (y[j] - y[i]) / (x[j] - x[i])
        for j in range(len(x))
        for i in range(len(x))
        if x[j] - x[i] > 0
    )
    if not slopes:
        raise ValueError("a slope needs two points with different x")
    ties = [*Counter(x).values(), *Counter(y).values()]
    factor = _widening(x, y, middle(slopes)) if widen else 1.0
    return _interval(slopes, len(x), ties, confidence, factor)


def middle(ordered: Sequence[float]) -> float:
    """Median of values already in order."""
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


@cache
def _normal_quantile(confidence: float) -> float:
    return NormalDist().inv_cdf((1 + confidence) / 2)


def _interval(
    slopes: Sequence[float], n: int, ties: Iterable[int], confidence: float, factor: float
) -> Estimate:
    """Ranks of the two bounds among the ordered ``slopes`` (Sen 1968 eq. 2.6)."""
    variance = (_tied(n) - sum(_tied(k) for k in ties if k > 1)) / 18
    spread = _normal_quantile(confidence) * sqrt(max(0.0, variance) * factor)
    count = len(slopes)
    high = min(round((count + spread) / 2), count - 1)
    low = max(round((count - spread) / 2) - 1, 0)
    return Estimate(middle(slopes), slopes[low], slopes[high])


def _tied(k: int) -> int:
    return k * (k - 1) * (2 * k + 5)


def _widening(x: Sequence[float], y: Sequence[float], slope: float) -> float:
    """n / n_eff, from 1 (independent residuals) to n / 8."""
    n = len(x)
    residuals = [b - slope * a for a, b in zip(x, y, strict=True)]
    mean = sum(residuals) / n
    e = [v - mean for v in residuals]
    power = sum(v * v for v in e)
    if power <= 0.0:
        return 1.0
    r = sum(a * b for a, b in pairwise(e)) / power
    r = min(0.999, max(0.0, r + (1 + 4 * r) / n))
    return n / min(n, max(FEWEST_EFFECTIVE, n * (1 - r) / (1 + r)))


class MedianWindow(Window):
    """At most 60 medians of a signal over ``over_ms``; slopes in units per hour.

    A median closes with the first reading after its bucket. Only then are the slopes of all
    pairs of medians brought up to date, and only those of the medians that came or went.
    ``points``: bucket number (watch time over ``bucket_ms``) and median, oldest first.
    ``closes_at`` is 0 while no bucket is open; the next reading opens one.
    """

    __slots__ = ("_estimates", "_slopes", "bucket_ms", "closes_at", "over_ms", "points", "values")
    values: list[float]
    points: deque[tuple[int, float]]
    closes_at: int

    def __init__(self, over_ms: int) -> None:
        self.over_ms = over_ms
        self.bucket_ms = max(1, over_ms // MEDIANS)
        self.values = []
        self.points = deque()
        self.closes_at = 0
        self._slopes: list[float] = []
        self._estimates: dict[float, Estimate | None] = {}

    def add(self, at_ms: int, value: float) -> bool:
        """Take in a good reading; True when that closed a median."""
        closed = False
        if at_ms >= self.closes_at:
            closed = bool(self.values)
            if closed:
                self._close(at_ms)
            self.values.clear()
            self.closes_at = (at_ms // self.bucket_ms + 1) * self.bucket_ms
        self.values.append(value)
        return closed

    def clear(self) -> None:
        """Forget everything: nothing from before a gap may shape a slope after it."""
        self.values.clear()
        self.points.clear()
        self.closes_at = 0
        self._slopes.clear()
        self._estimates.clear()

    def estimate(self, confidence: float) -> Estimate | None:
        """The slope per hour, or None while there are fewer than 20 medians."""
        if confidence not in self._estimates:
            self._estimates[confidence] = self._estimate(confidence)
        return self._estimates[confidence]

    def leaps(self, least: float) -> bool:
        """Whether most of the change lies between two medians: a leap, which has no slope.

        It is at least ``least``, and far more than what one median differs from the next.
        """
        values = [value for _, value in self.points]
        if len(values) < FEWEST_MEDIANS:
            return False
        steps = sorted(abs(b - a) for a, b in pairwise(values))
        largest, usual = steps[-1], middle(steps)
        whole = max(values) - min(values)
        return largest >= least and largest > LEAP_SHARE * whole and largest > LEAP_TIMES * usual

    def restore(self, state: State) -> None:
        """Restore the medians; their slopes are not saved but computed from them again."""
        self.clear()
        super().restore(state)
        points = list(self.points)
        self.points.clear()
        for number, value in points:
            self._append(number, value)

    def _close(self, at_ms: int) -> None:
        self._append(self.closes_at // self.bucket_ms - 1, middle(sorted(self.values)))
        oldest = at_ms // self.bucket_ms - MEDIANS
        while self.points and self.points[0][0] < oldest:
            self._drop()
        self._estimates.clear()

    def _append(self, number: int, value: float) -> None:
        self._slopes += [self._slope(point, (number, value)) for point in self.points]
        self._slopes.sort()
        self.points.append((number, value))

    def _drop(self) -> None:
        first = self.points.popleft()
        slopes = self._slopes
        for point in self.points:
            # The same division gave this slope when it was added, so it is found exactly.
            del slopes[bisect_left(slopes, self._slope(first, point))]

    def _slope(self, a: tuple[int, float], b: tuple[int, float]) -> float:
        # + 0.0 turns -0.0 into 0.0, so that a restored window gives the same event text.
        return (b[1] - a[1]) / ((b[0] - a[0]) * self.bucket_ms / 3_600_000) + 0.0

    def _estimate(self, confidence: float) -> Estimate | None:
        if len(self.points) < FEWEST_MEDIANS:
            return None
        first = self.points[0][0]
        x = [(number - first) * self.bucket_ms / 3_600_000 for number, _ in self.points]
        y = [value for _, value in self.points]
        factor = _widening(x, y, middle(self._slopes))
        return _interval(self._slopes, len(y), Counter(y).values(), confidence, factor)
