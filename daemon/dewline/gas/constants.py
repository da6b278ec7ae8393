"""Constants and range checks shared by the whole room.

CODATA 2018 gas constant (exact since the 2019 SI); molar masses from the
IUPAC standard atomic weights as abridged in handbooks.
"""

from __future__ import annotations

import math
from typing import Final, Literal

from dewline.errors import OutOfRange

Gas = Literal["oxygen", "water", "hydrogen", "nitrogen", "argon"]

GAS_CONSTANT: Final = 8.314462618  # J/(mol K)
ATM_PA: Final = 101_325.0
ZERO_C_K: Final = 273.15
STANDARD_L_PER_MOL: Final = GAS_CONSTANT * ZERO_C_K / ATM_PA * 1e3  # 0 °C, 1013.25 mbar
# Dry air by volume; handbooks differ in the third digit (20.939-20.948 %). From memory.
DRY_AIR_OXYGEN_PPM: Final = 209_460.0
MOLAR_MASS_G: Final[dict[Gas, float]] = {
    "oxygen": 31.9988,
    "water": 18.01528,
    "hydrogen": 2.01588,
    "nitrogen": 28.0134,
    "argon": 39.948,
}
COPPER_G_PER_MOL: Final = 63.546


def finite(name: str, value: float, unit: str) -> float:
    """``value``, or OutOfRange unless it is a number."""
    if not math.isfinite(value):
        raise OutOfRange(f"{name} is {value} {unit}; allowed is any number")
    return value


def positive(name: str, value: float, unit: str) -> float:
    """``value``, or OutOfRange unless it is a number above 0."""
    if not 0 < value < math.inf:
        raise OutOfRange(f"{name} is {value:g} {unit}; allowed is anything above 0 {unit}")
    return value


def not_negative(name: str, value: float, unit: str) -> float:
    """``value``, or OutOfRange unless it is a number of 0 or more."""
    if not 0 <= value < math.inf:
        raise OutOfRange(f"{name} is {value:g} {unit}; allowed is 0 {unit} or more")
    return value


def between(name: str, value: float, low: float, high: float, unit: str) -> float:
    """``value``, or OutOfRange unless low <= value <= high."""
    if not low <= value <= high:
        raise OutOfRange(f"{name} is {value:g} {unit}; allowed is {low:g} to {high:g} {unit}")
    return value


def fraction_ppm(name: str, value: float) -> float:
    """``value``, or OutOfRange unless it is a volume fraction in ppm: 0 to 1e6."""
    return between(name, value, 0.0, 1e6, "ppm")


def share(name: str, value: float) -> float:
    """``value``, or OutOfRange unless 0 < value <= 1."""
    if not 0 < value <= 1:
        raise OutOfRange(f"{name} is {value:g}; allowed is above 0 and up to 1")
    return value


def pressure(name: str, value_pa: float) -> float:
    """``value_pa``, or OutOfRange unless it is an absolute pressure above 0 and up to 10 bar.

    10 bar bounds the ideal-gas error to about 1 % for nitrogen and argon near
    room temperature.
    """
    if not 0 < value_pa <= 1e6:
        raise OutOfRange(
            f"{name} is {value_pa / 100:g} mbar absolute; allowed is above 0 and up to 10000 mbar"
        )
    return value_pa


def temperature(name: str, value_k: float) -> float:
    """``value_k``, or OutOfRange unless it is a gas temperature from -50 to 100 °C."""
    if not 223.15 <= value_k <= 373.15:
        raise OutOfRange(f"{name} is {value_k - ZERO_C_K:g} degC; allowed is -50 to 100 degC")
    return value_k
