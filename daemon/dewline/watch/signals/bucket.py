"""Ten seconds of a signal at a time, complete, at the cost of one append a reading."""

from __future__ import annotations

from statistics import fmean
from typing import NamedTuple

from dewline.watch.signals.window import Window

BUCKET_MS = 10_000
LARGEST = 1e7  # beyond any ppm, mbar or m³/h: a larger number is no measurement


class Run(NamedTuple):
    """Good readings of a stretch [from, to), in order and taken as evenly spaced."""

    from_ms: int
    to_ms: int
    values: list[float]

    @property
    def mean(self) -> float:
        """Mean of the readings."""
        return fmean(self.values)

    @property
    def middle_ms(self) -> int:
        """The middle of the stretch."""
        return (self.from_ms + self.to_ms) // 2

    @property
    def hours(self) -> float:
        """Length of the stretch in hours."""
        return (self.to_ms - self.from_ms) / 3_600_000


class Bucket(Window):
    """Gathers the readings of 10 s; the first one after them closes it.

    It is a window of a signal, as a slope's is, so that a reading inside the signal's band costs
    one append. ``closed``: the run closed last, until it is fetched.
    """

    __slots__ = ("closed", "closes_at", "from_ms", "over_ms", "values")
    values: list[float]
    from_ms: int
    closes_at: int

    def __init__(self, over_ms: int = BUCKET_MS) -> None:
        self.over_ms = over_ms
        self.values = []
        self.from_ms = 0
        self.closes_at = 0
        self.closed: Run | None = None

    def add(self, at_ms: int, value: float) -> bool:
        """Take in a good reading; True when that closed a run.

        A run begins where the last one ended, or after a gap with its first reading.
        """
        closed = False
        if at_ms >= self.closes_at:
            closed = bool(self.values)
            if closed:
                self.closed = _run(self.from_ms, self.closes_at, self.values)
            self.values = []
            start_ms = at_ms // self.over_ms * self.over_ms
            follows = self.closes_at == start_ms and closed
            self.from_ms = start_ms if follows else at_ms
            self.closes_at = start_ms + self.over_ms
        self.values.append(value)
        return closed

    def fetch(self) -> Run | None:
        """The run closed last, once."""
        run, self.closed = self.closed, None
        return run

    def drain(self, at_ms: int) -> Run | None:
        """Take out what has gathered so far, because something happened within the ten seconds."""
        if not self.values or at_ms <= self.from_ms:
            return None
        run = _run(self.from_ms, at_ms, self.values)
        self.values, self.from_ms = [], at_ms
        return run

    def clear(self) -> None:
        """Start anew after a gap."""
        self.values = []
        self.from_ms = self.closes_at = 0
        self.closed = None


def _run(from_ms: int, to_ms: int, values: list[float]) -> Run | None:
    """A run of the readings that can be measurements; None where none of them can."""
    kept = [v for v in values if -LARGEST <= v <= LARGEST]
    return Run(from_ms, to_ms, kept) if kept else None
