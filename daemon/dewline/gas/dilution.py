"""Purging by dilution: how many box volumes, and how long, for a well or badly mixed box."""

from __future__ import annotations

import math
from typing import Final

from dewline.gas.constants import fraction_ppm, not_negative, positive, share

PLUG_VOLUMES: Final = 1.0  # replaces all the gas if nothing mixes


def volumes_needed(
    start_ppm: float, target_ppm: float, inlet_ppm: float = 0.0, mixing: float = 1.0
) -> float | None:
    """Box volumes of purge gas from ``start_ppm`` down to ``target_ppm``; None if never reached.

    Derived for a well mixed box at constant pressure and temperature:
    N = ln[(C0 - Cin)/(C1 - Cin)] / K. The mixing factor K, 0 < K <= 1, is
    common practice without a source; 0.3-0.7 is usual. 0 if already there.
    """
    fraction_ppm("start", start_ppm)
    fraction_ppm("target", target_ppm)
    fraction_ppm("inlet", inlet_ppm)
    share("mixing", mixing)
    if start_ppm <= target_ppm:
        return 0.0
    if target_ppm <= inlet_ppm:
        return None
    return math.log((start_ppm - inlet_ppm) / (target_ppm - inlet_ppm)) / mixing


def purge_s(volumes: float, volume_m3: float, flow_m3_h: float) -> float:
    """Seconds that ``volumes`` take at a flow at box pressure and temperature."""
    not_negative("volumes", volumes, "")
    positive("volume", volume_m3, "m3")
    return volumes * volume_m3 / positive("flow", flow_m3_h, "m3/h") * 3600
