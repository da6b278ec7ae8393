"""The one table: figures as they are printed, and where a second run is to be looked for."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

import scipy

from tests.bench.measured import Line, Spread

SURE = 0.999
"""Share of second runs whose ratio lies within; of two dozen ratios all do in 97 of 100 runs."""
HEAD = ("row", "what", "dewline", "beside it", "ratio", "aim", "holds")


def figure(value: float) -> str:
    """Three digits, thousands apart: 0.912, 12.4, 318 000."""
    if value == 0:
        return "0"
    size = abs(value)
    if size >= 1000:
        digits = len(str(round(size))) - 3
        return f"{round(value / 10**digits) * 10**digits:,}".replace(",", " ")
    return f"{value:.{0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3}f}"


def seen(values: Spread) -> str:
    """Median [least–most]."""
    ends = min(values.values), max(values.values)
    return _between(values, ends)


def expected(ratio: Spread) -> tuple[float, float]:
    """Where the median of a second run of as many pairs lies in 999 of 1000.

    Least and most of nine will not do: a second median falls outside them in 3 of 100, so that
    of two dozen ratios one does in every second run. Two medians of n logarithms with deviation s
    differ with a deviation of s √(π/n) (each has s √(π/2n): any text on order statistics, for
    large n and the normal law; of nine it is 0.98 of that); s is itself known from n only,
    hence Student's t. Ratios are taken to be positive.
    """
    if len(ratio.values) == 1:
        return ratio.median, ratio.median
    n = len(ratio.values)
    scatter = statistics.stdev(map(math.log, ratio.values)) * math.sqrt(math.pi / n)
    factor = math.exp(float(scipy.stats.t.ppf((1 + SURE) / 2, n - 1)) * scatter)
    return ratio.median / factor, ratio.median * factor


def foreseen(ratio: Spread) -> str:
    """Median [where a second one is expected]."""
    return _between(ratio, expected(ratio))


def _between(values: Spread, ends: tuple[float, float]) -> str:
    if len(values.values) == 1:
        return figure(values.median)
    return f"{figure(values.median)} [{figure(ends[0])}–{figure(ends[1])}]"


def cells(line: Line) -> tuple[str, ...]:
    """A line as texts."""
    return (
        line.row,
        line.what + (f" ({line.note})" if line.note else ""),
        "not measured" if line.dewline is None else seen(line.dewline),
        "; ".join(f"{b.name} {seen(b.spread)}" for b in line.beside) or "–",
        "; ".join(foreseen(b.ratio) for b in line.beside) or "–",
        line.aim or "–",
        {True: "yes", False: "**no**", None: "–"}[line.holds],
    )


def table(lines: Sequence[Line]) -> str:
    """All lines as one Markdown table."""
    rows = [HEAD, ("---",) * len(HEAD), *map(cells, lines)]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)
