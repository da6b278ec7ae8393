"""Gloves: slabs of rubber through which oxygen and water creep, hours late.

One-dimensional diffusion in six layers; a layer's content over its solubility
is the pressure it is in equilibrium with. 1 barrer = 1e-10 cm3(STP) cm /
(cm2 s cmHg) = 3.3464e-16 mol m / (m2 s Pa).
"""

from __future__ import annotations

from typing import Final

from dewline_sim.physics.mixture import H2O, N2, O2, Ledger, Mixture, arrhenius
from dewline_sim.physics.spec import GloveSpec

BARRER: Final = 3.346402e-16
LAYERS: Final = 6
# Permeation in rubber: 3-6 %/K, from memory.
OXYGEN_J_MOL: Final = 40e3
WATER_J_MOL: Final = 30e3


class Slab:
    """One gas in all gloves of a box. Layer 0 faces the room. Pressures in Pa, content in mol."""

    __slots__ = ("_across_s", "_give", "content", "rate")

    def __init__(self, spec: GloveSpec, barrer: float, lag_h: float) -> None:
        thickness_m = spec.thickness_mm * 1e-3
        diffusion = thickness_m**2 / (6.0 * lag_h * 3600.0)
        layer_m = thickness_m / LAYERS
        self._give = barrer * BARRER / diffusion * spec.area_m2 * layer_m  # mol/Pa
        self._across_s = layer_m**2 / diffusion
        self.content = [0.0] * LAYERS
        self.rate = 0.0  # mol/s into the box

    def settle(self, outside_pa: float, inside_pa: float) -> None:
        """The straight profile of steady permeation."""
        drop = outside_pa - inside_pa
        self.content = [
            self._give * (outside_pa - drop * (i + 0.5) / LAYERS) for i in range(LAYERS)
        ]

    def soak(self, outside_pa: float) -> float:
        """Fill the rubber as the room's air does before it is mounted; returns mol gained."""
        before = sum(self.content)
        self.content = [self._give * outside_pa] * LAYERS
        return sum(self.content) - before

    def creep(self, dt: float, outside_pa: float, inside_pa: float, speed: float) -> float:
        """Diffuse for ``dt`` s; returns mol that came from the room. Sets ``rate`` for the next."""
        pace = speed * dt / self._across_s
        layers, give = self.content, self._give
        came = 2.0 * pace * (give * outside_pa - layers[0])
        steps = [pace * (layers[i] - layers[i + 1]) for i in range(LAYERS - 1)]
        layers[0] += came
        for i, moved in enumerate(steps):
            layers[i] -= moved
            layers[i + 1] += moved
        self.rate = 2.0 * speed / self._across_s * (layers[-1] - give * inside_pa)
        return came


class Gloves:
    """All gloves of a box: oxygen and water through slabs, nitrogen without delay."""

    TICK_S: Final = 60.0

    def __init__(self, spec: GloveSpec) -> None:
        self.spec = spec
        self.oxygen = Slab(spec, spec.oxygen_barrer, spec.oxygen_lag_h)
        self.water = Slab(spec, spec.water_barrer, spec.water_lag_h)
        self.nitrogen_rate = 0.0
        self.worn = 0.0  # share of the time hands are in, smoothed by the rubber itself

    def settle(self, air: Mixture, barometer_pa: float, temperature_c: float) -> None:
        """Start in the steady state."""
        self.oxygen.settle(air[O2] * barometer_pa, 0.0)
        self.water.settle(air[H2O] * barometer_pa, 0.0)
        self.oxygen.creep(0.0, 0.0, 0.0, arrhenius(OXYGEN_J_MOL, temperature_c))
        self.water.creep(0.0, 0.0, 0.0, arrhenius(WATER_J_MOL, temperature_c))

    def tick(
        self,
        ledger: Ledger,
        air: Mixture,
        barometer_pa: float,
        temperature_c: float,
        inside_pa: Mixture,
    ) -> None:
        """One minute of creep; ``inside_pa`` are the partial pressures in the box."""
        quick = arrhenius(OXYGEN_J_MOL, temperature_c)
        outside_pa = air[O2] * barometer_pa
        _cross(ledger, O2, self.oxygen.creep(self.TICK_S, outside_pa, inside_pa[O2], quick))
        damp = 1.0 + (self.spec.hands_humidity - 1.0) * self.worn
        outside_pa = air[H2O] * barometer_pa * damp
        slow = arrhenius(WATER_J_MOL, temperature_c)
        _cross(ledger, H2O, self.water.creep(self.TICK_S, outside_pa, inside_pa[H2O], slow))
        drop_pa = max(0.0, air[N2] * barometer_pa - inside_pa[N2])
        permeance = self.spec.nitrogen_barrer * BARRER * self.spec.area_m2
        self.nitrogen_rate = quick * permeance / (self.spec.thickness_mm * 1e-3) * drop_pa

    def renew(self, ledger: Ledger, air: Mixture, barometer_pa: float) -> None:
        """Mount new gloves that have lain in the room."""
        _cross(ledger, O2, self.oxygen.soak(air[O2] * barometer_pa))
        _cross(ledger, H2O, self.water.soak(air[H2O] * barometer_pa))

    def give(self, zone: Mixture, ledger: Ledger, dt: float) -> None:
        """Let ``dt`` s of permeation into the box."""
        moved = self.oxygen.rate * dt
        self.oxygen.content[-1] -= moved
        zone[O2] += moved
        moved = self.water.rate * dt
        self.water.content[-1] -= moved
        zone[H2O] += moved
        if self.nitrogen_rate:
            moved = self.nitrogen_rate * dt
            zone[N2] += moved
            ledger.came[N2] += moved

    def held(self, gas: Mixture) -> None:
        gas[O2] += sum(self.oxygen.content)
        gas[H2O] += sum(self.water.content)


def _cross(ledger: Ledger, species: int, mol: float) -> None:
    if mol >= 0.0:
        ledger.came[species] += mol
    else:
        ledger.went[species] -= mol
