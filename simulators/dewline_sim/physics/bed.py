"""A purifier bed: a catalyst that takes oxygen for good and a sieve that holds water for a while.

Each is cut into cells. In a cell the gas, passing quickly, follows
dc/dz = -N [(1 - s) c - s h], with s the share of places taken, N transfer units
and h the level over half-full places: Bohart and Adams' kinetics (J. Am. Chem.
Soc. 42 (1920) 523, from memory) for oxygen, h = 0; Thomas' (same journal, 66
(1944) 1664, from memory) for water, h following the heat of sorption.
The outlet is linear in the inlet while the cells stand still, so a step needs
two numbers a gas; cells are brought up to date when enough has passed.
"""

from __future__ import annotations

import math
from typing import Final

from dewline_sim.physics.mixture import H2O, LITRE_MOL, MOLAR_MASS, O2, arrhenius
from dewline_sim.physics.spec import PurifierSpec

OXIDATION_J_MOL: Final = 314e3  # copper to its oxide, per mol of O2


class Layer:
    """One sorbent in cells. ``half`` is h as a mole fraction, ``capacity`` in mol.

    ``held`` is what each cell has taken up, in mol, inlet first. The fraction at
    the outlet is ``offset`` + ``slope`` x the fraction at the inlet.
    """

    __slots__ = (
        "_attenuation", "_cells", "_passed", "_units", "_waiting",
        "capacity", "half", "held", "offset", "slope",
    )  # fmt: skip

    def __init__(self, capacity_mol: float, units: float, cells: int) -> None:
        self.capacity = capacity_mol
        self._units = units / cells
        self._cells = cells
        self.held = [0.0] * cells
        self._waiting = self._passed = 0.0
        self.half = 0.0
        self._attenuation = 1.0  # activity left of the fresh one
        self.offset, self.slope = 0.0, 1.0
        self.refresh()

    @property
    def mol(self) -> float:
        """What the sorbent has taken up, in mol."""
        return sum(self.held) + self._waiting

    @property
    def load(self) -> float:
        """Share of the places taken, 0-1."""
        return self.mol / self.capacity

    def spread(self, mol: float) -> None:
        """Take in ``mol`` as a past run would have left it: inlet first, a soft front.

        Done in small doses without desorption, so that the profile along the
        bed is the one its own kinetics give.
        """
        half, self.half = self.half, 0.0
        self.refresh()
        left = min(mol, self.capacity - sum(self.held))
        dose = self.capacity / 400.0
        while left > 0.0:
            self._waiting, self._passed = min(dose, left), self.capacity
            self.refresh()
            left -= dose
        self.half = half
        self.refresh()

    def pass_gas(self, taken_mol: float, passed_mol: float) -> None:
        """Note what a step took from the gas and how much gas passed."""
        self._waiting += taken_mol
        self._passed += passed_mol
        if abs(self._waiting) * self._units * self._cells > 0.01 * self.capacity:
            self.refresh()

    def tune(self, activity: float, half: float) -> None:
        """Set the activity left (0-1) and the level over half-full places (mole fraction)."""
        self._attenuation, self.half = activity, half

    def refresh(self) -> None:
        """Share out to the cells what waits, and recompute ``offset`` and ``slope``."""
        if self._waiting != 0.0:
            self._settle()
        offset, slope = 0.0, 1.0
        for taken in self._shares():
            thin, gain = self._cell(taken)
            offset = offset * thin + gain
            slope *= thin
        self.offset, self.slope = offset, slope

    def _shares(self) -> list[float]:
        place = self.capacity / self._cells
        return [mol / place for mol in self.held]

    def _cell(self, taken: float) -> tuple[float, float]:
        """Outlet of a cell = thin x inlet + gain."""
        units = self._units * self._attenuation
        depth = units * max(0.0, 1.0 - taken)
        thin = math.exp(-depth)
        if self.half == 0.0 or taken == 0.0:
            return thin, 0.0
        reach = -math.expm1(-depth) / depth if depth > 1e-9 else 1.0
        return thin, reach * units * taken * self.half

    def _settle(self) -> None:
        """Share out what waits along the bed, as the mean inlet since the last time would have."""
        waiting, grip = self._waiting, 1.0 - self.slope
        self._waiting = 0.0
        inlet = 0.0
        if self._passed > 0.0 and grip > 1e-12:
            inlet = (waiting / self._passed + self.offset) / grip
        place, fraction, given = self.capacity / self._cells, inlet, 0.0
        for i, taken in enumerate(self._shares()):
            thin, gain = self._cell(taken)
            outlet = thin * fraction + gain
            mol = (fraction - outlet) * self._passed
            mol = max(-self.held[i], min(mol, place - self.held[i]))
            self.held[i] += mol
            given += mol
            fraction = outlet
        self._passed = 0.0
        self._spill(waiting - given)

    def _spill(self, mol: float) -> None:
        """Put the rest where there is room; the last rounding error goes to the last cell."""
        place = self.capacity / self._cells
        for i in range(self._cells):
            part = max(-self.held[i], min(mol, place - self.held[i]))
            self.held[i] += part
            mol -= part
            if mol == 0.0:
                return
        self.held[-1] += mol

    def scale(self, keep: float) -> float:
        """Keep this share of what is held; returns mol given up."""
        self.refresh()
        before = sum(self.held)
        self.held = [mol * keep for mol in self.held]
        return before - sum(self.held)


