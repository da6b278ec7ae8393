"""Gas that comes through glove rubber with no hole in it."""

from __future__ import annotations

from typing import Final

from dewline.gas.constants import (
    ATM_PA,
    ZERO_C_K,
    between,
    finite,
    not_negative,
    positive,
    pressure,
)
from dewline.gas.constants import temperature as gas_temperature

# 1 barrer = 1e-10 cm³(STP) cm / (cm² s cmHg), in m³(STP) m / (m² s Pa).
BARRER: Final = 1e-16 * 760 / ATM_PA * 10
# Butyl rubber near 25-38 °C, low and high, from memory (Polymer Handbook; Peacock 1980).
BUTYL_OXYGEN_BARRER: Final = (1.3, 1.7)
BUTYL_WATER_BARRER: Final = (40.0, 200.0)


def permeation_cm3_h(
    barrer: float, area_m2: float, thickness_m: float, difference_pa: float
) -> float:
    """Steady flow through a sheet, cm³/h at 0 °C, 1013.25 mbar: q = P A dp / l.

    The sum is exact, the answer is not: a factor 2 for oxygen and 5 for water,
    and it follows the room's humidity hours late (l²/6D: 1-7 h for 0.4 mm).
    """
    between("permeability", barrer, 1e-6, 1e6, "barrer")
    positive("area", area_m2, "m2")
    between("thickness", thickness_m * 1e3, 0.01, 100.0, "mm")
    not_negative("partial pressure difference", difference_pa, "Pa")
    return barrer * BARRER * area_m2 * difference_pa / thickness_m * 1e6 * 3600


def rise_ppm_h(flow_cm3_h: float, volume_m3: float, gas_k: float, pressure_pa: float) -> float:
    """How fast that fills an isolated box, ppm/h; flow at 0 °C, 1013.25 mbar.

    Right for oxygen. For water the walls take most of it: 30 % shows after
    15 min, 15 % after an hour (derived, linear walls).
    """
    at_box_cm3_h = (
        finite("flow", flow_cm3_h, "cm3/h") * gas_temperature("gas temperature", gas_k) / ZERO_C_K
        * ATM_PA / pressure("pressure", pressure_pa)
    )  # fmt: skip
    return at_box_cm3_h / positive("volume", volume_m3, "m3")
