"""Gas as six amounts in mol, moved from place to place.

A mixture is a plain list in the order of ``SPECIES``: the plant is stepped
once a second for weeks, and a list is the fastest thing Python has. Whatever
crosses the wall of the lab is written in a ``Ledger``.
"""

from __future__ import annotations

import math
from typing import Final

Mixture = list[float]

O2, H2O, N2, AR, H2, SOLVENT = range(6)
SPECIES: Final = ("oxygen", "water", "nitrogen", "argon", "hydrogen", "solvent")
# Molar masses in kg/mol (IUPAC, rounded); the solvent stands for a light aromatic.
MOLAR_MASS: Final = (0.0319988, 0.0180153, 0.0280134, 0.039948, 0.0020159, 0.0921)

R: Final = 8.314462618  # J/(mol K), CODATA 2018
ZERO_C: Final = 273.15
LITRE_MOL: Final = 101325.0 * 1e-3 / (R * ZERO_C)  # mol in a litre at 0 degC, 1013.25 mbar
CM3_MOL: Final = LITRE_MOL * 1e-3


def empty() -> Mixture:
    """A mixture of nothing."""
    return [0.0] * 6


def move(source: Mixture, target: Mixture, fraction: float) -> None:
    """Move ``fraction`` (0-1) of every species from one place to another."""
    for i in range(6):
        x = source[i] * fraction
        source[i] -= x
        target[i] += x


def swap(one: Mixture, other: Mixture, from_one: float, from_other: float) -> None:
    """Move two fractions (0-1) against each other, both of the content before the swap."""
    for i in range(6):
        x = one[i] * from_one - other[i] * from_other
        one[i] -= x
        other[i] += x


def add(target: Mixture, came: Mixture, shares: Mixture, mol: float) -> None:
    """Let ``mol`` of gas with mole fractions ``shares`` in from outside and write it down."""
    for i in range(6):
        share = shares[i]
        if share:
            x = mol * share
            target[i] += x
            came[i] += x


def filled(shares: Mixture, pressure_pa: float, volume_m3: float, kelvin: float) -> Mixture:
    """A volume of gas with these mole fractions, in mol."""
    n = pressure_pa * volume_m3 / (R * kelvin)
    return [n * share for share in shares]


def with_traces(shares: Mixture, oxygen: float, water: float) -> Mixture:
    """The same mole fractions with other shares of oxygen and water."""
    out = list(shares)
    main = max(range(6), key=out.__getitem__)
    out[main] += out[O2] + out[H2O] - oxygen - water
    out[O2], out[H2O] = oxygen, water
    return out


def mol_density(pressure_pa: float, temperature_c: float) -> float:
    """Density of an ideal gas, mol/m3."""
    return pressure_pa / (R * (temperature_c + ZERO_C))


def ppm(gas: Mixture, species: int) -> float:
    """Mole fraction in ppm; 0 in an empty place."""
    n = sum(gas)
    return gas[species] / n * 1e6 if n > 0.0 else 0.0


def molar_mass(gas: Mixture) -> float:
    """Mean molar mass in kg/mol of a mixture that is not empty."""
    return sum(n * m for n, m in zip(gas, MOLAR_MASS, strict=True)) / sum(gas)


def vapour_pressure_pa(temperature_c: float) -> float:
    """Saturation pressure of water over liquid, or over ice below 0 degC.

    Magnus form of WMO-No. 8, coefficients from memory; good to 0.3 % between
    -40 and +45 degC, which is all the plant asks of it.
    """
    if temperature_c >= 0.0:
        return 611.2 * math.exp(17.62 * temperature_c / (243.12 + temperature_c))
    return 611.2 * math.exp(22.46 * temperature_c / (272.62 + temperature_c))


def arrhenius(energy_j_mol: float, temperature_c: float, reference_c: float = 23.0) -> float:
    """exp(-E/R (1/T - 1/T0)): how much faster a thing goes than at the reference temperature."""
    kelvin, at = temperature_c + ZERO_C, reference_c + ZERO_C
    return math.exp(-energy_j_mol / R * (1.0 / kelvin - 1.0 / at))


class Ledger:
    """What came into the lab, what went out of it, and what reactions made (mol per species)."""

    __slots__ = ("came", "made", "went")

    def __init__(self) -> None:
        self.came = empty()
        self.went = empty()
        self.made = empty()

    def cross(self, species: int, mol: float) -> None:
        """Write down what came in from outside, or went out where ``mol`` is negative."""
        if mol >= 0.0:
            self.came[species] += mol
        else:
            self.went[species] -= mol
