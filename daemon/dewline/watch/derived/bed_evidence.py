"""The evidence for the model of a bed, as likelihoods: idle nights, doses cleaned, past runs.

Times are hours of the bed in the loop, sources cm³/h at 0 °C and 1013.25 mbar.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, expm1, log, sqrt
from typing import Final, NamedTuple

# Two gloves, cm³/h at 0 °C, 1013.25 mbar, and how sure that is (sigma of the logarithm):
# a factor 2 for oxygen, 5 for water. Derived for butyl rubber at 23 °C and 50 %.
GLOVES_CM3_H: Final = {"oxygen": (1.7, 0.54), "moisture": (8.5, 1.0)}
# Share of a quoted capacity that holds at trace level: 30-60 % of oxygen, 10-30 %
# of water, more where it was quoted for trace level. Common practice, no source.
CAPACITY_SHARE: Final = {"oxygen": (0.5, 0.5), "moisture": (0.3, 0.8)}
RUN_TO_RUN: Final = 0.14
USUAL_RUNS: Final = 4.0
NIGHT_TO_NIGHT: Final = 0.1  # sigma of the logarithm of a source: weather and work
WEATHER_H: Final = 60.0  # how long weather lasts, and nights share it. Common practice, no source
LEAST_ERROR_PPM: Final = 0.012
FARTHEST: Final = 16.0  # a squared deviation counts at most as this
CLEANING_ERROR: Final = 0.08  # of a decay: door, mixing, flow; measured on simulated transfers
# Decay to a tenth with a fresh bed, in V/(eta Q), and sigma of its logarithm; ln 10 if ideal.
FRESH_TIMES: Final = (2.05, 0.4)
FRESH_KNOWN: Final = 0.06  # the sigma once past runs have shown it
HIDDEN: Final = 0.24  # share of a longer decay that mixing and sensor hide; from the simulated box


class Night(NamedTuple):
    """An idle baseline: ``run_h`` of the bed in the loop, ``dosed_cm3`` of the run until then.

    ``floored``: the sensor showed its floor, so ``ppm`` is the most that the gas can have been.
    """

    run_h: float
    ppm: float
    cleaned_m3_h: float
    dosed_cm3: float
    floored: bool = False


class Cleaning(NamedTuple):
    """A dose of oxygen that the bed cleaned: ``times`` is its time to a tenth, in V/(eta Q)."""

    run_h: float
    dosed_cm3: float
    times: float


class PastRun(NamedTuple):
    """A run of a bed, over or going on. ``known``: the regeneration before it was seen."""

    hours: float
    dosed_cm3: float
    known: bool = True


class Bed(NamedTuple):
    """What is known of a bed, its boxes and their sensor beside the evidence of the present run.

    ``zero_ppm``: how far the sensor's zero may be off. ``zero_known``: the zero that an earlier
    run has shown, and its sigma, ppm. ``fresh_times``: decay to a tenth with this bed fresh, in
    V/(eta Q), from past runs.
    """

    gas: str
    boxes: int
    capacity_l: float | None
    zero_ppm: float
    limit_ppm: float
    fresh_times: float | None = None
    zero_known: tuple[float, float] | None = None


def glove_source(bed: Bed, nights: Sequence[Night], zero_ppm: float) -> float:
    """The steady source, cm³/h, by which doses are turned into hours.

    It is what gloves usually pass, corrected by the cleanest quarter of the nights as far as
    these stand out of the sensor's error.
    """
    usual, sigma = GLOVES_CM3_H[bed.gas]
    prior, weight = log(usual * bed.boxes), 1.0 / sigma**2
    cleanest = sorted(nights, key=lambda n: n.ppm * n.cleaned_m3_h)[: 1 + len(nights) // 4]
    if not cleanest:
        return exp(prior)
    night = cleanest[len(cleanest) // 2]
    above = max(night.ppm - zero_ppm, LEAST_ERROR_PPM)
    seen = 1.0 / (NIGHT_TO_NIGHT**2 + (LEAST_ERROR_PPM / above) ** 2)
    if night.floored:  # the source is at most this
        seen = 1.0
    return exp((prior * weight + log(above * night.cleaned_m3_h) * seen) / (weight + seen))


def above_fresh(units: float, free: float) -> float:
    """ln of the level behind a bed with the share ``free`` left, over that with a fresh bed.

    ``units``: transfer units of the bed.
    """
    return -log(-expm1(-units * min(1.0, free)))


def slower(units: float, free: float) -> float:
    """ln of the time in which a dose decays, over that with a fresh bed.

    In a well-mixed box it would be ``above_fresh``; dead corners and the sensor hide a little.
    """
    longer = above_fresh(units, free)
    return log(exp(longer) - HIDDEN * longer)


class NightEvidence:
    """The nights under one zero error, prepared so that many shapes can be compared with them.

    The source varies with the weather: a first-order process with a memory of ``WEATHER_H``,
    read with the sensor's noise. Whitened by its Kalman filter (Kalman, J. Basic Eng. 82 (1960)
    35, from memory), each night counts for what it adds to the one before.
    """

    def __init__(self, bed: Bed, nights: Sequence[Night], zero_ppm: float, weight: float) -> None:
        usual, sigma = GLOVES_CM3_H[bed.gas]
        self._prior = log(usual * bed.boxes)
        self._prior_weight = 1.0 / sigma**2
        self.guess = glove_source(bed, nights, zero_ppm)
        self.zero, self._nights = zero_ppm, nights
        self._floors = [k for k, n in enumerate(nights) if n.floored]
        self._kept = [k for k, n in enumerate(nights) if not n.floored]
        kept = [nights[k] for k in self._kept]
        above = [max(n.ppm - zero_ppm, 0.3 * LEAST_ERROR_PPM) for n in kept]
        self._logs = [log(x * n.cleaned_m3_h) for x, n in zip(above, kept, strict=True)]
        self._filter = weather_filter(
            [n.run_h for n in kept], [(LEAST_ERROR_PPM / x) ** 2 for x in above]
        )
        self._ones = whitened([1.0] * len(kept), self._filter)
        # The density of the readings themselves, not of their logarithms.
        self._constant = log(weight) + sum(
            log(scale / x) for (_, _, scale), x in zip(self._filter, above, strict=True)
        )
        # A zero error above what was read would make the gas negative.
        short = (min(0.0, n.ppm - zero_ppm) / LEAST_ERROR_PPM for n in kept)
        self._constant -= sum(min(50.0, 0.5 * v * v) for v in short)
        self._informed = self._prior_weight + sum(a * a for a in self._ones)

    def weigh(self, shape: Sequence[float]) -> tuple[float, float]:
        """The source that fits best, cm³/h, and how likely the nights are with it.

        ``shape``: of each night ln of its level over that with a fresh bed.
        """
        b = whitened(
            [y - shape[k] for y, k in zip(self._logs, self._kept, strict=True)], self._filter
        )
        top = self._prior_weight * self._prior
        mean = (top + sum(a * v for a, v in zip(self._ones, b, strict=True))) / self._informed
        misfit = self._prior_weight * (self._prior - mean) ** 2
        off = (v - a * mean for a, v in zip(self._ones, b, strict=True))
        misfit += sum(min(FARTHEST, v * v) for v in off)
        source = exp(mean)
        misfit += sum(self._over_floor(k, source * exp(shape[k])) for k in self._floors)
        likely = self._constant - 0.5 * misfit - 0.5 * log(self._informed)
        return source, exp(max(-600.0, min(600.0, likely)))

    def _over_floor(self, k: int, expected_cm3_h: float) -> float:
        """Squared deviation of a floored night: what it should have shown above the floor."""
        night = self._nights[k]
        over = self.zero + expected_cm3_h / night.cleaned_m3_h - night.ppm
        return min(100.0, (max(0.0, over) / LEAST_ERROR_PPM) ** 2)


def weather_filter(
    hours: Sequence[float], noise: Sequence[float]
) -> list[tuple[float, float, float]]:
    """The Kalman filter of the weather for readings at these ``hours``.

    Of each reading: the share of the last weather that is left, the gain, and 1 / sigma of what
    it adds. ``noise``: variance of the logarithm of each reading that comes from the sensor.
    """
    out = []
    variance, last_h = NIGHT_TO_NIGHT**2, hours[0] if hours else 0.0
    for hour, r in zip(hours, noise, strict=True):
        keep = exp(-max(0.0, hour - last_h) / WEATHER_H)
        ahead = keep * keep * variance + NIGHT_TO_NIGHT**2 * (1.0 - keep * keep)
        gain = ahead / (ahead + r)
        out.append((keep, gain, 1.0 / sqrt(ahead + r)))
        variance, last_h = (1.0 - gain) * ahead, hour
    return out


def whitened(values: Sequence[float], through: Sequence[tuple[float, float, float]]) -> list[float]:
    """What each value adds to those before it, in standard deviations."""
    state, out = 0.0, []
    for value, (keep, gain, scale) in zip(values, through, strict=True):
        state *= keep
        news = value - state
        state += gain * news
        out.append(news * scale)
    return out


class DoseEvidence:
    """Doses that the bed cleaned, prepared so that many shapes can be compared with them."""

    def __init__(self, bed: Bed, doses: Sequence[Cleaning]) -> None:
        self.doses = doses
        usual, sigma = FRESH_TIMES
        self._fresh = log(bed.fresh_times or usual)
        self._weight = 1.0 / (FRESH_KNOWN if bed.fresh_times else sigma) ** 2
        self._each = 1.0 / CLEANING_ERROR**2
        self._logs = [log(d.times) for d in doses]

    def weigh(self, shape: Sequence[float]) -> float:
        """How likely the decays are, if each is longer than with a fresh bed by exp(shape).

        The decay with a fresh bed is itself known only as well as past runs have shown it.
        """
        if not self.doses:
            return 1.0
        off = [y - s - self._fresh for y, s in zip(self._logs, shape, strict=True)]
        mean = self._each * sum(off) / (self._weight + self._each * len(off))
        misfit = self._weight * mean * mean
        misfit += sum(min(FARTHEST, self._each * (v - mean) ** 2) for v in off)
        return exp(-0.5 * min(1200.0, misfit))


class RunEvidence:
    """The lengths of past runs, in hours of one steady source."""

    def __init__(self, past: Sequence[PastRun], source: float) -> None:
        lengths = [log(r.hours + r.dosed_cm3 / source) for r in past]
        count = len(lengths)
        self._middle = sum(lengths) / max(1, count)
        spread = sum((x - self._middle) ** 2 for x in lengths)
        # A few runs show little of their spread, so the usual spread counts as ``USUAL_RUNS``.
        variance = (USUAL_RUNS * RUN_TO_RUN**2 + spread) / (USUAL_RUNS + max(0, count - 1))
        self._sigma = sqrt(variance * (1 + 1 / count)) if count else 0.0

    def expected(self, bed: Bed, source: float, total_h: float) -> float:
        """How likely a whole run of this length is by past runs, or else by the capacity."""
        if self._sigma:
            off = (log(total_h) - self._middle) / self._sigma
        elif bed.capacity_l is not None:
            share, sigma = CAPACITY_SHARE[bed.gas]
            off = (log(total_h * source / 1000) - log(share * bed.capacity_l)) / sigma
        else:
            return 1.0
        return exp(-0.5 * off * off)
