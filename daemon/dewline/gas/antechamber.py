"""Antechamber cycles: how clean after so many evacuations, and what a door then lets in."""

from __future__ import annotations

import math
from dataclasses import dataclass

from dewline.errors import OutOfRange
from dewline.gas.constants import fraction_ppm, not_negative, positive, pressure


@dataclass(frozen=True, slots=True)
class Cycle:
    """Evacuate to ``low_pa``, refill to ``high_pa`` (both absolute) with gas of ``refill_ppm``."""

    low_pa: float
    high_pa: float
    refill_ppm: float = 0.0

    @property
    def share(self) -> float:
        """What one cycle leaves of the gas before it; OutOfRange unless 0 < low < high."""
        low_pa = pressure("low pressure", self.low_pa)
        if not low_pa < pressure("high pressure", self.high_pa):
            raise OutOfRange(
                f"low pressure is {low_pa / 100:g} mbar absolute; allowed is below the refill "
                f"pressure, {self.high_pa / 100:g} mbar"
            )
        fraction_ppm("refill gas", self.refill_ppm)
        return low_pa / self.high_pa


def residual_ppm(start_ppm: float, cycle: Cycle, cycles: int) -> float:
    """Gas left, ppm, after so many equal cycles at constant temperature.

    Derived: C_n = C_refill + (C_0 - C_refill) (p_low/p_high)^n. For gases only:
    adsorbed water leaves over hours, so for moisture time under vacuum counts,
    not this. With a dial gauge put its upper end in: ± 1 % of 30 inHg is ± 10 mbar.
    """
    fraction_ppm("start", start_ppm)
    if cycles < 0:
        raise OutOfRange(f"{cycles} cycles; allowed is 0 or more")
    return cycle.refill_ppm + (start_ppm - cycle.refill_ppm) * cycle.share**cycles


def cycles_needed(start_ppm: float, target_ppm: float, cycle: Cycle) -> int | None:
    """The least number of cycles that leaves ``target_ppm`` or less; None if never reached.

    Never reached is a target at or below the ppm of the refill gas. 0 if already there.
    """
    fraction_ppm("target", target_ppm)
    if fraction_ppm("start", start_ppm) <= target_ppm:
        return 0
    share = cycle.share
    if target_ppm <= cycle.refill_ppm:
        return None
    wanted = (target_ppm - cycle.refill_ppm) / (start_ppm - cycle.refill_ppm)
    cycles = max(1, math.floor(math.log(wanted) / math.log(share)))
    # The logarithm may be one rounding off on either side of a whole number.
    while residual_ppm(start_ppm, cycle, cycles) > target_ppm:
        cycles += 1
    return cycles


def absolute_pa(gauge_pa: float, barometer_pa: float, gauge_error_pa: float = 0.0) -> float:
    """Absolute pressure, Pa, of a gauge reading; the upper end where an error is given.

    ``barometer_pa`` is the station's own pressure, not reduced to sea level.
    A result of 0 or less means that gauge or barometer is wrong: OutOfRange,
    never clamped. -29 inHg is impossible at 1600 m.
    """
    pressure("barometer", barometer_pa)
    not_negative("gauge error", gauge_error_pa, "Pa")
    total_pa = barometer_pa + gauge_pa
    if not total_pa > 0:
        raise OutOfRange(
            f"a gauge of {gauge_pa / 100:.5g} mbar at a barometer of {barometer_pa / 100:.6g} mbar "
            f"is {total_pa / 100:.4g} mbar absolute, which cannot be; allowed is a gauge above "
            f"{-barometer_pa / 100:.6g} mbar: gauge or barometer is wrong"
        )
    return pressure("absolute pressure", total_pa + gauge_error_pa)


def dose_m3(residual_ppm: float, volume_m3: float) -> float:
    """Gas a chamber brings into the box when its inner door opens, m³ at box state."""
    return fraction_ppm("residual", residual_ppm) * 1e-6 * positive("volume", volume_m3, "m3")
