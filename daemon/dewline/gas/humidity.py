"""Water in the gas: ppm by volume, vapour pressure, frost point, dew point.

Below 0 °C "dew point" means two things: the frost point, over ice, which is
what a cold surface shows, and the dew point over supercooled water, which lies
up to 4 K lower. They have functions of their own here and are never mixed.

The gas is taken as ideal (enhancement factor 1): this moves a frost point in
nitrogen or argon by less than 0.08 K at atmospheric pressure.
"""

from __future__ import annotations

import math
from typing import Final

from dewline.errors import OutOfRange
from dewline.gas.constants import ZERO_C_K, between, fraction_ppm, pressure

TRIPLE_K: Final = 273.16
TRIPLE_PA: Final = 611.657
FROST_LOW_C: Final = -110.0
ICE_LOW_K: Final = FROST_LOW_C + ZERO_C_K
DEW_LOW_C: Final = -100.0
DEW_HIGH_C: Final = 100.0


def ice_pressure_pa(temperature_k: float) -> float:
    """Vapour pressure over ice, Pa, for 163.15-273.16 K.

    IAPWS R14-08(2011), sublimation curve of ice Ih. The release holds from
    50 K; here it ends at -110 °C, below which no analyzer measures. Experiment
    confirms it to about 0.5 % at -100 °C and better above.
    """
    if not ICE_LOW_K <= temperature_k <= TRIPLE_K:
        raise OutOfRange(
            f"a frost point of {temperature_k - ZERO_C_K:g} degC; allowed is "
            f"{FROST_LOW_C:g} to 0.01 degC"
        )
    theta = temperature_k / TRIPLE_K
    return TRIPLE_PA * math.exp(
        (
            -21.2144006 * theta**0.333333333e-2
            + 27.3203819 * theta**1.20666667
            - 6.10598130 * theta**1.70333333
        )
        / theta
    )


FROST_LOW_PA: Final = ice_pressure_pa(ICE_LOW_K)


def liquid_pressure_pa(temperature_k: float) -> float:
    """Vapour pressure over liquid water, Pa, for 273.15-647.096 K.

    IAPWS R7-97(2012) eq. 30 (region 4); within 0.05 % of the reference equation.
    """
    if not ZERO_C_K <= temperature_k <= 647.096:
        raise OutOfRange(
            f"water at {temperature_k - ZERO_C_K:g} degC; allowed is 0 to 373.946 degC"
        )
    v = temperature_k - 0.23855557567849 / (temperature_k - 650.17534844798)
    a = (v + 1167.0521452767) * v - 724213.16703206
    b = (-17.073846940092 * v + 12020.824702470) * v - 3232555.0322333
    c = (14.915108613530 * v - 4823.2657361591) * v + 405113.40542057
    root = 2 * c / (-b + math.sqrt(b * b - 4 * a * c))
    return 1e6 * root * root * root * root


def supercooled_pressure_pa(temperature_k: float) -> float:
    """Vapour pressure over liquid, also supercooled, water, Pa, for 123-332 K.

    Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, eq. 10. Below
    about -40 °C water does not stay liquid: there it is a convention of
    instruments, not a state of matter.
    """
    between("water temperature", temperature_k, 123.0, 332.0, "K")
    t, log_t = temperature_k, math.log(temperature_k)
    bend = math.tanh(0.0415 * (t - 218.8))
    return math.exp(
        54.842763
        - 6763.22 / t
        - 4.210 * log_t
        + 0.000367 * t
        + bend * (53.878 - 1331.22 / t - 9.44523 * log_t + 0.014025 * t)
    )


def dew_pressure_pa(dew_point_c: float) -> float:
    """Vapour pressure over liquid water, Pa, for a dew point of -100 to 100 °C.

    IF97 from 0.01 °C up, Murphy and Koop below; they meet within 1e-5.
    """
    between("dew point", dew_point_c, DEW_LOW_C, DEW_HIGH_C, "degC")
    temperature_k = dew_point_c + ZERO_C_K
    if temperature_k >= TRIPLE_K:
        return liquid_pressure_pa(temperature_k)
    return supercooled_pressure_pa(temperature_k)


def stable_pressure_pa(temperature_c: float) -> float:
    """Vapour pressure over the stable phase, Pa: ice up to 0.01 °C, liquid above, to 100 °C."""
    between("temperature", temperature_c, FROST_LOW_C, DEW_HIGH_C, "degC")
    temperature_k = temperature_c + ZERO_C_K
    if temperature_k <= TRIPLE_K:
        return ice_pressure_pa(temperature_k)
    return liquid_pressure_pa(temperature_k)


