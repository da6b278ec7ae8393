"""Straight lines through a record whose readings are not independent.

A reading at 1 Hz mostly repeats the one before, so the plain error of a slope is far too
small. Here the record becomes at most 60 block medians, and the
error is widened by the lag-1 correlation r of what is left over:
n_eff = n (1 - r) / (1 + r), at least 8.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median
from typing import Final

from dewline.errors import OutOfRange

MOST_BLOCKS: Final = 60
LEAST_INDEPENDENT: Final = 8.0


@dataclass(frozen=True, slots=True)
class Trend:
    """A slope per unit of time with its standard uncertainty (k = 1)."""

    slope: float
    standard: float
    independent: float  # readings' worth of information


def block_medians(
    times: Sequence[float], values: Sequence[float], blocks: int = MOST_BLOCKS
) -> tuple[list[float], list[float]]:
    """Medians of at most ``blocks`` runs of consecutive readings, each at its mean time.

    The runs are as equal in length as can be. Returns times and medians.
    """
    count = len(times)
    blocks = min(blocks, count)
    edges = [count * k // blocks for k in range(blocks + 1)]
    runs = list(pairwise(edges))
    return (
        [fmean(times[a:b]) for a, b in runs],
        [median(values[a:b]) for a, b in runs],
    )


def independent_count(residuals: Sequence[float]) -> float:
    """n (1 - r) / (1 + r) from the lag-1 correlation of residuals, from 8 to n."""
    count = len(residuals)
    power = math.fsum(e * e for e in residuals)
    if power == 0:
        return float(count)
    r = math.fsum(a * b for a, b in pairwise(residuals)) / power
    r = min(max(r, 0.0), 0.99)
    return max(min(LEAST_INDEPENDENT, count), count * (1 - r) / (1 + r))


def fit(
    times: Sequence[float], values: Sequence[float], transient: Sequence[float] | None = None
) -> Trend:
    """Least-squares slope of values on times, at least 8 of them, times not all equal.

    ``transient`` is a shape (a decaying lag) whose unknown share is fitted
    along and taken out. The standard uncertainty is that of GUM type A with
    n_eff readings, widened for few of them as Student's t is
    (GUM Supplement 1, 6.4.9.4).
    """
    if len(times) < LEAST_INDEPENDENT:
        raise OutOfRange(f"{len(times)} readings; allowed is {LEAST_INDEPENDENT:g} or more")
    x, y = _centred(times), _centred(values)
    if transient is not None:
        shape = _centred(transient)
        x, y = _without(shape, x), _without(shape, y)
    spread = math.fsum(a * a for a in x)
    if spread <= 0:
        raise OutOfRange("all readings at one time; allowed is readings over a stretch of time")
    slope = math.fsum(a * b for a, b in zip(x, y, strict=True)) / spread
    residuals = [b - slope * a for a, b in zip(x, y, strict=True)]
    count = len(times)
    independent = independent_count(residuals)
    free = count - (2 if transient is None else 3)
    variance = math.fsum(e * e for e in residuals) / free / spread * count / independent
    few = independent - (count - free)  # degrees of freedom that are really there
    return Trend(slope, math.sqrt(variance * few / (few - 2)), independent)


def _centred(values: Sequence[float]) -> list[float]:
    middle = fmean(values)
    return [v - middle for v in values]


def _without(shape: Sequence[float], values: Sequence[float]) -> list[float]:
    """What of ``values`` is not along ``shape``; both centred."""
    power = math.fsum(s * s for s in shape)
    if power == 0:
        return list(values)
    share = math.fsum(s * v for s, v in zip(shape, values, strict=True)) / power
    return [v - share * s for s, v in zip(shape, values, strict=True)]
