"""Room air: what comes in through a hole, and what inert gas does to a room."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from dewline.gas.constants import (
    ATM_PA,
    DRY_AIR_OXYGEN_PPM,
    GAS_CONSTANT,
    ZERO_C_K,
    between,
    not_negative,
    positive,
    pressure,
    share,
)
from dewline.gas.humidity import liquid_pressure_pa

# 30 °C and 80 %, 20 °C and 20 %: what to say where the room is not measured.
UNMEASURED_ROOM_RATIO: Final = (6.0, 45.0)


@dataclass(frozen=True, slots=True)
class RoomAir:
    """Humid air by volume; ``ratio`` is oxygen to water."""

    oxygen_ppm: float
    water_ppm: float

    @property
    def ratio(self) -> float:
        """Oxygen per water, by volume."""
        return self.oxygen_ppm / self.water_ppm


def room_air(temperature_c: float, humidity_percent: float, pressure_pa: float = ATM_PA) -> RoomAir:
    """Air at 0-60 °C and a relative humidity above 0, up to 100 %, at an absolute pressure.

    Derived: saturation over liquid (IAPWS-IF97), dry air of 20.946 % oxygen
    diluted by the vapour. A hygrometer of ± 3 % moves the ratio by ± 6 % at 50 %.
    The ratio runs from 6 (30 °C, 80 %) to 45 (20 °C, 20 %); no fixed figure,
    20:1 least of all, tells a leak from a bed.
    """
    between("room temperature", temperature_c, 0.0, 60.0, "degC")
    between("relative humidity", humidity_percent, 0.1, 100.0, "%")
    vapour_pa = liquid_pressure_pa(temperature_c + ZERO_C_K) * humidity_percent / 100
    water_ppm = 1e6 * vapour_pa / between("pressure", pressure_pa, 5e4, 1.2e5, "Pa")
    return RoomAir(DRY_AIR_OXYGEN_PPM * (1 - water_ppm * 1e-6), water_ppm)


def room_oxygen_percent(inert_m3: float, room_m3: float) -> float:
    """Oxygen left, % by volume, after ``inert_m3`` of gas went into a closed, well mixed room.

    Derived: 20.9 exp(-V/V_room). No ventilation, no pooling: argon lies low and
    is worse than this near the floor. An estimate for planning; only a fixed
    room oxygen monitor says whether a room may be entered.
    """
    return 20.9 * math.exp(
        -not_negative("inert gas", inert_m3, "m3") / positive("room volume", room_m3, "m3")
    )


def hole_flow_m3_s(
    diameter_m: float, difference_pa: float, density_kg_m3: float, discharge: float = 0.6
) -> float:
    """Gas through a sharp round hole under a small pressure difference, m³/s at upstream state.

    Q = Cd A sqrt(2 dp / rho); Cd 0.6 is common practice. Holds for
    0.05-20 mm and up to 50 mbar; below about 0.1 mm friction makes it an upper
    bound, so a factor of 2 is the honest error there.
    """
    between("hole diameter", diameter_m * 1e3, 0.05, 20.0, "mm")
    between("pressure difference", difference_pa / 100, 0.0, 50.0, "mbar")
    positive("density", density_kg_m3, "kg/m3")
    area_m2 = math.pi * diameter_m**2 / 4
    return (
        share("discharge coefficient", discharge)
        * area_m2
        * math.sqrt(2 * difference_pa / density_kg_m3)
    )


def gas_density_kg_m3(molar_mass_g: float, pressure_pa: float, temperature_k: float) -> float:
    """Ideal-gas density, kg/m³; within 0.1 % for nitrogen and argon near ambient."""
    positive("molar mass", molar_mass_g, "g/mol")
    pressure("pressure", pressure_pa)
    between("temperature", temperature_k, 223.15, 373.15, "K")
    return molar_mass_g * 1e-3 * pressure_pa / (GAS_CONSTANT * temperature_k)


# Nitrogen near 20 °C: viscosity, and diffusion of oxygen in it. Handbook values, from memory.
NITROGEN_VISCOSITY_PA_S: Final = 1.77e-5
OXYGEN_DIFFUSION_M2_S: Final = 2.0e-5


def peclet_slit(gap_m: float, difference_pa: float) -> float:
    """Outflow against inward diffusion in a slit: Pe = h² dp / (12 mu D), whatever its length.

    Derived from plane Poiseuille flow; laminar, so gaps up to 0.1 mm.
    """
    between("gap", gap_m * 1e6, 0.1, 100.0, "um")
    not_negative("pressure difference", difference_pa, "Pa")
    return gap_m**2 * difference_pa / (12 * NITROGEN_VISCOSITY_PA_S * OXYGEN_DIFFUSION_M2_S)


def peclet_bore(diameter_m: float, difference_pa: float) -> float:
    """The same in a round bore: Pe = d² dp / (32 mu D), from Hagen-Poiseuille flow."""
    between("bore", diameter_m * 1e6, 0.1, 100.0, "um")
    not_negative("pressure difference", difference_pa, "Pa")
    return diameter_m**2 * difference_pa / (32 * NITROGEN_VISCOSITY_PA_S * OXYGEN_DIFFUSION_M2_S)


def back_diffusion_share(peclet: float) -> float:
    """Air that diffuses in against the outflow, as a share of what would with no outflow, 0-1.

    Derived: Pe / (exp(Pe) - 1), the steady solution of convection against
    diffusion. 0.58 at Pe 1, 0.03 at Pe 5: a hole in a box at positive pressure
    brings no oxygen unless it is a scratch of some micrometres.
    """
    between("Peclet number", peclet, 0.0, 700.0, "")
    return 1.0 if peclet == 0 else peclet / math.expm1(peclet)
