"""Water on everything inside a box, in a quick and a slow reservoir, and water people bring in.

Each reservoir takes up a x (1 - w/full) and gives off d w. In equilibrium at
low level it holds ``volumes`` times the water of a box volume of gas. Taking
up needs no heat, giving off does: d follows exp(-E/RT), so that the level over
filled walls rises 6-10 % per kelvin.
"""

from __future__ import annotations

from dewline_sim.physics.mixture import H2O, Mixture, arrhenius
from dewline_sim.physics.spec import WallSpec


class Reservoir:
    """One reservoir. ``scale`` turns a mole fraction into mol held at equilibrium."""

    __slots__ = ("_full", "_reference", "_scale", "_tau_s", "mol", "off")

    def __init__(self, volumes: float, tau_s: float, full_ppm: float, box_mol: float) -> None:
        self._scale = volumes * box_mol
        self._tau_s = tau_s
        self._full = self._scale * full_ppm * 1e-6
        self._reference = 1.0 / tau_s
        self.off = self._reference
        self.mol = 0.0

    def set_desorption(self, factor: float) -> None:
        """How much faster it gives water off than at the reference temperature."""
        self.off = self._reference * factor

    def set_equilibrium(self, fraction: float) -> None:
        """Equilibrium with gas of this mole fraction at the present temperature."""
        pull = self._scale / self._tau_s * fraction
        self.mol = pull / (pull / self._full + self.off)

    def exchange(self, zone: Mixture, per_mol: float, dt: float) -> None:
        """Exchange with a zone of 1/``per_mol`` mol of gas; second order in ``dt``."""
        grip = self._scale / self._tau_s * per_mol
        free = 1.0 - self.mol / self._full
        net = grip * free * zone[H2O] - self.off * self.mol
        moved = net * dt * (1.0 - 0.5 * dt * (grip * free + self.off))
        zone[H2O] -= moved
        self.mol += moved


class Walls:
    """Both reservoirs of a box."""

    __slots__ = ("_energy", "quick", "slow")

    def __init__(self, spec: WallSpec, box_mol: float) -> None:
        self._energy = spec.energy_kj_mol * 1e3
        self.quick = Reservoir(spec.quick_volumes, spec.quick_s, spec.full_ppm, box_mol)
        self.slow = Reservoir(spec.slow_volumes, spec.slow_s, spec.full_ppm, box_mol)

    def set_temperature(self, temperature_c: float) -> None:
        """Follow the box's temperature in degC."""
        factor = arrhenius(self._energy, temperature_c)
        self.quick.set_desorption(factor)
        self.slow.set_desorption(factor)

    def set_equilibrium(self, fraction: float) -> None:
        """Both in equilibrium with gas of this mole fraction of water."""
        self.quick.set_equilibrium(fraction)
        self.slow.set_equilibrium(fraction)

    def exchange(self, zone: Mixture, dt: float) -> None:
        """Exchange water with a zone for ``dt`` s."""
        per_mol = 1.0 / sum(zone)
        self.quick.exchange(zone, per_mol, dt)
        self.slow.exchange(zone, per_mol, dt)


class WetThing:
    """Something brought in that dries: paper, wipes, parts, new gloves.

    ``pools`` are [mol of water, time constant in s]: it dries in several paces.
    """

    VACUUM_HASTE = 3.0  # how much faster it dries under vacuum; common practice, no source

    def __init__(self, pools: list[tuple[float, float]]) -> None:
        self.pools = [[mol, tau_s] for mol, tau_s in pools]

    @property
    def mol(self) -> float:
        """Water it still holds, in mol."""
        return sum(pool[0] for pool in self.pools)

    def dry(self, zone: Mixture, dt: float, haste: float = 1.0) -> None:
        """Give off water for ``dt`` s; what is nearly dry gives its rest."""
        for pool in self.pools:
            moved = pool[0] * min(1.0, haste * dt / pool[1])
            if pool[0] < 1e-12:
                moved = pool[0]
            pool[0] -= moved
            zone[H2O] += moved
        if self.pools and self.pools[0][0] == 0.0:
            self.pools = [pool for pool in self.pools if pool[0] > 0.0]


def cardboard(water_mol: float) -> WetThing:
    """Paper-like: a third within the hour, the rest over half a day."""
    return WetThing([(0.35 * water_mol, 1800.0), (0.65 * water_mol, 20000.0)])


def moist_part(water_mol: float) -> WetThing:
    """Metal, glass, plastics: quick at first, a long tail."""
    return WetThing(
        [(0.4 * water_mol, 400.0), (0.35 * water_mol, 4000.0), (0.25 * water_mol, 40000.0)]
    )


def glove_filler(water_mol: float) -> WetThing:
    """What fillers and talc of new gloves hold: 0.5-2 ppm for 1-3 days."""
    return WetThing([(0.1 * water_mol, 4 * 3600.0), (0.9 * water_mol, 40 * 3600.0)])
