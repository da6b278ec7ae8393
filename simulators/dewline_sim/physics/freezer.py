"""A freezer in the box: a compressor with hysteresis, a lid, and ice on its walls."""

from __future__ import annotations

import math
from typing import Final

from dewline_sim.physics.mixture import H2O, ZERO_C, Mixture, R, vapour_pressure_pa
from dewline_sim.physics.spec import FreezerSpec

_LID_OPEN: Final = 6.0  # heat and vapour pass this much faster


class Freezer:
    """Temperatures in degC; ``ice_mol`` is water frozen on its walls."""

    def __init__(self, spec: FreezerSpec) -> None:
        self.spec = spec
        self.temperature_c = spec.setpoint_c
        self.compressor = False
        self.lid_open = False
        self.broken = False
        self.weakness = 0.0  # 0 sound, 1 no cooling at all
        self.ice_mol = 0.0
        self._rate = 0.0  # mol/s into the box

    def update(self, dt: float, around_c: float, powered: bool) -> None:
        """Switch the compressor and move the temperature on by ``dt`` s.

        It warms towards ``around_c`` (degC) with its own time constant, faster with
        the lid open, and cools at a steady rate while the compressor runs.
        """
        spec = self.spec
        half = spec.hysteresis_k / 2.0
        if self.broken or not powered:
            self.compressor = False
        elif self.temperature_c > spec.setpoint_c + half:
            self.compressor = True
        elif self.temperature_c < spec.setpoint_c - half:
            self.compressor = False
        pace = dt / (spec.warm_up_h * 3600.0) * (_LID_OPEN if self.lid_open else 1.0)
        self.temperature_c += (around_c - self.temperature_c) * -math.expm1(-pace)
        if self.compressor:
            self.temperature_c -= spec.pull_down_k_h * (1.0 - self.weakness) * dt / 3600.0

    def set_rate(self, zone: Mixture, zone_mol: float, density: float) -> None:
        """Set the rate of the coming seconds: gas that leaves is in equilibrium with the ice."""
        flow = self.spec.ice_m3_h / 3600.0 * (_LID_OPEN if self.lid_open else 1.0)
        over_ice = vapour_pressure_pa(self.temperature_c) / (R * (self.temperature_c + ZERO_C))
        rate = flow * (over_ice - zone[H2O] / zone_mol * density)
        self._rate = rate if self.ice_mol > 0.0 or rate < 0.0 else 0.0

    def exchange(self, zone: Mixture, dt: float) -> None:
        """Let ice evaporate into the zone, or vapour freeze, for ``dt`` s."""
        if self._rate == 0.0:
            return
        moved = max(-zone[H2O], min(self._rate * dt, self.ice_mol))
        self.ice_mol -= moved
        zone[H2O] += moved
