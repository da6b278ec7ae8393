"""Nitrogen let into an argon box: estimated, because nothing measures or removes it.

Air that comes in brings 3.7 times its oxygen in nitrogen. Gloves pass about as much nitrogen as
oxygen: it permeates more slowly, but there is more of it. An oxygen source does not show which of
the two it is, so the estimate is an interval. Oxygen is counted once: by the balance of each
minute, or as a dose where that balance was not known, from its beginning on.
"""

from __future__ import annotations

from typing import TypedDict

from dewline.gas.constants import DRY_AIR_OXYGEN_PPM
from dewline.watch.ledgers.impulse import Impulse
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts

NITROGEN_TO_OXYGEN = (1e6 - 9_340.0 - DRY_AIR_OXYGEN_PPM) / DRY_AIR_OXYGEN_PPM  # argon 0.934 %
# Permeability of butyl for nitrogen over that for oxygen; from memory (Peacock 1980).
GLOVES_NITROGEN = 0.32 / 1.3 * NITROGEN_TO_OXYGEN
GLOVES_OXYGEN_ML_H = 1.7
# Of flow, bed efficiency and the analyzer's span together; common practice, no source.
SCALE_UNSURE = 0.1
SO_FAR_UNSURE = 0.25  # and of the sensor's lag, as long as a dose goes on
LATE_MS = 20 * 60_000  # a minute has the source of ten minutes that ended up to ten minutes ago


class NitrogenRange(TypedDict):
    """The estimate, and the watch time of the end of the last purge; None: none was seen."""

    low_ppm: float
    high_ppm: float
    since_ms: int | None


class Nitrogen(Kept):
    """One argon box; amounts in mL at 0 °C, 1013.25 mbar. ``since_ms``: end of the last purge.

    ``_calm_ml``: the low estimate when the last impulse began; ``_floor_ml``: the same with the
    doses that came since, which is as true. ``_late_ml``: the most of a dose that the minutes are
    to hold, but may not before ``_late_ms``.
    """

    _low_ml: float = 0.0
    _high_ml: float = 0.0
    _calm_ml: float = 0.0
    _floor_ml: float = 0.0
    _late_ml: float = 0.0
    _late_ms: int = 0
    _purging: bool = False
    since_ms: int | None = None

    def __init__(self, facts: BoxFacts) -> None:
        self._facts = facts

    def minute(
        self, at_ms: int, source_ml_h: float | None, unsure_ml_h: float, *, calm: bool
    ) -> None:
        """Add a minute of the oxygen source, with its uncertainty; None: what gloves usually pass.

        The low estimate takes as much of the source for gloves as they usually pass, the high
        one takes all of it for air. ``calm``: no impulse goes on.
        """
        purging = self._facts.in_modes("purging")
        if self._purging and not purging:
            self._low_ml = self._high_ml = self._floor_ml = self._late_ml = 0.0
            self.since_ms = at_ms
        self._purging = purging
        source = GLOVES_OXYGEN_ML_H if source_ml_h is None else max(0.0, source_ml_h)
        low = max(0.0, (1 - SCALE_UNSURE) * source - unsure_ml_h)
        high = max(GLOVES_OXYGEN_ML_H, (1 + SCALE_UNSURE) * source + unsure_ml_h)
        self._low_ml += min(low, GLOVES_OXYGEN_ML_H) / 60 * GLOVES_NITROGEN
        self._low_ml += max(0.0, low - 2 * GLOVES_OXYGEN_ML_H) / 60 * NITROGEN_TO_OXYGEN
        self._high_ml += high / 60 * NITROGEN_TO_OXYGEN
        self._late_ml = self._late_ml if at_ms < self._late_ms else 0.0
        if calm:
            self._calm_ml = self._least_ml

    @property
    def _least_ml(self) -> float:
        return max(self._low_ml, self._floor_ml)

    def add_dose(self, impulse: Impulse, first_ms: int, surely_ms: int) -> None:
        """Take an impulse of oxygen for air, as far as the minutes do not hold it already.

        The minutes hold nothing from before ``first_ms`` and everything since ``surely_ms``.
        """
        nitrogen = _of_dose(impulse)
        self._floor_ml = max(self._floor_ml, self._calm_ml + (1 - SCALE_UNSURE) * nitrogen)
        if impulse.ended_ms <= first_ms:
            self._low_ml += (1 - SCALE_UNSURE) * nitrogen
        if impulse.started_ms < surely_ms:
            self._high_ml += (1 + SCALE_UNSURE) * nitrogen
        else:
            self._late_ml += (1 + SCALE_UNSURE) * nitrogen
            self._late_ms = impulse.ended_ms + LATE_MS

    def status(self, so_far: Impulse | None) -> NitrogenRange:
        """The interval, in ppm of the box's gas. ``so_far``: the impulse that still goes on."""
        nitrogen = _of_dose(so_far)
        low_ml = max(self._least_ml, self._calm_ml + (1 - SO_FAR_UNSURE) * nitrogen)
        high_ml = self._high_ml + self._late_ml + (1 + SO_FAR_UNSURE) * nitrogen
        volume_ml = (self._facts.box.volume_m3 or 0.0) * 1e6 * self._facts.to_standard
        share = 1e6 / volume_ml if volume_ml else 0.0
        return {"low_ppm": low_ml * share, "high_ppm": high_ml * share, "since_ms": self.since_ms}


def _of_dose(impulse: Impulse | None) -> float:
    """The nitrogen, mL, that came with an impulse of oxygen if that was air."""
    if impulse is None or impulse.role != "oxygen":
        return 0.0
    return max(0.0, impulse.dose_cm3 or 0.0) * NITROGEN_TO_OXYGEN
