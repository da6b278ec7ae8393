"""Holes: how much gas goes through, which way, and how much diffuses or falls against it.

Round bore: dp = 32 mu L u / d^2 + rho u^2 / (2 Cd^2) (Hagen-Poiseuille plus a
sharp-edged orifice, Cd 0.6). Slit: 12 mu L u / h^2 in place of the first term.
Against an outflow u the air that still comes in is A u / (exp(Pe) - 1), with
Pe = u L / D (steady diffusion against a stream). A large opening also lets gas
of another density change places: (Cd/3) A sqrt(g h drho/rho), which an outflow
quenches; how it does so, 1 / (1 + u/4ub), is common practice, no source.
"""

from __future__ import annotations

import math
from typing import Final, Literal

AIR_KG_M3: Final = 1.19  # room air
VISCOSITY_PA_S: Final = 1.8e-5  # nitrogen and air near 23 degC; argon's is 2.2e-5
DIFFUSION_M2_S: Final = 2.0e-5  # oxygen in nitrogen, argon or air near 23 degC
ORIFICE: Final = 0.6
SONIC_M_S: Final = 200.0  # a choked hole passes about this, at upstream conditions

Where = Literal["shell", "suction", "suction-before-bed"]


class Opening:
    """One hole. ``gap_m`` is the bore of a round hole or the height of a slit."""

    __slots__ = ("_drag", "area_m2", "gap_m", "length_m", "name", "slit", "where")

    def __init__(
        self, name: str, where: Where, gap_m: float, length_m: float, slit_m: float = 0.0
    ) -> None:
        self.name, self.where = name, where
        self.gap_m, self.length_m = gap_m, length_m
        self.slit = slit_m > 0.0
        self.area_m2 = gap_m * slit_m if self.slit else math.pi / 4.0 * gap_m**2
        self._drag = (12.0 if self.slit else 32.0) * VISCOSITY_PA_S * length_m / gap_m**2

    def velocity_m_s(self, difference_pa: float, density_kg_m3: float) -> float:
        """Mean velocity, positive outward, for inside minus outside pressure."""
        if difference_pa == 0.0:
            return 0.0
        inertia = density_kg_m3 / (2.0 * ORIFICE**2)
        drag = self._drag
        root = math.sqrt(drag * drag + 4.0 * inertia * abs(difference_pa))
        speed = min((root - drag) / (2.0 * inertia), ORIFICE * SONIC_M_S)
        return speed if difference_pa > 0.0 else -speed

    def exchange_m3_s(self, velocity_m_s: float, buoyancy: float) -> float:
        """Gas that changes places through the hole, in m3/s each way.

        Diffusion against the stream, and for a round hole the fall of heavier
        gas (module docstring); ``buoyancy`` = |drho| / rho.
        """
        speed = abs(velocity_m_s)
        reach_m = self.length_m if self.slit else self.length_m + 0.8 * self.gap_m
        peclet = speed * reach_m / DIFFUSION_M2_S
        if peclet > 40.0:
            diffused = 0.0
        elif peclet > 1e-6:
            diffused = self.area_m2 * speed / math.expm1(peclet)
        else:
            diffused = self.area_m2 * DIFFUSION_M2_S / reach_m
        if self.slit:
            return diffused
        fall_m_s = ORIFICE / 3.0 * math.sqrt(9.81 * self.gap_m * buoyancy)
        if fall_m_s == 0.0:
            return diffused
        return diffused + self.area_m2 * fall_m_s / (1.0 + speed / (4.0 * fall_m_s))


def forced_open(
    gauge_pa: float, *, inflow_m3_s: float, area_m2: float, give_m3_pa: float, density: float,
    dt: float,
) -> float:  # fmt: skip
    """Gauge pressure (Pa) after ``dt`` with a large opening: backward Euler in closed form.

    give (p1 - p0)/dt = inflow - Cd A sqrt(2/rho) sign(p1) sqrt|p1|, a quadratic
    in sqrt|p1|; stable however stiff. ``give_m3_pa`` is volume per pressure.
    """
    stiff = give_m3_pa / dt
    pull = ORIFICE * area_m2 * math.sqrt(2.0 / density)
    drive = stiff * gauge_pa + inflow_m3_s
    root = (math.sqrt(pull * pull + 4.0 * stiff * abs(drive)) - pull) / (2.0 * stiff)
    return math.copysign(root * root, drive)
