"""Purifier bed: what it took up, what regeneration needs."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from dewline.errors import OutOfRange
from dewline.gas.constants import (
    COPPER_G_PER_MOL,
    GAS_CONSTANT,
    MOLAR_MASS_G,
    STANDARD_L_PER_MOL,
    between,
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


def area_ppm_s(series: Iterable[tuple[float, float]], longest_gap_s: float) -> float:
    """Integral of (t_s, ppm) by trapezoids; stretches longer than the gap add nothing.

    Times must not fall. Multiply by the flow for the dose or the uptake.
    """
    positive("longest gap", longest_gap_s, "s")
    area, last = 0.0, None
    for t_s, ppm in series:
        finite("reading", ppm, "ppm")
        if last is not None:
            step_s = t_s - last[0]
            if not step_s >= 0:
                raise OutOfRange(f"time goes from {last[0]:g} to {t_s:g} s; allowed is forward")
            if step_s <= longest_gap_s:
                area += step_s * (ppm + last[1]) / 2
        last = (t_s, ppm)
    return area


def litres(amount_mol: float) -> float:
    """Volume at 0 °C, 1013.25 mbar, L; ideal gas."""
    return finite("amount", amount_mol, "mol") * STANDARD_L_PER_MOL


def grams(amount_mol: float, gas: Held) -> float:
    """Mass of oxygen or water, g."""
    return finite("amount", amount_mol, "mol") * MOLAR_MASS_G[gas]


def time_to_fill_s(capacity_l: float, flow_m3_h: float, inlet_ppm: float) -> float:
    """Seconds in which a constant inlet fills a capacity, flow and capacity at the same state.

    Derived; 30 L last 9 s in air, 6 min at 0.5 %, 30 min at 1000 ppm at 60 m³/h.
    The real capacity at ppm level is 30-60 % of a quoted one (common practice).
    """
    positive("capacity", capacity_l, "L")
    positive("flow", flow_m3_h, "m3/h")
    between("inlet", inlet_ppm, 1e-6, 1e6, "ppm")
    return capacity_l * 1e-3 / (flow_m3_h * inlet_ppm * 1e-6) * 3600


@dataclass(frozen=True, slots=True)
class Regeneration:
    """What reducing a copper bed takes and gives. Forming gas at 0 °C, 1013.25 mbar."""

    hydrogen_mol: float  # used by the reaction
    hydrogen_g: float
    water_g: float
    copper_g: float
    forming_gas_l: float  # to be fed, at the utilisation given


def regeneration(
    oxygen_g: float, hydrogen_share: float = 0.05, utilisation: float = 1.0
) -> Regeneration:
    """Stoichiometry of CuO + H2 -> Cu + H2O for the oxygen held: 2 mol hydrogen a mol oxygen.

    ``hydrogen_share`` by volume in the forming gas, ``utilisation`` the share of
    it that reacts (30-50 % is common practice, no source). Exact but for those two. 5 %
    hydrogen in nitrogen is only just non-flammable, in argon it is flammable.
    """
    oxygen_mol = not_negative("oxygen", oxygen_g, "g") / MOLAR_MASS_G["oxygen"]
    share("hydrogen share", hydrogen_share)
    share("utilisation", utilisation)
    hydrogen_mol = 2 * oxygen_mol
    return Regeneration(
        hydrogen_mol=hydrogen_mol,
        hydrogen_g=hydrogen_mol * MOLAR_MASS_G["hydrogen"],
        water_g=hydrogen_mol * MOLAR_MASS_G["water"],
        copper_g=hydrogen_mol * COPPER_G_PER_MOL,
        forming_gas_l=litres(hydrogen_mol) / (hydrogen_share * utilisation),
    )
