"""Gloves: slabs of rubber through which oxygen and water diffuse, with a lag of hours.

One-dimensional diffusion in six layers; a layer's content over its solubility
is the pressure it is in equilibrium with. 1 barrer = 1e-10 cm3(STP) cm /
(cm2 s cmHg) = 3.3464e-16 mol m / (m2 s Pa).
"""

from __future__ import annotations

from typing import Final

from dewline_sim.physics.climate import Climate
from dewline_sim.physics.mixture import H2O, N2, O2, Ledger, Mixture, arrhenius
from dewline_sim.physics.spec import GloveSpec

BARRER: Final = 3.346402e-16
LAYERS: Final = 6
TICK_S: Final = 60.0
# Permeation in rubber: 3-6 %/K, from memory.
OXYGEN_J_MOL: Final = 40e3
WATER_J_MOL: Final = 30e3


class Slab:
    """One gas in all gloves of a box. Layer 0 faces the room. Pressures in Pa, content in mol."""

    __slots__ = ("_across_s", "_give", "content", "rate", "waiting")

    def __init__(self, spec: GloveSpec, barrer: float, lag_h: float) -> None:
        thickness_m = spec.thickness_mm * 1e-3
        diffusion = thickness_m**2 / (6.0 * lag_h * 3600.0)
        layer_m = thickness_m / LAYERS
        self._give = barrer * BARRER / diffusion * spec.area_m2 * layer_m  # mol/Pa
        self._across_s = layer_m**2 / diffusion
        self.content = [0.0] * LAYERS
        self.waiting = 0.0  # left the rubber, handed to the box over the coming minute
        self.rate = 0.0  # mol/s into the box

    def set_steady(self, outside_pa: float, inside_pa: float, speed: float) -> None:
        """The straight profile of steady permeation."""
        drop = outside_pa - inside_pa
        self.content = [
            self._give * (outside_pa - drop * (i + 0.5) / LAYERS) for i in range(LAYERS)
        ]
        self.rate = speed * self._give * drop / (LAYERS * self._across_s)
        self.waiting = self.rate * TICK_S

    @property
    def mol(self) -> float:
        """What is dissolved in the rubber, in mol."""
        return sum(self.content) + self.waiting

    def soak(self, outside_pa: float) -> float:
        """Fill the rubber as the room's air does before it is mounted; returns mol gained."""
        before = sum(self.content)
        self.content = [self._give * outside_pa] * LAYERS
        return sum(self.content) - before

    def diffuse(self, outside_pa: float, inside_pa: float, speed: float) -> float:
        """Diffuse for a minute; returns mol that came from the room.

        What reaches the inside is handed over evenly during the next minute.
        """
        pace = speed * TICK_S / self._across_s
        layers, give = self.content, self._give
        came = 2.0 * pace * (give * outside_pa - layers[0])
        gone = 2.0 * pace * (layers[-1] - give * inside_pa)
        steps = [pace * (layers[i] - layers[i + 1]) for i in range(LAYERS - 1)]
        layers[0] += came
        layers[-1] -= gone
        for i, moved in enumerate(steps):
            layers[i] -= moved
            layers[i + 1] += moved
        self.waiting += gone
        self.rate = self.waiting / TICK_S
        return came

    def release(self, zone: Mixture, species: int, dt: float) -> None:
        """Hand over what reaches the inside in ``dt`` s."""
        moved = self.rate * dt
        self.waiting -= moved
        zone[species] += moved


class Gloves:
    """All gloves of a box: oxygen and water through slabs, nitrogen without delay."""

    def __init__(self, spec: GloveSpec) -> None:
        self.spec = spec
        self.oxygen = Slab(spec, spec.oxygen_barrer, spec.oxygen_lag_h)
        self.water = Slab(spec, spec.water_barrer, spec.water_lag_h)
        self.nitrogen_rate = 0.0
        self.worn = 0.0  # share of the time hands are in, smoothed by the rubber itself

    def set_steady(self, climate: Climate, temperature_c: float) -> None:
        """Start in the steady state."""
        air, barometer = climate.air, climate.barometer_pa
        self.oxygen.set_steady(air[O2] * barometer, 0.0, arrhenius(OXYGEN_J_MOL, temperature_c))
        self.water.set_steady(air[H2O] * barometer, 0.0, arrhenius(WATER_J_MOL, temperature_c))

    def permeate(
        self, ledger: Ledger, climate: Climate, temperature_c: float, inside_pa: Mixture
    ) -> None:
        """One minute of permeation; ``inside_pa`` are the partial pressures in the box.

        Permeances follow exp(-E/RT) with the box's temperature. Worn gloves are
        humid inside: ``hands_humidity`` multiplies the room's vapour pressure.
        Nitrogen passes without a lag, and only where there is less of it inside.
        """
        air, barometer_pa = climate.air, climate.barometer_pa
        quick = arrhenius(OXYGEN_J_MOL, temperature_c)
        outside_pa = air[O2] * barometer_pa
        ledger.cross(O2, self.oxygen.diffuse(outside_pa, inside_pa[O2], quick))
        damp = 1.0 + (self.spec.hands_humidity - 1.0) * self.worn
        outside_pa = air[H2O] * barometer_pa * damp
        slow = arrhenius(WATER_J_MOL, temperature_c)
        ledger.cross(H2O, self.water.diffuse(outside_pa, inside_pa[H2O], slow))
        drop_pa = max(0.0, air[N2] * barometer_pa - inside_pa[N2])
        permeance = self.spec.nitrogen_barrer * BARRER * self.spec.area_m2
        self.nitrogen_rate = quick * permeance / (self.spec.thickness_mm * 1e-3) * drop_pa

    def renew(self, ledger: Ledger, climate: Climate) -> None:
        """Mount new gloves that have lain in the room."""
        for slab, species in ((self.oxygen, O2), (self.water, H2O)):
            ledger.cross(species, slab.soak(climate.air[species] * climate.barometer_pa))

    def release(self, zone: Mixture, ledger: Ledger, dt: float) -> None:
        """Let ``dt`` s of permeation into the box."""
        self.oxygen.release(zone, O2, dt)
        self.water.release(zone, H2O, dt)
        if self.nitrogen_rate:
            moved = self.nitrogen_rate * dt
            zone[N2] += moved
            ledger.came[N2] += moved
