"""The outlook's short cuts: cheaper than going through every curve, and no other answer."""

import math
import random
from collections.abc import Callable
from math import inf

import pytest

from dewline.watch.derived import forecast
from dewline.watch.derived.bed_evidence import FARTHEST, weather_filter, whitened
from dewline.watch_plan import Reaches, RulePlan
from tests.watch.conftest import Bench


def rise(seed: int) -> list[tuple[float, float]]:
    """24 readings of a bed of drawn end and pace, with noise; hours and ppm."""
    chance = random.Random(seed)
    end_h, pace_h, level = chance.uniform(0.5, 40), chance.uniform(1, 30), chance.uniform(0.1, 0.5)
    span_h = chance.uniform(2, 40)
    times = [-span_h * (1 - i / 23) for i in range(24)]
    return [
        (t, level / -math.expm1(-(end_h - t) / pace_h) * math.exp(chance.gauss(0, 0.03)))
        for t in times
    ]


@pytest.mark.parametrize("walls_h", [0.0, 0.6])
@pytest.mark.parametrize("seed", range(3))
def test_curves_that_fit_badly_move_no_quantile(
    monkeypatch: pytest.MonkeyPatch, walls_h: float, seed: int
) -> None:
    """The range is the same whether hopeless curves are given up early or held to their end."""
    points = rise(seed)
    early = forecast.spent_bed(points, 5.0, 0.2, walls_h)
    monkeypatch.setattr(forecast, "LESS_LIKELY", inf)
    every = forecast.spent_bed(points, 5.0, 0.2, walls_h)
    assert early.forecast == pytest.approx(every.forecast, rel=1e-9)
    assert early.misfit == pytest.approx(every.misfit, rel=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_curve_is_weighed_by_what_it_adds_to_the_weather(seed: int) -> None:
    """Level and likelihood of a curve are those of least squares on what is left, one by one."""
    points = rise(seed)
    curve = [0.01 * i for i in range(len(points))]
    weighed = forecast._AboveZero(points, 0.0).weigh(curve, -inf)
    assert weighed is not None
    logs = [math.log(ppm) for _, ppm in points]
    through = weather_filter(
        [t for t, _ in points], [(forecast.NOISE_PPM / ppm) ** 2 for _, ppm in points]
    )
    ones = whitened([1.0] * len(points), through)
    news = whitened([y - c for y, c in zip(logs, curve, strict=True)], through)
    level = sum(a * b for a, b in zip(ones, news, strict=True)) / sum(a * a for a in ones)
    off = [b - a * level for a, b in zip(ones, news, strict=True)]
    density = sum(math.log(scale) - y for (_, _, scale), y in zip(through, logs, strict=True))
    likely = density - 0.5 * sum(min(FARTHEST, x * x) for x in off)
    assert weighed == pytest.approx((likely, level), rel=1e-9)


@pytest.mark.parametrize("walls_h", [0.0, 0.6])
def test_curves_kept_for_the_same_times_give_the_same_answer(walls_h: float) -> None:
    """Whoever asked before with the same or other times, the answer is that of curves made anew."""
    looks = [rise(0), rise(1), [(t, ppm * 1.1) for t, ppm in rise(0)], rise(0)]
    kept = [forecast.spent_bed(points, 5.0, 0.2, walls_h) for points in looks]
    for points, answer in zip(looks, kept, strict=True):
        forecast._curves.cache_clear()
        assert forecast.spent_bed(points, 5.0, 0.2, walls_h) == answer


@pytest.mark.long
def test_a_window_without_gaps_makes_no_curve_twice(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Four hours full, each further median asks the outlook with the very same times."""
    b = bench(make_rule("soon", "oxygen", Reaches(10.0, 24 * 3_600_000)))
    hour_s, medians = 3600, 4

    def go(start_s: int, stop_s: int) -> None:
        for second in range(start_s, stop_s, 10):
            b.at(second, oxygen=2.0 + 0.3 * second / hour_s + second // 10 % 7 / 500)

    go(0, 4 * hour_s + 600)
    forecast._curves.cache_clear()
    go(4 * hour_s + 600, 4 * hour_s + 600 + medians * 240)
    asked = forecast._curves.cache_info()
    assert (asked.misses, asked.hits) == (1, medians - 1)
