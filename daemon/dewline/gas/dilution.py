"""Purging by dilution: mixed, imperfectly mixed, plug flow, and tanks in series between them."""

from __future__ import annotations

import math
from typing import Final

from dewline.errors import OutOfRange
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


def after_volumes_ppm(
    start_ppm: float, volumes: float, inlet_ppm: float = 0.0, mixing: float = 1.0
) -> float:
    """What is left, ppm, after so many box volumes; the inverse of ``volumes_needed``."""
    fraction_ppm("start", start_ppm)
    fraction_ppm("inlet", inlet_ppm)
    not_negative("volumes", volumes, "")
    return inlet_ppm + (start_ppm - inlet_ppm) * math.exp(-share("mixing", mixing) * volumes)


def purge_s(volumes: float, volume_m3: float, flow_m3_h: float) -> float:
    """Seconds that ``volumes`` take at a flow at box pressure and temperature."""
    not_negative("volumes", volumes, "")
    positive("volume", volume_m3, "m3")
    return volumes * volume_m3 / positive("flow", flow_m3_h, "m3/h") * 3600


def tanks_in_series_share(tanks: int, volumes: float) -> float:
    """Share left after ``volumes`` through n equal mixed tanks; n = 1 mixed, n large: plug flow.

    Derived: exp(-n v) sum over k < n of (n v)^k / k!. Relative error below 1e-11
    down to 1e-300; 1 to 1000 tanks.
    """
    if not 1 <= tanks <= 1000:
        raise OutOfRange(f"{tanks} tanks; allowed is 1 to 1000")
    filled = tanks * not_negative("volumes", volumes, "")
    if filled == 0:
        return 1.0
    log_filled = math.log(filled)
    return math.fsum(math.exp(k * log_filled - math.lgamma(k + 1) - filled) for k in range(tanks))