def vapour_pressure_pa(ppm: float, pressure_pa: float) -> float:
    """Partial pressure, Pa, of ``ppm`` by volume at a total absolute pressure; ideal mixture."""
    return fraction_ppm("the fraction", ppm) * pressure("pressure", pressure_pa) * 1e-6


def ppm_of_vapour(vapour_pa: float, pressure_pa: float) -> float:
    """Volume fraction, ppm, of a partial pressure at a total absolute pressure; ideal mixture."""
    if not 0 <= vapour_pa <= pressure("pressure", pressure_pa):
        raise OutOfRange(
            f"a vapour pressure of {vapour_pa:g} Pa; allowed is 0 to the total pressure, "
            f"{pressure_pa:g} Pa"
        )
    return 1e6 * vapour_pa / pressure_pa


def frost_point_c(ppm: float, pressure_pa: float) -> float:
    """Frost point over ice, °C, of ``ppm`` water at an absolute pressure; within 1e-5 K.

    Inverts IAPWS R14-08 for vapour pressures from 1.6e-4 Pa (-110 °C) to
    611.657 Pa (0.01 °C). Called once a reading: a fit of 1/T in ln p is within
    0.032 K everywhere, and one Newton step on ln p does the rest.
    """
    vapour_pa = ppm * pressure_pa * 1e-6
    if not (FROST_LOW_PA <= vapour_pa <= TRIPLE_PA and 0 < ppm <= 1e6 and pressure_pa <= 1e6):
        raise _no_frost_point(ppm, pressure_pa)
    log_p = math.log(vapour_pa / TRIPLE_PA)
    temperature_k = 1 / (3.66128104e-3 + (4.07908558e-8 * log_p - 1.62290953e-4) * log_p)
    theta = temperature_k / TRIPLE_K
    # The three terms of ice_pressure_pa, each divided by theta, and their derivative.
    a = -21.2144006 * math.pow(theta, -0.99666666667)
    b = 27.3203819 * math.pow(theta, 0.20666667)
    c = -6.10598130 * math.pow(theta, 0.70333333)
    slope = (-0.99666666667 * a + 0.20666667 * b + 0.70333333 * c) / temperature_k
    return temperature_k - (a + b + c - log_p) / slope - ZERO_C_K


def _no_frost_point(ppm: float, pressure_pa: float) -> OutOfRange:
    """Why there is none, and what is allowed; OutOfRange of the argument itself if that is it."""
    vapour_pa = vapour_pressure_pa(ppm, pressure_pa)
    low_ppm, high_ppm = (1e6 * p / pressure_pa for p in (FROST_LOW_PA, TRIPLE_PA))
    if vapour_pa > TRIPLE_PA:
        return OutOfRange(
            f"{ppm:g} ppm has no frost point, it dews above 0.01 degC; allowed at "
            f"{pressure_pa / 100:g} mbar is {low_ppm:.3g} to {high_ppm:.5g} ppm"
        )
    return OutOfRange(
        f"{ppm:g} ppm lies below a frost point of {FROST_LOW_C:g} degC; allowed at "
        f"{pressure_pa / 100:g} mbar is {low_ppm:.3g} to {high_ppm:.5g} ppm"
    )


def dew_point_c(ppm: float, pressure_pa: float) -> float:
    """Dew point over liquid, below 0.01 °C supercooled, water, °C; within 1e-6 K.

    Not what a mirror with frost on it shows: see ``frost_point_c``.
    """
    vapour_pa = vapour_pressure_pa(ppm, pressure_pa)
    low_c, high_c = DEW_LOW_C, DEW_HIGH_C
    if not dew_pressure_pa(low_c) <= vapour_pa <= dew_pressure_pa(high_c):
        raise OutOfRange(
            f"{ppm:g} ppm at {pressure_pa / 100:g} mbar; allowed are dew points of "
            f"{low_c:g} to {high_c:g} degC"
        )
    while high_c - low_c > 1e-7:
        middle_c = (low_c + high_c) / 2
        if dew_pressure_pa(middle_c) < vapour_pa:
            low_c = middle_c
        else:
            high_c = middle_c
    return (low_c + high_c) / 2
