"""What every row shares: turns in pairs, places on the processor, spreads and the one table."""

from __future__ import annotations

import contextlib
import os
import statistics
import sys
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

K = TypeVar("K", bound=Hashable)
T = TypeVar("T")
# The median of a second run of nine falls outside the range of the first in 3 of 100, by chance.
PAIRS = 9
BY_TURNS = "DEWLINE_BENCH_BY_TURNS"
"""In the environment of a row whose pairs are called for, one by one, over its standard input."""
_CORES = sorted(os.sched_getaffinity(0))
NEAR, FAR = _CORES[0], _CORES[-1]
"""Cores: what is measured runs on NEAR; instruments, brokers, stores and listeners on FAR."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Figures of one kind; a single one is its own median."""

    values: tuple[float, ...]

    @property
    def median(self) -> float:
        return statistics.median(self.values)

    @property
    def said(self) -> tuple[str, str, str]:
        """Median, least and most, as they are printed."""
        median, least, most = map(_short, (self.median, min(self.values), max(self.values)))
        return median, least, most

    def __str__(self) -> str:
        median, least, most = self.said
        return median if len(self.values) == 1 else f"{median} [{least}–{most}]"

    def document(self) -> dict[str, Any]:
        ends = {"median": self.median, "min": min(self.values), "max": max(self.values)}
        return {**ends, "values": list(self.values)}


@dataclass(frozen=True, slots=True)
class Beside:
    """What a user would otherwise take; ``ratio`` is dewline to it, turn by turn."""

    name: str
    spread: Spread
    ratio: Spread


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table; ``holds`` is None where there is nothing to hold or no figure."""

    row: str
    what: str
    dewline: Spread | None
    beside: tuple[Beside, ...] = ()
    aim: str = ""
    holds: bool | None = None
    note: str = ""

    def document(self) -> dict[str, Any]:
        return {
            **{k: v for k, v in asdict(self).items() if k not in ("dewline", "beside")},
            "dewline": None if self.dewline is None else self.dewline.document(),
            "beside": [
                {"name": b.name, **b.spread.document(), "ratio": b.ratio.document()}
                for b in self.beside
            ],
        }


def spread(*values: float) -> Spread:
    """A spread of these figures; ValueError of none."""
    if not values:
        raise ValueError("a spread of no figures")
    return Spread(values)


def beside(name: str, dewline: Spread, other: Spread) -> Beside:
    """``other`` with the ratio of each pair; a figure that stands alone meets every turn."""
    if len(dewline.values) == len(other.values):
        pairs = list(zip(dewline.values, other.values, strict=True))
    elif len(other.values) == 1:
        pairs = [(value, other.median) for value in dewline.values]
    else:
        raise ValueError(f"{len(dewline.values)} turns cannot pair with {len(other.values)}")
    return Beside(name, other, Spread(tuple(a / b for a, b in pairs)))


def in_turn(sides: Mapping[K, Callable[[], T]], pairs: int = PAIRS) -> dict[K, list[T]]:
    """A B A B …: the sides in their order, ``pairs`` times over, other rows' pairs in between."""
    found: dict[K, list[T]] = {name: [] for name in sides}
    for _ in range(pairs):
        wait_for_turn()
        for name, side in sides.items():
            found[name].append(side())
    return found


def wait_for_turn() -> None:
    """Leave the machine to the other rows until this one is called; at once where it is alone.

    RuntimeError where nobody is left who could call.
    """
    if BY_TURNS in os.environ:
        print("ready", flush=True)
        if not sys.stdin.readline():
            raise RuntimeError("whoever calls the rows has gone")


@contextlib.contextmanager
def on_core(core: int) -> Iterator[None]:
    """This process, and what it starts meanwhile, on one core."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {core})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


def _short(value: float) -> str:
    """Three digits, thousands apart: 0.912, 12.4, 318 000."""
    if value == 0:
        return "0"
    size = abs(value)
    if size >= 1000:
        digits = len(str(round(size))) - 3
        return f"{round(value / 10**digits) * 10**digits:,}".replace(",", " ")
    return f"{value:.{0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3}f}"


def cores() -> tuple[int, ...]:
    """The cores that this machine lets us use."""
    return tuple(_CORES)


def from_document(document: Mapping[str, Any]) -> Line:
    """The line that ``Line.document`` wrote."""
    words = {name: document[name] for name in ("row", "what", "aim", "holds", "note")}
    own = document["dewline"] and Spread(tuple(document["dewline"]["values"]))
    others = tuple(
        Beside(b["name"], Spread(tuple(b["values"])), Spread(tuple(b["ratio"]["values"])))
        for b in document["beside"]
    )
    return Line(dewline=own, beside=others, **words)


HEAD = ("row", "what", "dewline", "beside it", "ratio", "aim", "holds")


def cells(line: Line) -> tuple[str, ...]:
    """A line as texts."""
    return (
        line.row,
        line.what + (f" ({line.note})" if line.note else ""),
        "not measured" if line.dewline is None else str(line.dewline),
        "; ".join(f"{b.name} {b.spread}" for b in line.beside) or "–",
        "; ".join(str(b.ratio) for b in line.beside) or "–",
        line.aim or "–",
        {True: "yes", False: "**no**", None: "–"}[line.holds],
    )


def table(lines: Sequence[Line]) -> str:
    """All lines as one Markdown table."""
    rows = [HEAD, ("---",) * len(HEAD), *map(cells, lines)]
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)
