"""Hands in gloves: volumes pushed in and pulled out, as a polyline of (time, volume) points.

Arms of 5-10 L go in over a second or two, work, and come out with a pull. How
often and how far is common practice, no source.
"""

from __future__ import annotations

import random
from typing import Literal

Pattern = Literal["none", "work", "day", "withdrawals"]


class Hands:
    """Displacement of all gloves of a box in litres: positive pushed in, negative pulled out.

    ``pattern``: ``none``; ``work``, a bout after every rest; ``day``, the same from
    9 to 12 and 14 to 17 h local time; ``withdrawals``, only the pull at the end.
    ``inside`` while arms are in the gloves.
    """

    def __init__(self, chance: random.Random) -> None:
        self._chance = chance
        self.pattern: Pattern = "none"
        self.arms_l = 8.0
        self.pull_l = 4.0
        self.rest_s = 1200.0
        self.stay_s = 600.0
        self.inside = False
        self._points: list[tuple[float, float]] = []  # to come: (s, litres)
        self._last = (0.0, 0.0)

    def plan(
        self, pattern: Pattern, now_s: float, *, arms_l: float, pull_l: float,
        rest_s: float, stay_s: float,
    ) -> None:  # fmt: skip
        """Begin another pattern; what was under way ends within 2 s.

        ``arms_l`` is what arms displace, ``pull_l`` what gloves pulled out take
        away; ``rest_s`` and ``stay_s`` are mean lengths of pauses and bouts.
        """
        self.pattern = pattern
        self.arms_l, self.pull_l, self.rest_s, self.stay_s = arms_l, pull_l, rest_s, stay_s
        self._last = (now_s, self.litres(now_s, 12.0))
        self._points = [(now_s + 2.0, 0.0)]

    def litres(self, now_s: float, hour: float) -> float:
        """Displacement now, in litres; a line between the points laid out.

        ``hour`` of the local day decides whether people are at work.
        """
        while self._points and self._points[0][0] <= now_s:
            self._last = self._points.pop(0)
            if not self._points:
                self.inside = False
        if not self._points:
            if self.pattern == "none":
                return self._last[1]
            self._next(hour)
        end_s, end = self._points[0]
        start_s, start = self._last
        return start + (end - start) * (now_s - start_s) / (end_s - start_s)

    def _next(self, hour: float) -> None:
        """Lay out the next bout, or an hour's quarter of nothing outside working hours."""
        last_s = self._last[0]  # not the time of asking: the step must not matter
        if self.pattern == "day" and not (9.0 <= hour < 12.0 or 14.0 <= hour < 17.0):
            self._points = [(last_s + 60.0, 0.0)]
            return
        rest = self._chance.uniform(0.3, 1.7) * self.rest_s
        at = last_s + max(2.0, rest)
        self._points = [(at, 0.0)]
        if self.pattern == "withdrawals":
            self._pull(at)
        else:
            self._work(at)

    def _work(self, at: float) -> None:
        chance = self._chance
        arms = self.arms_l * chance.uniform(0.6, 1.1)
        at += chance.uniform(1.0, 2.5)
        self._points.append((at, arms))
        end = at + self.stay_s * chance.uniform(0.3, 1.7)
        while at < end:
            at += chance.uniform(1.5, 6.0)
            self._points.append((at, arms + chance.gauss(0.0, 0.08) * self.arms_l))
        self._pull(at)
        self.inside = True

    def _pull(self, at: float) -> None:
        """Pull the gloves out, hold them there for a few seconds, let go."""
        pull = self.pull_l * self._chance.uniform(0.6, 1.2)
        out = at + self._chance.uniform(1.0, 2.0)
        back = out + self._chance.uniform(4.0, 10.0)
        self._points += [(out, -pull), (back, -pull), (back + 2.0, 0.0)]
