"""Leak rates from two readings of a pressure hold, and their classes.

Signs: gain is positive, loss negative. Gas loss (outward) and air ingress
(inward) are different things and never converted into each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from dewline.errors import OutOfRange
from dewline.gas.constants import (
    finite,
    not_negative,
    positive,
    pressure,
    temperature,
)

# ISO 10648-2:1994 upper limits of the hourly leak rate, per hour. FROM MEMORY, the standard
# itself was not seen; a rate may be said to lie within a limit, never to be certified.
CLASS_LIMITS_PER_H: Final = ((1, 5e-4), (2, 2.5e-3), (3, 1e-2), (4, 1e-1))


@dataclass(frozen=True, slots=True)
class HoldPoint:
    """One reading of a hold: gauge and barometer in Pa, gas temperature in K."""

    gauge_pa: float
    gas_k: float
    barometer_pa: float

    @property
    def absolute_pa(self) -> float:
        """Barometer plus gauge; OutOfRange where that is not above 0."""
        return pressure("barometer plus gauge", self.barometer_pa + self.gauge_pa)


@dataclass(frozen=True, slots=True)
class HoldRate:
    """What two readings of a hold say. Loss is negative."""

    raw_change_pa: float  # of the gauge alone
    change_pa: float  # of absolute pressure, at the first temperature and volume
    flow_pa_m3_s: float  # V dp/dt at the first temperature
    hourly_rate_per_h: float  # change of the amount of gas per amount at the start

    def resolved(self, resolution_pa: float) -> bool:
        """Whether the compensated change exceeds what the instruments can tell."""
        return abs(self.change_pa) > not_negative("resolution", resolution_pa, "Pa")


def pressure_hold(
    volume_m3: float,
    start: HoldPoint,
    end: HoldPoint,
    duration_s: float,
    compliance_m3_pa: float = 0.0,
) -> HoldRate:
    """Leak rate from two readings, compensated for temperature, barometer and giving walls.

    The amount of gas is p V / T with p = barometer + gauge and
    V = volume + compliance x (gauge change); hourly rate
    (p2 V2 T1 / (p1 V1 T2) - 1) / t. ISO 10648-2 section 5.2 has this form for
    a rigid wall (from memory). Exact for ideal gas; an unknown 0.1 K in 1 h
    imitates 3.4e-4 /h. With gloves on, leaving the compliance at 0 under-reads
    by 1.5 to 3 times.
    """
    positive("volume", volume_m3, "m3")
    positive("duration", duration_s, "s")
    not_negative("compliance", compliance_m3_pa, "m3/Pa")
    for point in (start, end):
        temperature("gas temperature", point.gas_k)
    raw_pa = end.gauge_pa - start.gauge_pa
    volume_ratio = positive("end volume", 1 + compliance_m3_pa * raw_pa / volume_m3, "of the start")
    first_pa = start.absolute_pa
    change_pa = end.absolute_pa * start.gas_k / end.gas_k * volume_ratio - first_pa
    return HoldRate(
        raw_change_pa=raw_pa,
        change_pa=change_pa,
        flow_pa_m3_s=volume_m3 * change_pa / duration_s,
        hourly_rate_per_h=change_pa / first_pa * 3600 / duration_s,
    )


def compliance_from_step(
    volume_m3: float, pressure_pa: float, added_m3: float, rise_pa: float
) -> float:
    """Compliance of gloves and windows, m³/Pa, from one known volume pressed in.

    Derived: C = added / rise - V/p, the added volume at box pressure, read
    after a minute so that the heat of compression is gone.
    """
    positive("added volume", added_m3, "m3")
    positive("pressure rise", rise_pa, "Pa")
    stiffness = positive("volume", volume_m3, "m3") / pressure("pressure", pressure_pa)
    if added_m3 / rise_pa < stiffness:
        raise OutOfRange(
            f"a rise of {rise_pa / 100:g} mbar; allowed is up to "
            f"{added_m3 / stiffness / 100:.3g} mbar, what a rigid {volume_m3:g} m3 box shows"
        )
    return added_m3 / rise_pa - stiffness


def iso_10648_2_class(hourly_rate_per_h: float) -> int | None:
    """The class within whose limit the magnitude of a rate lies, None beyond class 4.

    Limits of ISO 10648-2:1994 FROM MEMORY. Class 1 is too loose for a box that
    should hold 1 ppm: compare with the box's own best first.
    """
    rate = not_negative("hourly rate", abs(hourly_rate_per_h), "/h")
    if rate <= CLASS_LIMITS_PER_H[0][1]:
        return 1
    return next((n for n, limit in CLASS_LIMITS_PER_H if rate < limit), None)


def mbar_l_per_s(flow_pa_m3_s: float) -> float:
    """Pa m³/s in mbar L/s; exact."""
    return finite("flow", flow_pa_m3_s, "Pa m3/s") * 10
