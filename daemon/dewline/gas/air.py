"""Room air: how much oxygen and water come in with it."""

from __future__ import annotations

from dataclasses import dataclass

from dewline.gas.constants import ATM_PA, DRY_AIR_OXYGEN_PPM, ZERO_C_K, between
from dewline.gas.humidity import liquid_pressure_pa


@dataclass(frozen=True, slots=True)
class RoomAir:
    """Humid air by volume; ``ratio`` is oxygen to water."""

    oxygen_ppm: float
    water_ppm: float

    @property
    def ratio(self) -> float:
        """Oxygen per water, by volume."""
        return self.oxygen_ppm / self.water_ppm


def room_air(temperature_c: float, humidity_percent: float, pressure_pa: float = ATM_PA) -> RoomAir:
    """Air at 0-60 °C and a relative humidity above 0, up to 100 %, at an absolute pressure.

    Derived: saturation over liquid (IAPWS-IF97), dry air of 20.946 % oxygen
    diluted by the vapour. A hygrometer of ± 3 % moves the ratio by ± 6 % at 50 %.
    The ratio runs from 6 (30 °C, 80 %) to 45 (20 °C, 20 %); no fixed figure,
    20:1 least of all, tells a leak from a bed.
    """
    between("room temperature", temperature_c, 0.0, 60.0, "degC")
    between("relative humidity", humidity_percent, 0.1, 100.0, "%")
    vapour_pa = liquid_pressure_pa(temperature_c + ZERO_C_K) * humidity_percent / 100
    water_ppm = 1e6 * vapour_pa / between("pressure", pressure_pa, 5e4, 1.2e5, "Pa")
    return RoomAir(DRY_AIR_OXYGEN_PPM * (1 - water_ppm * 1e-6), water_ppm)
