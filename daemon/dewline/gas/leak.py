"""Leak rates from two readings: pressure hold, oxygen method, units, classes.

Signs: gain is positive, loss negative. Gas loss (outward) and air ingress
(inward) are different things and never converted into each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from dewline.errors import OutOfRange
from dewline.gas.constants import (
    ATM_PA,
    DRY_AIR_OXYGEN_PPM,
    GAS_CONSTANT,
    ZERO_C_K,
    finite,
    fraction_ppm,
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


def correction_share(volume_m3: float, pressure_pa: float, compliance_m3_pa: float) -> float:
    """How much of a rigid box's gauge response to temperature or barometer is left, 0-1.

    Derived: (V/p) / (V/p + C). A box of 1.2 m³ with taut gloves of 0.8 L/mbar
    shows 0.6 mbar for 1 mbar of barometer, not 1.
    """
    stiffness = positive("volume", volume_m3, "m3") / pressure("pressure", pressure_pa)
    return stiffness / (stiffness + not_negative("compliance", compliance_m3_pa, "m3/Pa"))


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


@dataclass(frozen=True, slots=True)
class OxygenRate:
    """Air ingress per box volume from two oxygen readings of an isolated box."""

    ppm_per_h: float
    linear_per_h: float
    exact_per_h: float
    end_ppm: float

    @property
    def per_h(self) -> float:
        """The linear form up to 1000 ppm, the exact one above."""
        return self.exact_per_h if self.end_ppm > 1000 else self.linear_per_h

    @property
    def resolved(self) -> bool:
        """A falling reading shows no ingress."""
        return self.ppm_per_h > 0


def oxygen_method(
    start_ppm: float, end_ppm: float, duration_s: float, air_ppm: float = DRY_AIR_OXYGEN_PPM
) -> OxygenRate:
    """Air ingress, box volumes per hour, from the rise of oxygen with the loop stopped.

    Derived: dC/dt = rate (C_air - C); linear rate dC/(t C_air), exact
    -ln[(C_air - C1)/(C_air - C0)]/t. Needs a box below ambient: above it a hole
    loses gas and this method does not see it. Includes glove permeation.
    """
    positive("duration", duration_s, "s")
    if not 0 < air_ppm <= 1e6:
        raise OutOfRange(f"oxygen of the air is {air_ppm:g} ppm; allowed is above 0 up to 1e6 ppm")
    for name, ppm in (("start", start_ppm), ("end", end_ppm)):
        if not fraction_ppm(f"{name} oxygen", ppm) < air_ppm:
            raise OutOfRange(f"{name} oxygen is {ppm:g} ppm; allowed is below air, {air_ppm:g} ppm")
    hours = duration_s / 3600
    rise_ppm_h = (end_ppm - start_ppm) / hours
    exact = -math.log1p(-(end_ppm - start_ppm) / (air_ppm - start_ppm)) / hours
    return OxygenRate(rise_ppm_h, rise_ppm_h / air_ppm, exact, end_ppm)


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


def torr_l_per_s(flow_pa_m3_s: float) -> float:
    """Pa m³/s in Torr L/s; exact (Torr = atm/760)."""
    return finite("flow", flow_pa_m3_s, "Pa m3/s") * 1e3 * 760 / ATM_PA


def atm_cm3_per_s(flow_pa_m3_s: float) -> float:
    """Pa m³/s in atm cm³/s; exact."""
    return finite("flow", flow_pa_m3_s, "Pa m3/s") * 1e6 / ATM_PA


def mol_per_s(flow_pa_m3_s: float, gas_k: float) -> float:
    """Pa m³/s of gas at ``gas_k`` in mol/s; ideal gas."""
    finite("flow", flow_pa_m3_s, "Pa m3/s")
    return flow_pa_m3_s / (GAS_CONSTANT * temperature("gas temperature", gas_k))


def standard_cm3_per_min(flow_pa_m3_s: float, gas_k: float, reference_k: float = ZERO_C_K) -> float:
    """Pa m³/s of gas at ``gas_k`` in cm³/min at 1013.25 mbar and ``reference_k``.

    Say which reference: 0 °C and 20 °C differ by 7 %.
    """
    finite("flow", flow_pa_m3_s, "Pa m3/s")
    temperature("gas temperature", gas_k)
    temperature("reference temperature", reference_k)
    return flow_pa_m3_s * reference_k / (gas_k * ATM_PA) * 6e7
