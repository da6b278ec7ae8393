"""Purifier bed: what it took up, what regeneration needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from dewline.gas.constants import (
    COPPER_G_PER_MOL,
    GAS_CONSTANT,
    MOLAR_MASS_G,
    STANDARD_L_PER_MOL,
    finite,
    fraction_ppm,
    not_negative,
    positive,
    pressure,
    share,
    temperature,
)

Held = Literal["oxygen", "water"]


def uptake_mol(
    *,
    flow_m3_h: float,
    gas_k: float,
    pressure_pa: float,
    inlet_ppm: float,
    duration_s: float,
    outlet_ppm: float = 0.0,
) -> float:
    """Gas a bed took from a constant stream, mol; negative where it gave off.

    Derived: n = p Q t / (R T) (C_in - C_out); flow at the pressure and
    temperature given, not standard. Ideal gas, 2.2e-4 from real nitrogen. With
    the box's ppm alone, outlet 0 makes it an upper bound; under a sensor's zero
    error of 0.3 ppm at 60 m³/h lie 0.4 L oxygen a day.
    """
    positive("flow", flow_m3_h, "m3/h")
    not_negative("duration", duration_s, "s")
    moles_gas = (
        pressure("pressure", pressure_pa) * flow_m3_h / 3600 * duration_s
        / (GAS_CONSTANT * temperature("gas temperature", gas_k))
    )  # fmt: skip
    fraction_ppm("inlet", inlet_ppm)
    return moles_gas * (inlet_ppm - fraction_ppm("outlet", outlet_ppm)) * 1e-6


def litres(amount_mol: float) -> float:
    """Volume at 0 °C, 1013.25 mbar, L; ideal gas."""
    return finite("amount", amount_mol, "mol") * STANDARD_L_PER_MOL


def grams(amount_mol: float, gas: Held) -> float:
    """Mass of oxygen or water, g."""
    return finite("amount", amount_mol, "mol") * MOLAR_MASS_G[gas]


@dataclass(frozen=True, slots=True)
class RegenerationNeeds:
    """What reducing a copper bed takes and gives. Forming gas at 0 °C, 1013.25 mbar."""

    hydrogen_mol: float  # used by the reaction
    hydrogen_g: float
    water_g: float
    copper_g: float
    forming_gas_l: float  # to be fed, at the utilisation given


def regeneration(
    oxygen_g: float, hydrogen_share: float = 0.05, utilisation: float = 1.0
) -> RegenerationNeeds:
    """Stoichiometry of CuO + H2 -> Cu + H2O for the oxygen held: 2 mol hydrogen a mol oxygen.

    ``hydrogen_share`` by volume in the forming gas, ``utilisation`` the share of
    it that reacts (30-50 % is common practice, no source). Exact but for those two. 5 %
    hydrogen in nitrogen is only just non-flammable, in argon it is flammable.
    """
    oxygen_mol = not_negative("oxygen", oxygen_g, "g") / MOLAR_MASS_G["oxygen"]
    share("hydrogen share", hydrogen_share)
    share("utilisation", utilisation)
    hydrogen_mol = 2 * oxygen_mol
    return RegenerationNeeds(
        hydrogen_mol=hydrogen_mol,
        hydrogen_g=hydrogen_mol * MOLAR_MASS_G["hydrogen"],
        water_g=hydrogen_mol * MOLAR_MASS_G["water"],
        copper_g=hydrogen_mol * COPPER_G_PER_MOL,
        forming_gas_l=litres(hydrogen_mol) / (hydrogen_share * utilisation),
    )
