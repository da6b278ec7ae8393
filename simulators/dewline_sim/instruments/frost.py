"""Frost point of trace water, for instruments that show it.

Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, eq. 7 (from memory):
vapour pressure over ice for T > 110 K.
"""

from __future__ import annotations

import math


def ice_pressure_pa(t_k: float) -> float:
    """Vapour pressure over ice, Pa, at ``t_k`` kelvin."""
    return math.exp(9.550426 - 5723.265 / t_k + 3.53068 * math.log(t_k) - 0.00728332 * t_k)


def frost_point_c(ppm: float, pressure_pa: float) -> float:
    """Frost point in °C of ``ppm`` by volume at a total pressure; at least -120 °C.

    Newton's method on ln p(T), which is nearly linear in 1/T.
    """
    wanted = math.log(max(ppm, 1e-6) * 1e-6 * pressure_pa)
    t_k = 220.0
    for _ in range(12):
        value = 9.550426 - 5723.265 / t_k + 3.53068 * math.log(t_k) - 0.00728332 * t_k
        slope = 5723.265 / t_k**2 + 3.53068 / t_k - 0.00728332
        step = (wanted - value) / slope
        t_k = max(150.0, t_k + step)
        if abs(step) < 1e-4:
            break
    return max(-120.0, t_k - 273.15)
