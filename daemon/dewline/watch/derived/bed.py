"""How long a bed will last, always as an interval.

What of the inlet slips past a bed of N transfer units that holds a share h of
its capacity is exp(-N (1 - h)): Bohart and Adams, J. Am. Chem. Soc. 42 (1920)
523 (from memory), rewritten for the amount held. A steady source G then shows

    C = zero + G / (Q (1 - exp(-N (1 - h)))),

so that near the end 1/(C - zero) falls as a straight line to nothing, while C
itself runs away. Idle nights are held against this over a grid of zero error,
transfer units and time left; past runs or the capacity given weigh each.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, expm1, log, log1p, sqrt
from typing import Final, NamedTuple

# Two gloves, cm³/h at 0 °C, 1013.25 mbar, and how sure that is (sigma of the logarithm):
# a factor 2 for oxygen, 5 for water. Derived for butyl rubber at 23 °C and 50 %.
GLOVES_CM3_H: Final = {"oxygen": (1.7, 0.54), "moisture": (8.5, 1.0)}
# Share of a quoted capacity that holds at trace level: 30-60 % of oxygen, 10-30 %
# of water, more where it was quoted for trace level. Common practice, no source.
CAPACITY_SHARE: Final = {"oxygen": (0.5, 0.5), "moisture": (0.3, 0.8)}
UNITS: Final = (6.0, 8.0, 10.0)
RUN_TO_RUN: Final = 0.14
NIGHT_TO_NIGHT: Final = 0.1  # of a source: weather and work
LEAST_ERROR_PPM: Final = 0.012
ALIKE: Final = 0.4  # nights share their weather: what each counts
ZEROS: Final = 9
LEAST_H, MOST_H, STEPS = 2.0, 60_000.0, 40
SHARES_OF_AGE: Final = (0.05, 0.3, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998)
LOW, MIDDLE, HIGH = 0.1, 0.5, 0.9
USUAL_M3_H: Final = 57.0
RECENT_NIGHTS, OLD_NIGHTS = 14, 8


class Night(NamedTuple):
    """An idle baseline: ``run_h`` of the bed in the loop, ``dosed_cm3`` of the run until then.

    ``floored``: the sensor showed its floor, the gas was at most that.
    """

    run_h: float
    ppm: float
    cleaned_m3_h: float
    dosed_cm3: float
    floored: bool = False


class Run(NamedTuple):
    """A run of a bed, over or going on. ``known``: it began with a regeneration that was seen."""

    hours: float
    dosed_cm3: float
    known: bool = True


class Outlook(NamedTuple):
    """Time left in days (80 % interval), source and share of the run that is over."""

    low_d: float
    middle_d: float
    high_d: float
    source_cm3_h: float
    used: float


class Bed(NamedTuple):
    """What is known beforehand of a bed and what feeds it."""

    gas: str
    boxes: int
    capacity_l: float | None
    zero_ppm: float
    limit_ppm: float


def slip(units: float, held: float) -> float:
    """Share of the inlet that passes a bed holding ``held`` (0-1) of its capacity."""
    return exp(-units * (1.0 - min(1.0, held)))


class _Grid(NamedTuple):
    """Over the time left: weight, mean source, mean length of the run."""

    left_h: list[float]
    weights: list[float]
    sources: list[float]
    totals_h: list[float]


def outlook(
    bed: Bed, run: Run, nights: Sequence[Night], past: Sequence[Run], in_use: float
) -> Outlook:
    """Days until ``limit_ppm`` at the present use; ``in_use`` is the share of time in the loop."""
    chosen = _chosen(nights)
    guess = _guess(bed, chosen)
    seen = [_Seen(bed, chosen, zero) for zero in _zeros(bed.zero_ppm)]
    grid = _Grid([], [], [], [])
    for step in range(STEPS):
        left_h = LEAST_H * (MOST_H / LEAST_H) ** (step / (STEPS - 1))
        then_h = [_then_h(run, night, left_h, guess) for night in chosen]
        weight = source = total = 0.0
        for total_h, share in _totals(run, left_h, guess):
            for units in UNITS:
                shape = [_above_fresh(units, t / total_h) for t in then_h]
                for view in seen:
                    g, likely = view.weigh(shape)
                    w = share * likely * _expected(bed, past, guess, g, total_h) * left_h / total_h
                    weight, source, total = weight + w, source + w * g, total + w * total_h
        grid.left_h.append(left_h)
        grid.weights.append(weight)
        grid.sources.append(source)
        grid.totals_h.append(total)
    flow = chosen[-1].cleaned_m3_h if chosen else USUAL_M3_H
    return _told(bed, run, grid, in_use, flow)


def _chosen(nights: Sequence[Night]) -> list[Night]:
    """The last fortnight, and a few evenly from before."""
    recent, old = list(nights[-RECENT_NIGHTS:]), list(nights[:-RECENT_NIGHTS])
    step = max(1, len(old) // OLD_NIGHTS)
    return old[::step] + recent


def _zeros(uncertainty_ppm: float) -> list[float]:
    if uncertainty_ppm <= 0:
        return [0.0]
    return [uncertainty_ppm * (2 * k / (ZEROS - 1) - 1) for k in range(ZEROS)]


def _guess(bed: Bed, nights: Sequence[Night]) -> float:
    """A source for turning doses into hours: gloves, and the cleanest nights if they tell."""
    usual, sigma = GLOVES_CM3_H[bed.gas]
    prior, weight = log(usual * bed.boxes), 1.0 / sigma**2
    cleanest = sorted(nights, key=lambda n: n.ppm * n.cleaned_m3_h)[: 1 + len(nights) // 4]
    if not cleanest:
        return exp(prior)
    night = cleanest[len(cleanest) // 2]
    unsure = (bed.zero_ppm / sqrt(3) + LEAST_ERROR_PPM) / max(night.ppm, LEAST_ERROR_PPM)
    told = 1.0 / (NIGHT_TO_NIGHT**2 + unsure**2)
    seen = log(max(night.ppm, LEAST_ERROR_PPM) * night.cleaned_m3_h)
    return exp((prior * weight + seen * told) / (weight + told))


def _totals(run: Run, left_h: float, source: float) -> list[tuple[float, float]]:
    """Length of the whole run in hours of background, with weights."""
    done_h = run.hours + run.dosed_cm3 / source
    if run.known:
        return [(left_h + done_h, 1.0)]
    totals = [left_h / (1.0 - share) for share in SHARES_OF_AGE]
    return [(max(total, left_h + done_h), 1.0 / len(totals)) for total in totals]


def _then_h(run: Run, night: Night, left_h: float, source: float) -> float:
    """Hours of background that were left on a night, if ``left_h`` are left now."""
    doses_h = (run.dosed_cm3 - night.dosed_cm3) / source
    return left_h + run.hours - night.run_h + doses_h


def _above_fresh(units: float, free: float) -> float:
    """ln of how much a bed with ``free`` of its capacity left shows above a fresh one."""
    return -log(-expm1(-units * min(1.0, free)))


class _Seen:
    """The nights under one zero error, ready to be held against many shapes."""

    def __init__(self, bed: Bed, nights: Sequence[Night], zero_ppm: float) -> None:
        usual, sigma = GLOVES_CM3_H[bed.gas]
        self._prior = log(usual * bed.boxes)
        self._prior_weight = 1.0 / sigma**2
        self._zero, self._nights = zero_ppm, nights
        self._floors = [k for k, n in enumerate(nights) if n.floored]
        above = [max(n.ppm - zero_ppm, 0.3 * LEAST_ERROR_PPM) for n in nights]
        self._logs = [log(x * n.cleaned_m3_h) for x, n in zip(above, nights, strict=True)]
        self._weights = [
            0.0 if n.floored else 1.0 / (NIGHT_TO_NIGHT**2 + (LEAST_ERROR_PPM / x) ** 2)
            for x, n in zip(above, nights, strict=True)
        ]
        # Density of what was read, not of its logarithm.
        self._constant = sum(
            0.5 * log(w) - log(x) for w, x in zip(self._weights, above, strict=True) if w
        )
        # A zero error above what was read would make the gas negative.
        short = (
            min(0.0, n.ppm - zero_ppm) / LEAST_ERROR_PPM for n in nights if not n.floored
        )  # fmt: skip
        self._constant -= sum(min(50.0, 0.5 * v * v) for v in short)

    def weigh(self, shape: Sequence[float]) -> tuple[float, float]:
        """Best source, cm³/h, and how likely the nights are under this shape."""
        top, weight = self._prior_weight * self._prior, self._prior_weight
        ys = [a - s for a, s in zip(self._logs, shape, strict=True)]
        for y, w in zip(ys, self._weights, strict=True):
            top += w * ALIKE * y
            weight += w * ALIKE
        mean = top / weight
        misfit = self._prior_weight * (self._prior - mean) ** 2
        misfit += ALIKE * sum(w * (y - mean) ** 2 for y, w in zip(ys, self._weights, strict=True))
        source = exp(mean)
        misfit += ALIKE * sum(self._over_floor(k, source * exp(shape[k])) for k in self._floors)
        likely = ALIKE * self._constant - 0.5 * misfit - 0.5 * log(weight)
        return source, exp(max(-600.0, min(600.0, likely)))

    def _over_floor(self, k: int, expected_cm3_h: float) -> float:
        """Squared distance of what a floored night should have shown above the floor."""
        night = self._nights[k]
        over = self._zero + expected_cm3_h / night.cleaned_m3_h - night.ppm
        return min(100.0, (max(0.0, over) / LEAST_ERROR_PPM) ** 2)


def _expected(bed: Bed, past: Sequence[Run], guess: float, source: float, total_h: float) -> float:
    """How well a whole run of this length fits past runs, or else the capacity."""
    if past:
        lengths = [log(r.hours + r.dosed_cm3 / guess) for r in past]
        middle = sum(lengths) / len(lengths)
        spread = sum((x - middle) ** 2 for x in lengths) / max(1, len(lengths) - 1)
        off = (log(total_h) - middle) / sqrt((RUN_TO_RUN**2 + spread) * (1 + 1 / len(lengths)))
    elif bed.capacity_l is not None:
        share, sigma = CAPACITY_SHARE[bed.gas]
        off = (log(total_h * source / 1000) - log(share * bed.capacity_l)) / sigma
    else:
        return 1.0
    return exp(-0.5 * off * off)


def _told(bed: Bed, run: Run, grid: _Grid, in_use: float, flow_m3_h: float) -> Outlook:
    """Quantiles of the time left, turned into days of the present use."""
    whole = sum(grid.weights)
    if whole <= 0.0:  # nothing fits: say what is usual, as wide as it gets
        grid = _Grid(grid.left_h, [1.0] * STEPS, [GLOVES_CM3_H[bed.gas][0]] * STEPS, grid.left_h)
        whole = float(STEPS)
    source, total_h = sum(grid.sources) / whole, sum(grid.totals_h) / whole
    done_h = run.hours + run.dosed_cm3 / source
    pace = max(0.01, in_use) * 24 * (done_h / run.hours if run.hours > 24 else 1.0)
    # The limit is passed a little before the last place is taken.
    over = min(0.999, source / (flow_m3_h * max(1e-3, bed.limit_ppm)))
    spare_h = -log1p(-over) * total_h / UNITS[1]
    left = [_quantile(grid, share * whole) for share in (LOW, MIDDLE, HIGH)]
    low_d, middle_d, high_d = (max(0.0, hours - spare_h) / pace for hours in left)
    return Outlook(low_d, middle_d, high_d, source, done_h / (done_h + left[1]))


def _quantile(grid: _Grid, wanted: float) -> float:
    """The time left below which ``wanted`` of the weight lies, between the grid's points."""
    ratio = log(MOST_H / LEAST_H) / (STEPS - 1)
    below = 0.0
    for hours, weight in zip(grid.left_h, grid.weights, strict=True):
        if below + weight >= wanted and weight > 0:
            return hours * exp(ratio * ((wanted - below) / weight - 0.5))
        below += weight
    return grid.left_h[-1]