class PurifierBed:
    """Catalyst and sieve in one vessel, with a temperature in degC.

    ``solvent_mol`` is what it holds of solvent, ``rest`` the gas that a
    regeneration left in its void (mol per species).
    """

    def __init__(self, spec: PurifierSpec, temperature_c: float) -> None:
        self.spec = spec
        self.temperature_c = temperature_c
        oxygen_mol = spec.oxygen_capacity_l * LITRE_MOL
        water_mol = spec.water_capacity_g * 1e-3 / MOLAR_MASS[H2O]
        self.oxygen = Layer(oxygen_mol, spec.oxygen_units, spec.cells)
        self.water = Layer(water_mol, spec.water_units, spec.cells)
        self.solvent_mol = 0.0
        self.poison_mol = 0.0  # what regeneration does not take away
        self.rest = [0.0] * 6  # gas left by a regeneration, in mol
        self._counted_mol = 0.0

    def layer(self, species: int) -> Layer | None:
        """The sorbent that takes up a species, if any."""
        if species == O2:
            return self.oxygen
        return self.water if species == H2O else None

    def preload(self, species: int, load: float) -> float:
        """Set the share of the places taken (0-1); returns mol gained."""
        layer = self.oxygen if species == O2 else self.water
        lost = layer.scale(0.0)
        layer.spread(load * layer.capacity)
        self._counted_mol = self.oxygen.mol
        return layer.mol - lost

    def poison_to(self, activity: float) -> None:
        """Set the share of the catalyst's rate that is left (above 0, at most 1)."""
        if not 0.0 < activity <= 1.0:
            raise ValueError(f"an activity of {activity} is not above 0 and at most 1")
        self.poison_mol = -self.spec.solvent_poison_mol * math.log(activity)

    @property
    def activity(self) -> float:
        """Share of the catalyst's rate that solvent has left."""
        return math.exp(-self.poison_mol / self.spec.solvent_poison_mol)

    def update(self, dt: float, around_c: float, tau_s: float) -> None:
        """Bring temperature and layers up to date after ``dt`` s.

        The heat of reaction since the last time warms it at once; then it drifts
        towards ``around_c`` with the time constant ``tau_s``. The level over the
        sieve follows exp(-E/RT), at most 2 % by volume.
        """
        mol = self.oxygen.mol
        heat_j = OXIDATION_J_MOL * max(0.0, mol - self._counted_mol)
        self._counted_mol = mol
        self.temperature_c += heat_j / (self.spec.bed_kg * self.spec.bed_kj_kg_k * 1e3)
        self.temperature_c += (around_c - self.temperature_c) * -math.expm1(-dt / tau_s)
        half = self.spec.half_water_ppm * 1e-6
        half *= arrhenius(self.spec.sieve_kj_mol * 1e3, self.temperature_c)
        self.oxygen.tune(self.activity, 0.0)
        self.water.tune(1.0, min(half, 0.02))
        self.oxygen.refresh()
        self.water.refresh()
