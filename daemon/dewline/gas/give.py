"""How much a closed box gives, from the hold itself: what its gauge makes of a moving room.

Gas that warms by dT and air pressure that rises by db press on the box with
(V/T) dT - (V/p) db, and the gauge answers with that over V/p + C. So each swing of an air
conditioner measures the compliance C of gloves and windows, without anybody doing anything. The
leak itself is slow: a parabola takes it out. A lag of the thermometer is found by trying several on
gauge and barometer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean
from typing import Final, NamedTuple

from dewline.gas.constants import ZERO_C_K, not_negative, positive
from dewline.gas.trend import block_medians, independent_count

LAGS_S: Final = (0.0, 20.0, 40.0, 70.0, 100.0, 140.0, 200.0)
LEAST_SHARED: Final = 0.5  # of the variance that press and answer have in common
CREEP_SHARE: Final = 0.05  # of the give, which comes too late for a swing; common practice
STIFFEST: Final = 0.05  # of V/p: how far below and above 0 the bounds of a rigid box reach
FITTED: Final = 4  # what is fitted: a parabola and the ratio
Column = list[float]


class GiveReading(NamedTuple):
    """One moment of a closed box."""

    t_s: float
    gauge_mbar: float
    gas_c: float
    barometer_mbar: float


class SeenGive(NamedTuple):
    """Bounds of the compliance, L/mbar; ``low`` may be a little below 0 for a rigid box."""

    low: float
    high: float


class _Answer(NamedTuple):
    """``least`` and ``most``: V/p + C by either regression, L/mbar. ``shared``: r squared."""

    shared: float
    least: float
    most: float
    independent: float


def seen_give(
    readings: Sequence[tuple[float, float, float, float]], volume_l: float, missed_share: float
) -> SeenGive | None:
    """Bounds of the compliance from readings of a hold (s, gauge mbar, gas degC, barometer mbar).

    ``missed_share``: standard uncertainty of the part of a temperature change that the thermometer
    misses. None where gauge and room have not moved enough, or not together.
    """
    positive("volume", volume_l, "L")
    not_negative("missed share", missed_share, "")
    rows = [GiveReading(*reading) for reading in readings]
    stiffness = volume_l / fmean(r.gauge_mbar + r.barometer_mbar for r in rows)
    answers = [a for lag_s in LAGS_S if (a := _answer(rows, volume_l, stiffness, lag_s))]
    best = max(answers, default=None)
    if best is None or best.shared < LEAST_SHARED:
        return None
    free = max(3.0, best.independent - FITTED)
    scatter = math.sqrt((1.0 - best.shared) / best.shared / free)
    doubt = 1.6 * math.hypot(missed_share, CREEP_SHARE, scatter)
    low, high = best.least * (1.0 - doubt) - stiffness, best.most * (1.0 + doubt) - stiffness
    least = STIFFEST * stiffness
    return SeenGive(max(-least, low), max(2.0 * least, high))


def _answer(
    rows: Sequence[GiveReading], volume_l: float, stiffness: float, lag_s: float
) -> _Answer | None:
    """What the gauge makes of the press, both without their parabola; None: it moves against it.

    Noise of the gauge makes one regression too small, noise of the press the other too large.
    """
    times = [r.t_s for r in rows]
    per_k = volume_l / (fmean(r.gas_c for r in rows) + ZERO_C_K)
    air = _lagged(times, [r.barometer_mbar for r in rows], lag_s)
    press = [per_k * r.gas_c - stiffness * b for r, b in zip(rows, air, strict=True)]
    at, gauges = block_medians(times, _lagged(times, [r.gauge_mbar for r in rows], lag_s))
    _, presses = block_medians(times, press)
    slow = _parabola(at)
    g, f = _without(slow, gauges), _without(slow, presses)
    power, both, whole = _dot(g, g), _dot(g, f), _dot(f, f)
    if both <= 0.0 or power <= 0.0:
        return None
    left = [b - both / power * a for a, b in zip(g, f, strict=True)]
    shared = both * both / power / whole
    return _Answer(shared, both / power, whole / both, independent_count(left))


def _lagged(times: Sequence[float], values: Sequence[float], lag_s: float) -> Column:
    """The values through a first-order lag, as a thermometer of that lag would follow them."""
    if lag_s <= 0.0:
        return list(values)
    state, last_s, out = values[0], times[0], []
    for t_s, value in zip(times, values, strict=True):
        state -= (value - state) * math.expm1((last_s - t_s) / lag_s)
        last_s = t_s
        out.append(state)
    return out


def _parabola(times: Sequence[float]) -> list[Column]:
    """Orthonormal columns that span all parabolas over these times."""
    middle, half = (times[0] + times[-1]) / 2, (times[-1] - times[0]) / 2
    columns: list[Column] = []
    for power in range(3):
        column = _without(columns, [((t - middle) / half) ** power for t in times])
        size = math.sqrt(_dot(column, column))
        columns.append([value / size for value in column])
    return columns


def _without(columns: Sequence[Column], values: Sequence[float]) -> Column:
    """What of ``values`` is not along the orthonormal ``columns``."""
    rest = list(values)
    for column in columns:
        share = _dot(column, rest)
        rest = [value - share * c for value, c in zip(rest, column, strict=True)]
    return rest


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return math.fsum(x * y for x, y in zip(a, b, strict=True))
