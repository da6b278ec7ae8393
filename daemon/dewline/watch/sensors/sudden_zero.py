"""Oxygen that sinks to nothing at once on a cell that burns what it meets.

Solvent about takes oxygen from a hot zirconia cell's reading, and nobody has to tell the watch.
A box that is cleaned sinks slowly, its water with it, and to a level it has had before; one in
which solvent stands open drops within minutes to a floor it never had, and its water does not.
All shares and times here are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median
from typing import Any, Final

DAY_MS: Final = 86_400_000
BEFORE, FALL, AFTER = 12, 10, 8  # minutes: steady, on the way down, at the floor
MEMORY_DAYS: Final = 7
LEAST_MINUTES: Final = 60  # of quiet levels seen, before one can be new
LEAST_USUAL_PPM: Final = 0.1  # a box this clean may well show its floor
FLOOR_PPM: Final = 0.05
SUNK: Final = 0.3  # of the lowest level of the days before
STEADY: Final = 1.5  # highest of the steady minutes by the lowest
WATER_HELD: Final = 0.9  # of the water before: cleaning takes water along
RETURNED: Final = 0.5  # of the level before the fall


class Sunk:
    """One hot cell. ``from_ppm`` is where it stood before it sank, None while it is believed."""

    def __init__(self) -> None:
        self.from_ppm: float | None = None
        self._recent: list[tuple[float, float, bool]] = []  # oxygen, moisture ppm, at its floor
        self._lowest: list[tuple[int, float]] = []  # of each day, ppm
        self._minutes = 0

    def minute(
        self, at_ms: int, oxygen: float | None, moisture: float | None, floored: bool
    ) -> None:
        """A minute in the loop with nothing purged or opened. Levels in ppm."""
        if oxygen is None or moisture is None:
            return self.disturb()
        entry = (oxygen, moisture, floored or oxygen <= FLOOR_PPM)
        self._recent = [*self._recent, entry][-(BEFORE + FALL + AFTER) :]
        after = self._recent[-AFTER:]
        if self.from_ppm is not None:
            if len(after) == AFTER and median(o for o, _, _ in after) > RETURNED * self.from_ppm:
                self.believe()
            return None
        if len(self._recent) == BEFORE + FALL + AFTER:
            self._compare(at_ms // DAY_MS, self._recent[:BEFORE], after)
        return None

    def disturb(self) -> None:
        """What came before says nothing of what comes now; what is sunk stays so."""
        self._recent = []

    def believe(self) -> None:
        """It has answered, or shows what it did before."""
        self.from_ppm, self._recent = None, []

    def _compare(
        self,
        day: int,
        before: list[tuple[float, float, bool]],
        after: list[tuple[float, float, bool]],
    ) -> None:
        levels = [o for o, _, _ in before]
        level, water = median(levels), median(w for _, w, _ in before)
        self._remember(day, level)
        usual = min(low for _, low in self._lowest)
        if (
            self._minutes >= LEAST_MINUTES
            and usual >= LEAST_USUAL_PPM
            and max(levels) <= STEADY * min(levels)
            and all(floor and o <= SUNK * usual for o, _, floor in after)
            and median(w for _, w, _ in after) >= WATER_HELD * water
        ):
            self.from_ppm = level

    def _remember(self, day: int, level: float) -> None:
        self._minutes = min(LEAST_MINUTES, self._minutes + 1)
        if self._lowest and self._lowest[-1][0] == day:
            self._lowest[-1] = (day, min(level, self._lowest[-1][1]))
        else:
            kept = [(d, low) for d, low in self._lowest if day - d < MEMORY_DAYS]
            self._lowest = [*kept, (day, level)]

    def save(self) -> dict[str, Any]:
        return {
            "from_ppm": self.from_ppm,
            "recent": [list(entry) for entry in self._recent],
            "lowest": [list(entry) for entry in self._lowest],
            "minutes": self._minutes,
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self.from_ppm, self._minutes = state["from_ppm"], state["minutes"]
        self._recent = [(o, w, bool(f)) for o, w, f in state["recent"]]
        self._lowest = [(int(d), low) for d, low in state["lowest"]]
