"""How long a bed will last, as an interval.

A bed of N transfer units that holds a share h of its capacity lets the share exp(-N (1 - h)) of
its inlet slip past: Bohart and Adams, J. Am. Chem. Soc. 42 (1920) 523 (from memory), rewritten
for the amount held. With a flow Q, a steady source G then gives the level

    C = zero + G / (Q (1 - exp(-N (1 - h)))),

so that near the end 1/(C - zero) falls to zero in a straight line, while C grows without limit.
The levels of idle nights are compared with this over a grid of zero error, transfer units and
time left; past runs, or the capacity given, weigh each point of the grid.

A dose that is cleaned shows the slip without any zero: its decay takes 1 / (1 - exp(-N (1 - h)))
times as long as with a fresh bed. Where the oxygen that gloves pass is below the zero error, this
is all that shows the state of a bed before its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise
from math import exp, hypot, log, log1p, sqrt
from statistics import fmean
from typing import Final, NamedTuple, TypeVar

from dewline.watch.derived.bed_evidence import (
    GLOVES_CM3_H,
    NIGHT_TO_NIGHT,
    Bed,
    Cleaning,
    DoseEvidence,
    Night,
    NightEvidence,
    PastRun,
    RunEvidence,
    above_fresh,
    slower,
)

# Transfer units; fewer for water, because a sieve that lets go again softens its front.
UNITS: Final = {"oxygen": (6.0, 8.0, 10.0), "moisture": (4.5, 6.0, 8.0)}
RECENT_CLEANINGS, OLD_CLEANINGS = 12, 6
ZEROS: Final = 9
ZERO_WANDERS_PPM: Final = 0.03  # drift from one run to the next; common practice, no source
RESET: Final = 0.15  # how likely the sensor was calibrated since a run showed its zero
LEAST_H, MOST_H, STEPS = 2.0, 60_000.0, 40
SHARES_OF_AGE: Final = (0.05, 0.3, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998)
LOW, HIGH, SIGMAS = 0.1, 0.9, 1.28
USUAL_M3_H: Final = 57.0
RECENT_NIGHTS, OLD_NIGHTS = 14, 8


Row = TypeVar("Row")


class BedForecast(NamedTuple):
    """Time left in days (80 % interval), source, and share of the run that is used up.

    ``source_cm3_h`` at 0 °C and 1013.25 mbar. ``zero_ppm`` and ``zero_sigma``: the sensor's zero
    as the nights show it, and its sigma; None where they do not.
    """

    low_d: float
    middle_d: float
    high_d: float
    source_cm3_h: float
    used: float
    zero_ppm: float = 0.0
    zero_sigma: float | None = None


def fresh_times(times: Sequence[float]) -> float | None:
    """Decay of a dose to a tenth with the bed fresh, from the decays of a whole run.

    It is the median of the quicker half, in the unit of ``times``; None without any.
    """
    quick = sorted(times)[: (len(times) + 1) // 2]
    return quick[len(quick) // 2] if quick else None


def zero_kept(forecast: BedForecast) -> tuple[float, float] | None:
    """The zero and its sigma, ppm, for the next run: a little less sure, because zeros drift."""
    if forecast.zero_sigma is None:
        return None
    return forecast.zero_ppm, hypot(forecast.zero_sigma, ZERO_WANDERS_PPM)


class _Grid(NamedTuple):
    """The times left and the weight of each, with weighted sums of source and length of the run."""

    left_h: list[float]
    weights: list[float]
    sources: list[float]
    totals_h: list[float]


def outlook(
    bed: Bed,
    run: PastRun,
    nights: Sequence[Night],
    past: Sequence[PastRun],
    *,
    in_use: float = 1.0,
    cleanings: Sequence[Cleaning] = (),
) -> BedForecast:
    """Days until the limit of ``bed`` is reached, if the bed is used as until now.

    ``run``: the present run. ``nights`` and ``cleanings`` of it, oldest first. ``past``: whole
    runs before. ``in_use``: the share of time that the bed is in the loop.
    """
    chosen = _chosen(nights, RECENT_NIGHTS, OLD_NIGHTS)
    cleaned = DoseEvidence(bed, _chosen(cleanings, RECENT_CLEANINGS, OLD_CLEANINGS))
    seen = [NightEvidence(bed, chosen, zero, weight) for zero, weight in _zeros(bed)]
    lengths = [RunEvidence(past, view.guess) for view in seen]
    grid, zeros = _Grid([], [], [], []), [0.0] * len(seen)
    for step in range(STEPS):
        left_h = LEAST_H * (MOST_H / LEAST_H) ** (step / (STEPS - 1))
        weight = source = total = 0.0
        for k, (view, runs) in enumerate(zip(seen, lengths, strict=True)):
            then_h = [_then_h(run, night, left_h, view.guess) for night in chosen]
            doses_h = [_then_h(run, dose, left_h, view.guess) for dose in cleaned.doses]
            for total_h, share in _totals(run, left_h, view.guess):
                for units in UNITS[bed.gas]:
                    g, likely = view.weigh([above_fresh(units, t / total_h) for t in then_h])
                    likely *= cleaned.weigh([slower(units, t / total_h) for t in doses_h])
                    w = share * likely * runs.expected(bed, g, total_h) * left_h / total_h
                    weight, source, total = weight + w, source + w * g, total + w * total_h
                    zeros[k] += w
        grid.left_h.append(left_h)
        grid.weights.append(weight)
        grid.sources.append(source)
        grid.totals_h.append(total)
    forecast = _forecast(bed, run, grid, in_use, nights)
    return forecast._replace(**_zero_shown(seen, zeros))


def _chosen(rows: Sequence[Row], recent: int, before: int) -> list[Row]:
    """The ``recent`` last rows, and about ``before`` of the others, evenly spaced."""
    old = list(rows[:-recent])
    step = max(1, len(old) // before)
    return old[::step] + list(rows[-recent:])


def _zeros(bed: Bed) -> list[tuple[float, float]]:
    """Zeros the sensor may have, ppm, with weights that sum to 1.

    They lie within its stated uncertainty. Most of the weight is on the zero that an earlier run
    has shown, if one has; the rest stays spread out, because somebody may have calibrated it.
    """
    if bed.zero_ppm <= 0:
        return [(0.0, 1.0)]
    spread = [(bed.zero_ppm * (2 * k / (ZEROS - 1) - 1), 1.0 / ZEROS) for k in range(ZEROS)]
    if bed.zero_known is None:
        return spread
    middle, sigma = bed.zero_known
    near = [(middle + sigma * x, exp(-0.5 * x * x)) for x in (-2.0, -1.0, 0.0, 1.0, 2.0)]
    whole = sum(w for _, w in near)
    return [(z, RESET * w) for z, w in spread] + [(z, (1 - RESET) * w / whole) for z, w in near]


def _zero_shown(seen: Sequence[NightEvidence], weights: Sequence[float]) -> dict[str, float]:
    """Mean and sigma of the zero under these weights; empty where nothing fits."""
    whole = sum(weights)
    if whole <= 0.0:
        return {}
    mean = sum(w * v.zero for v, w in zip(seen, weights, strict=True)) / whole
    power = sum(w * (v.zero - mean) ** 2 for v, w in zip(seen, weights, strict=True)) / whole
    return {"zero_ppm": mean, "zero_sigma": sqrt(power)}


def _totals(run: PastRun, left_h: float, source: float) -> list[tuple[float, float]]:
    """Length of the whole run, in hours of the steady source, with weights that sum to 1."""
    done_h = run.hours + run.dosed_cm3 / source
    if run.known:
        return [(left_h + done_h, 1.0)]
    totals = [left_h / (1.0 - share) for share in SHARES_OF_AGE]
    return [(max(total, left_h + done_h), 1.0 / len(totals)) for total in totals]


def _then_h(run: PastRun, then: Night | Cleaning, left_h: float, source: float) -> float:
    """Hours of the steady source that were left ``then``, if ``left_h`` are left now."""
    doses_h = (run.dosed_cm3 - then.dosed_cm3) / source
    return left_h + run.hours - then.run_h + doses_h


def _forecast(
    bed: Bed, run: PastRun, grid: _Grid, in_use: float, nights: Sequence[Night]
) -> BedForecast:
    """The forecast from the weights: quantiles of the time left, in days at the present use."""
    whole = sum(grid.weights)
    if whole <= 0.0:  # nothing fits: take what is usual, with the widest interval
        grid = _Grid(grid.left_h, [1.0] * STEPS, [GLOVES_CM3_H[bed.gas][0]] * STEPS, grid.left_h)
        whole = float(STEPS)
    source, total_h = sum(grid.sources) / whole, sum(grid.totals_h) / whole
    done_h = run.hours + run.dosed_cm3 / source
    pace = max(0.01, in_use) * 24 * (done_h / run.hours if run.hours > 24 else 1.0)
    # The limit is passed a little before the bed is full.
    flow_m3_h = nights[-1].cleaned_m3_h if nights else USUAL_M3_H
    over = min(0.999, source / (flow_m3_h * max(1e-3, bed.limit_ppm)))
    spare_h = -log1p(-over) * total_h / UNITS[bed.gas][1]
    left = [_quantile(grid, LOW * whole), _likeliest(grid), _quantile(grid, HIGH * whole)]
    low_d, middle_d, high_d = (max(0.0, hours - spare_h) / pace for hours in left)
    spread = SIGMAS * hypot(NIGHT_TO_NIGHT, _dose_spread(nights, source, pace, middle_d))
    return BedForecast(
        _wider(middle_d, low_d, -spread),
        middle_d,
        _wider(middle_d, high_d, spread),
        source,
        done_h / (done_h + left[1]),
    )


def _wider(middle_d: float, end_d: float, spread: float) -> float:
    """An end of the interval, moved out by what doses and weather may still bring.

    ``spread`` is a logarithm; its sign is the side of the end.
    """
    if middle_d <= 0.0 or end_d <= 0.0:
        return end_d
    way = hypot(log(end_d / middle_d), spread)
    return middle_d * exp(way if spread > 0 else -way)


def _dose_spread(nights: Sequence[Night], source: float, pace: float, left_d: float) -> float:
    """Sigma of the time left, as a share of it, because doses come at random and vary in size.

    ``pace``: hours of the steady source used up in a day.
    """
    steps = [
        ((b.dosed_cm3 - a.dosed_cm3) / source, (b.run_h - a.run_h) / 24)
        for a, b in pairwise(nights)
        if b.run_h > a.run_h
    ]
    days = sum(d for _, d in steps)
    if not days or left_d <= 0.0:
        return 0.0
    mean = sum(h for h, _ in steps) / days
    variance = sum((h - mean * d) ** 2 for h, d in steps) / days  # of the hours of a day
    return min(1.0, sqrt(variance / max(0.5, left_d)) / pace)


def _quantile(grid: _Grid, wanted: float) -> float:
    """The time left below which ``wanted`` of the weight lies, between the grid's points."""
    ratio = log(MOST_H / LEAST_H) / (STEPS - 1)
    below = 0.0
    for hours, weight in zip(grid.left_h, grid.weights, strict=True):
        if below + weight >= wanted and weight > 0:
            return hours * exp(ratio * ((wanted - below) / weight - 0.5))
        below += weight
    return grid.left_h[-1]


def _likeliest(grid: _Grid) -> float:
    """The time left, h, within a factor two of which most of the weight lies."""
    step = log(MOST_H / LEAST_H) / (STEPS - 1)
    reach = log(2.0) / step
    below = list(accumulate(grid.weights, initial=0.0))

    def below_place(place: float) -> float:
        """The weight below a place between the points of the grid."""
        place = min(float(STEPS), max(0.0, place + 0.5))
        k = min(STEPS - 1, int(place))
        return below[k] + (place - k) * grid.weights[k]

    places = [k / 4 for k in range(4 * STEPS)]
    held = [below_place(p + reach) - below_place(p - reach) for p in places]
    best = max(held)
    alike = [p for p, w in zip(places, held, strict=True) if w >= 0.99 * best]
    return LEAST_H * exp(step * fmean(alike))
