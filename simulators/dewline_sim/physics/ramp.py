"""A value that people and faults move, at once or along a straight line in time."""

from __future__ import annotations


class Ramp:
    """A number that is somewhere, or on its way to somewhere else. Times in s."""

    __slots__ = ("_end_s", "_from", "_start_s", "_to")

    def __init__(self, value: float) -> None:
        self._from = self._to = value
        self._start_s = self._end_s = 0.0

    def go(self, target: float, now_s: float, over_s: float = 0.0) -> None:
        """Start towards ``target``, arriving ``over_s`` later."""
        self._from = self.at(now_s)
        self._to = target
        self._start_s, self._end_s = now_s, now_s + over_s

    def at(self, now_s: float) -> float:
        """The value at a time in s."""
        if now_s >= self._end_s:
            return self._to
        share = (now_s - self._start_s) / (self._end_s - self._start_s)
        return self._from + (self._to - self._from) * share
