"""The form of a rise of a trace gas: where it began, how great it is, and what it looks like.

A constant source into a circulated box makes a plateau within three to five time constants; a
ramp of hours is a changing source or a changing bed; an impulse decays; a bed at its end gives a
convex rise, of which 1/C falls to zero in a straight line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Literal

from dewline.watch.causes.history import Birth, History, Series

Form = Literal["none", "impulse", "step", "plateau", "straight", "convex", "bending"]
# Least rise that counts, ppm: of the order of what a trace sensor's zero and noise can do.
LEAST_PPM = {"oxygen": 0.25, "moisture": 0.25}
LEAST_SHARE = 0.5  # of the baseline
ONSET_SHARE = 0.15
STEP_MIN = 4.0
BIRTH_MIN = 28.0  # the finest grid holds so much
FLAT_SHARE = 0.12
SPANS_MIN = (29.0, 60.0, 240.0, 1440.0, 4320.0)


@dataclass(frozen=True, slots=True)
class Rise:
    """How one gas has moved. Levels in ppm, slopes in ppm/h, times in minutes.

    ``start_min``: time since the onset. ``rise_min``: from the onset to nine tenths of the peak.
    ``slope_h``: over the last third of the time since the onset; ``first_h``: over its first.
    """

    gas: str
    form: Form
    base: float
    now: float
    peak: float
    start_min: float
    rise_min: float
    slope_h: float
    first_h: float

    @property
    def delta(self) -> float:
        """How far it stands above its baseline now."""
        return self.now - self.base

    @property
    def up(self) -> float:
        """How sure it is that this is a rise at all, 0 to 1."""
        return surely_up(self.gas, self.base, max(self.now, self.peak))


def surely_up(gas: str, base: float, top: float) -> float:
    """How sure it is that a gas has risen which went from ``base`` to ``top`` ppm, 0 to 1."""
    least = LEAST_PPM[gas] + LEAST_SHARE * max(0.0, base)
    return min(1.0, max(0.0, (top - base) / least - 0.5))


def baseline(history: History, gas: str, nights: Sequence[float]) -> float | None:
    """The level before a rise, ppm; None where nothing is known.

    It is the least of the tenth percentiles of three days, four hours and half an hour, and of
    the median of the last idle baselines, ``nights``.
    """
    slow = sorted(history.values(gas, 4320.0, 20.0))
    mid = sorted(history.values(gas, 240.0, 10.0))
    fine = sorted(history.values(gas, 29.0, 2.0))
    found = [_low(v) for v in (slow, mid, fine) if len(v) >= 3]
    found += [median(nights[-14:])] if nights else []
    return min(found) if found else None


def rise_of(history: History, gas: str, idle: Sequence[float] = ()) -> Rise | None:
    """How ``gas`` has moved until now; None without readings. ``idle``: its idle baselines."""
    base, now = baseline(history, gas, idle), history.level(gas)
    if base is None or now is None:
        return None
    series = _span(history, gas, base, now)
    if len(series) < 4:
        return Rise(gas, "none", base, now, now, 0.0, 0.0, 0.0, 0.0)
    return _remembered(history, _measured(gas, series, base, now))


def _remembered(history: History, rise: Rise) -> Rise:
    """Keep the time a rise took as it was seen on the finest grid: older grids are too coarse."""
    if rise.form == "none":
        return rise
    onset = history.number - rise.start_min * 6
    if rise.start_min <= BIRTH_MIN:
        if rise.form in ("step", "plateau", "impulse"):
            history.births[rise.gas] = Birth(round(onset, 1), round(rise.rise_min, 2))
        return rise
    born = history.births.get(rise.gas)
    if born is None or abs(born.onset - onset) > 6 * max(15.0, 0.15 * rise.start_min):
        return rise
    rise = replace(rise, rise_min=born.rise_min)
    return replace(rise, form=_form(rise)) if rise.form != "convex" else rise


def _low(ordered: Sequence[float]) -> float:
    return ordered[len(ordered) // 10]


def _span(history: History, gas: str, base: float, now: float) -> Series:
    """The shortest stretch that begins at the baseline."""
    series: Series = []
    for minutes in SPANS_MIN:
        longer = history.series(gas, minutes)
        series = longer if len(longer) >= 4 else series
        if len(longer) < 4:
            continue
        top = max(v for _, v in longer)
        head = median(v for _, v in longer[: max(3, len(longer) // 10)])
        if head - base <= ONSET_SHARE * (top - base) or top - base < LEAST_PPM[gas] / 2:
            break
    return series


def _measured(gas: str, series: Series, base: float, now: float) -> Rise:
    peak_t, peak = max(series, key=lambda point: point[1])
    floor = base + ONSET_SHARE * (peak - base)
    start = series[0][0]
    for t, v in reversed([p for p in series if p[0] <= peak_t]):
        if v <= floor:
            start = t
            break
    after = [p for p in series if p[0] >= start]
    high = base + 0.9 * (peak - base)
    rise_min = next((t for t, v in after if v >= high), peak_t) - start
    first, last = _thirds(after)
    rise = Rise(gas, "none", base, now, peak, -start, rise_min, last * 60, first * 60)
    return replace(rise, form=_form(rise))


def _form(rise: Rise) -> Form:
    size = rise.peak - rise.base
    if size < LEAST_PPM[rise.gas]:
        return "none"
    if rise.delta < 0.5 * size:
        return "impulse"
    if rise.rise_min <= STEP_MIN:
        return "step"
    if abs(rise.slope_h) * rise.start_min / 60 < FLAT_SHARE * 3 * size:
        return "plateau"
    if rise.slope_h > 1.5 * max(rise.first_h, 0.0):
        return "convex"
    return "bending" if rise.slope_h < 0.6 * rise.first_h else "straight"


def _thirds(points: Series) -> tuple[float, float]:
    """Slopes per minute over the first and the last third."""
    if len(points) < 6:
        slope = _slope(points)
        return slope, slope
    third = len(points) // 3
    return _slope(points[: third + 1]), _slope(points[-third - 1 :])


def _slope(points: Series) -> float:
    """Median of the pair slopes half a stretch apart (Theil 1950, complete pairs at one lag)."""
    half = len(points) // 2
    pairs = [(points[i], points[i + half]) for i in range(len(points) - half)] if half else []
    slopes = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairs if b[0] > a[0]]
    return median(slopes) if slopes else 0.0
