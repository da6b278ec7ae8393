"""What every row shares: turns in pairs, places on the processor, spreads and lines."""

from __future__ import annotations

import contextlib
import os
import statistics
import sys
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

K = TypeVar("K", bound=Hashable)
T = TypeVar("T")
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
        """The middle one."""
        return statistics.median(self.values)

    def document(self) -> dict[str, Any]:
        """As JSON: median, ends and all values."""
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
        """As JSON, with its spreads."""
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
