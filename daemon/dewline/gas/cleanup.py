"""A box in its loop: where ppm settles, how fast it gets there, and what source a level means.

V dC/dt = L (C_air - C) + G - eta Q (C - C_out), well mixed. 1 ppm x 1 m³/h is 1 cm³/h.
Walls, dead corners and sensor lag are not in it: oxygen reaches 1 ppm about
twice as late as this says, water an order of magnitude later or more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewline.errors import OutOfRange
from dewline.gas.constants import (
    DRY_AIR_OXYGEN_PPM,
    between,
    finite,
    fraction_ppm,
    not_negative,
    positive,
)


@dataclass(frozen=True, slots=True)
class Balance:
    """The level a box settles at, and its time constant."""

    steady_ppm: float
    time_constant_s: float

    def time_to_s(self, start_ppm: float, target_ppm: float) -> float | None:
        """Seconds from ``start_ppm`` down to ``target_ppm``; 0 if there, None if never.

        tau ln[(C0 - C_ss)/(C1 - C_ss)], derived.
        """
        fraction_ppm("start", start_ppm)
        fraction_ppm("target", target_ppm)
        if start_ppm <= target_ppm:
            return 0.0
        if target_ppm <= self.steady_ppm:
            return None
        falls = (start_ppm - self.steady_ppm) / (target_ppm - self.steady_ppm)
        return self.time_constant_s * math.log(falls)


def balance(
    *,
    volume_m3: float,
    flow_m3_h: float,
    efficiency: float,
    leak_per_h: float,
    source_cm3_h: float,
    outlet_ppm: float = 0.0,
    air_ppm: float = DRY_AIR_OXYGEN_PPM,
) -> Balance:
    """Steady state and time constant of a circulated box; derived.

    ``leak_per_h`` is air ingress in box volumes per hour (a box at positive
    pressure loses gas through a hole instead: 0). ``source_cm3_h`` is what
    permeates and desorbs, at box state. ``efficiency`` 0-1 of the bed.
    """
    positive("volume", volume_m3, "m3")
    not_negative("flow", flow_m3_h, "m3/h")
    between("efficiency", efficiency, 0.0, 1.0, "")
    not_negative("leak rate", leak_per_h, "/h")
    not_negative("source", source_cm3_h, "cm3/h")
    fraction_ppm("bed outlet", outlet_ppm)
    fraction_ppm("air", air_ppm)
    leak_m3_h = leak_per_h * volume_m3
    cleaned_m3_h = efficiency * flow_m3_h
    if leak_m3_h + cleaned_m3_h == 0:
        raise OutOfRange(
            "with no flow through the bed and no leak nothing settles; "
            "allowed is flow x efficiency or leak rate above 0"
        )
    inflow_cm3_h = leak_m3_h * air_ppm + source_cm3_h + cleaned_m3_h * outlet_ppm
    total_m3_h = leak_m3_h + cleaned_m3_h
    return Balance(inflow_cm3_h / total_m3_h, volume_m3 / total_m3_h * 3600)


def source_isolated_cm3_h(slope_ppm_h: float, volume_m3: float) -> float:
    """The source, cm³/h at box state, behind a rise with the loop stopped; derived.

    For oxygen. Walls hide most of a water source from this.
    """
    finite("slope", slope_ppm_h, "ppm/h")
    return slope_ppm_h * positive("volume", volume_m3, "m3")
