"""A run held against the one before it: do its ratios lie within the spread that was printed?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tests.bench.measured import Line, Spread
from tests.bench.printed import expected, figure, foreseen


@dataclass(frozen=True, slots=True)
class Again:
    """How many ratios lie within, and each that does not, in words."""

    ratios: int
    outside: tuple[str, ...]

    def __str__(self) -> str:
        within = self.ratios - len(self.outside)
        said = f"{within} of {self.ratios} ratios lie within the spread that the run before printed"
        return said + (f"; outside it: {'; '.join(self.outside)}" if self.outside else "")


def again(before: Sequence[Line], now: Sequence[Line]) -> Again:
    """The medians of ``now`` in the spreads of ``before``, both as they are printed.

    What was measured once has no spread, and a line that says something else than before
    (another number of readings) is another line: both are left out.
    """
    old = {key: ratio for key, ratio in _ratios(before) if len(ratio.values) > 1}
    met = [(key, ratio, old[key]) for key, ratio in _ratios(now) if key in old]
    outside = [
        f"{row} {what} to {name}: {figure(ratio.median)}, was {foreseen(earlier)}"
        for (row, what, name), ratio, earlier in met
        if not _within(ratio.median, expected(earlier))
    ]
    return Again(len(met), tuple(outside))


def _ratios(lines: Sequence[Line]) -> Iterator[tuple[tuple[str, str, str], Spread]]:
    for line in lines:
        for other in line.beside:
            yield (line.row, line.what, other.name), other.ratio


def _within(median: float, ends: tuple[float, float]) -> bool:
    least, printed, most = (
        float(figure(value).replace(" ", "")) for value in (ends[0], median, ends[1])
    )
    return least <= printed <= most
