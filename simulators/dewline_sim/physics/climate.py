"""The room and the weather outside the boxes."""

from __future__ import annotations

import math
import random

from dewline_sim.physics.mixture import AR, H2O, N2, O2, empty, vapour_pressure_pa
from dewline_sim.physics.ramp import Ramp
from dewline_sim.physics.spec import ClimateSpec

DRY_OXYGEN = 0.20946  # of dry air; handbook value, from memory
DRY_ARGON = 0.00934
_DAY_S = 86400.0
_YEAR_S = 365.2422 * _DAY_S


class Climate:
    """Temperature, vapour, barometer and oxygen of the room, refreshed every few seconds.

    ``air`` holds the mole fractions of room air. The absolute humidity follows
    the season and the weather, not the hour: the relative humidity therefore
    falls when the room warms up.
    """

    def __init__(self, spec: ClimateSpec, seed: int, epoch_s: float) -> None:
        chance = random.Random(f"{seed}/climate")
        self.spec = spec
        self._epoch_s = epoch_s
        self._waves = [
            (period_s, share, chance.uniform(0, 2 * math.pi))
            for period_s, share in ((31 * 3600.0, 0.25), (79 * 3600.0, 0.45), (151 * 3600.0, 0.3))
        ]
        self._damp = chance.uniform(0, 2 * math.pi)
        self.warmer_k = Ramp(0.0)
        self.damper_percent = Ramp(0.0)
        self.barometer_shift_mbar = Ramp(0.0)
        self.air_changes = Ramp(spec.air_changes_per_h)
        self.room_oxygen = DRY_OXYGEN
        self.temperature_c = spec.temperature_c
        self.barometer_pa = 100.0 * spec.barometer_mbar
        self.vapour_pa = 0.0
        self.air = empty()
        self.update(0.0, 0.0, 0.0)

    def local_hour(self, now_s: float) -> float:
        """Hour of the local day, 0-24."""
        return ((self._epoch_s + now_s) / 3600.0 + self.spec.utc_offset_h) % 24.0

    def update(self, now_s: float, passed_s: float, inert_m3: float) -> None:
        """Bring the room to ``now_s``, ``passed_s`` after the last time.

        ``inert_m3`` of inert gas got into it meanwhile. The day's warmest hour is
        15 h local time. The air never holds more than 98 % of saturation.
        """
        spec = self.spec
        angle = 2 * math.pi * (self.local_hour(now_s) - 15.0) / 24.0
        self.temperature_c = (
            spec.temperature_c + spec.daily_k * math.cos(angle) + self.warmer_k.at(now_s)
        )
        self.barometer_pa = 100.0 * self._barometer_mbar(now_s)
        mean_percent = self._humidity_percent(now_s)
        self.vapour_pa = min(
            mean_percent / 100.0 * vapour_pressure_pa(spec.temperature_c),
            0.98 * vapour_pressure_pa(self.temperature_c),
        )
        self._breathe(now_s, passed_s, inert_m3)
        self._mix_air()

    @property
    def humidity_percent(self) -> float:
        """Relative humidity at the room's present temperature."""
        return 100.0 * self.vapour_pa / vapour_pressure_pa(self.temperature_c)

    def _barometer_mbar(self, now_s: float) -> float:
        at_s = self._epoch_s + now_s
        swing = sum(
            share * math.sin(2 * math.pi * at_s / period_s + phase)
            for period_s, share, phase in self._waves
        )
        spec = self.spec
        return spec.barometer_mbar + spec.weather_mbar * swing + self.barometer_shift_mbar.at(now_s)

    def _humidity_percent(self, now_s: float) -> float:
        """Relative humidity at the mean temperature; most humid in late July."""
        spec, at_s = self.spec, self._epoch_s + now_s
        season = spec.season_percent * math.cos(2 * math.pi * (at_s / _YEAR_S - 0.56))
        weather = spec.weather_percent * math.sin(2 * math.pi * at_s / (53 * 3600.0) + self._damp)
        percent = spec.humidity_percent + season + weather + self.damper_percent.at(now_s)
        return min(98.0, max(2.0, percent))

    def _breathe(self, now_s: float, passed_s: float, inert_m3: float) -> None:
        """Dilute the room by inert gas and ventilate it (well mixed)."""
        self.room_oxygen *= math.exp(-inert_m3 / self.spec.room_m3)
        fresh = 1.0 - math.exp(-self.air_changes.at(now_s) * passed_s / 3600.0)
        self.room_oxygen += (DRY_OXYGEN - self.room_oxygen) * fresh

    def _mix_air(self) -> None:
        water = self.vapour_pa / self.barometer_pa
        dry = 1.0 - water
        argon = DRY_ARGON * self.room_oxygen / DRY_OXYGEN
        self.air[O2] = dry * self.room_oxygen
        self.air[H2O] = water
        self.air[AR] = dry * argon
        self.air[N2] = dry * (1.0 - self.room_oxygen - argon)
