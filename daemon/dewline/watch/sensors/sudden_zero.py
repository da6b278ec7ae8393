"""Oxygen that falls to zero at once, on a cell that burns solvent.

A hot zirconia cell burns solvent with the oxygen it should measure, and shows too little. Nobody
has to note the solvent: while a box is cleaned, its oxygen falls slowly, to a level that it has
had before, and its moisture falls too. Where solvent stands open, oxygen falls within minutes to
a floor that it has not had for days, and moisture does not fall.
All shares and times here are common practice, no source.
"""

from __future__ import annotations

from statistics import median
from typing import Final, NamedTuple

from dewline.watch.saved import Kept

DAY_MS: Final = 86_400_000
BEFORE, FALL, AFTER = 12, 10, 8  # minutes: steady, on the way down, at the floor
MEMORY_DAYS: Final = 7
LEAST_MINUTES: Final = 60  # minutes of steady levels seen before one can count as new
LEAST_USUAL_PPM: Final = 0.1  # a box cleaner than this may well show its floor
FLOOR_PPM: Final = 0.05
SUNK: Final = 0.3  # share of the lowest level of the days before
STEADY: Final = 1.5  # highest over lowest of the steady minutes
WATER_HELD: Final = 0.9  # share of the moisture before; cleaning lowers moisture too
RETURNED: Final = 0.5  # share of the level before the fall


class Minute(NamedTuple):
    """Levels in ppm; ``floored``: oxygen was at the floor of its sensor."""

    oxygen: float
    moisture: float
    floored: bool


class DayLow(NamedTuple):
    """The lowest steady oxygen of a day; ``day`` counts days of watch time."""

    day: int
    ppm: float


class SuddenZero(Kept):
    """One hot cell.

    ``from_ppm``: the level before it fell to zero; None while its reading is believed.
    """

    from_ppm: float | None = None
    _recent: list[Minute]
    _lowest: list[DayLow]
    _minutes: int = 0

    def __init__(self) -> None:
        self._recent = []
        self._lowest = []

    def minute(
        self, at_ms: int, oxygen: float | None, moisture: float | None, floored: bool
    ) -> None:
        """Take in a minute with the loop running and nothing purged or opened.

        Levels in ppm, None where unknown; ``floored``: oxygen is marked as low by its sensor.
        """
        if oxygen is None or moisture is None:
            return self.disturb()
        entry = Minute(oxygen, moisture, floored or oxygen <= FLOOR_PPM)
        self._recent = [*self._recent, entry][-(BEFORE + FALL + AFTER) :]
        after = self._recent[-AFTER:]
        if self.from_ppm is not None:
            if len(after) == AFTER and median(m.oxygen for m in after) > RETURNED * self.from_ppm:
                self.believe()
            return None
        if len(self._recent) == BEFORE + FALL + AFTER:
            self._compare(at_ms // DAY_MS, self._recent[:BEFORE], after)
        return None

    def disturb(self) -> None:
        """Something else moved the levels: do not compare across it. A doubt stays."""
        self._recent = []

    def believe(self) -> None:
        """End the doubt: the sensor has responded to a dose, or shows its old level again."""
        self.from_ppm, self._recent = None, []

    def _compare(self, day: int, before: list[Minute], after: list[Minute]) -> None:
        levels = [m.oxygen for m in before]
        level, water = median(levels), median(m.moisture for m in before)
        self._remember(day, level)
        usual = min(low.ppm for low in self._lowest)
        if (
            self._minutes >= LEAST_MINUTES
            and usual >= LEAST_USUAL_PPM
            and max(levels) <= STEADY * min(levels)
            and all(m.floored and m.oxygen <= SUNK * usual for m in after)
            and median(m.moisture for m in after) >= WATER_HELD * water
        ):
            self.from_ppm = level

    def _remember(self, day: int, level: float) -> None:
        self._minutes = min(LEAST_MINUTES, self._minutes + 1)
        if self._lowest and self._lowest[-1].day == day:
            self._lowest[-1] = DayLow(day, min(level, self._lowest[-1].ppm))
        else:
            kept = [low for low in self._lowest if day - low.day < MEMORY_DAYS]
            self._lowest = [*kept, DayLow(day, level)]
