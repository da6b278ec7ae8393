"""The program that restores a bed: isolate, heat, reduce with forming gas, dry hot, cool.

Copper oxide needs 2 mol of hydrogen per mol of oxygen held; the water it makes
leaves with the vent gas. Heat and a stream dry the sieve with or without
hydrogen: a program without it looks complete and leaves the catalyst spent.
Times and temperatures are common practice, no source.
"""

from __future__ import annotations

import math
from typing import Final

from dewline_sim.physics.bed import PurifierBed
from dewline_sim.physics.mixture import AR, H2, H2O, LITRE_MOL, N2, O2, SOLVENT, Ledger
from dewline_sim.physics.spec import PurifierSpec

STEPS: Final = ("none", "isolate", "heat", "reduce", "dry", "cool")
_HEAT_TAU_S: Final = 1800.0
_COOL_TAU_S: Final = 4500.0
_DRY_TAU_S: Final = 1500.0  # of the sieve at 220 degC in a stream
_VOID_L: Final = 8.0


class Regeneration:
    """One run of the program on one bed. ``step`` counts as in ``STEPS``, 0 when over."""

    def __init__(
        self, spec: PurifierSpec, bed: PurifierBed, hydrogen: bool, right_gas: bool, restart: bool
    ) -> None:
        self.bed = bed
        self.restart = restart
        self._spec = spec
        self._hydrogen = hydrogen
        self._right_gas = right_gas
        minutes = (spec.isolate_min, spec.heat_min, spec.reduce_min, spec.dry_min, spec.cool_min)
        self._lengths_s = [m * 60.0 for m in minutes]
        self.step = 1
        self._passed_s = 0.0
        self.flow_l_min = 0.0

    @property
    def done(self) -> bool:
        """Whether it has run through all its steps."""
        return self.step == 0

    def run(self, dt: float, room_c: float, ledger: Ledger) -> float:
        """Run for ``dt`` s; returns mol of forming gas drawn.

        Hydrogen reduces the catalyst in the step ``reduce``; the sieve dries in
        every hot step; the void is rinsed in the step ``dry``.
        """
        self._warm(dt, room_c)
        drawn = self._reduce(dt, ledger) if self.step == 3 else 0.0
        self.flow_l_min = drawn / LITRE_MOL / dt * 60.0
        if 2 <= self.step <= 4:
            self._dry(dt, ledger)
        if self.step == 4:
            self._rinse(dt, ledger)
        self.bed.oxygen.refresh()
        self.bed.water.refresh()
        self._advance(dt)
        return drawn

    def _advance(self, dt: float) -> None:
        self._passed_s += dt
        if self._passed_s >= self._lengths_s[self.step - 1]:
            self._passed_s = 0.0
            self.step = (self.step + 1) % len(STEPS)

    def _warm(self, dt: float, room_c: float) -> None:
        bed = self.bed
        hot = 2 <= self.step <= 4
        goal = self._spec.regeneration_c if hot else room_c
        bed.temperature_c += (goal - bed.temperature_c) * -math.expm1(
            -dt / (_HEAT_TAU_S if hot else _COOL_TAU_S)
        )

    def _reduce(self, dt: float, ledger: Ledger) -> float:
        """Forming gas over the oxide: CuO + H2 -> Cu + H2O, counted per O2 held."""
        if not self._hydrogen:
            return 0.0
        gas = self._spec.forming_l_min * LITRE_MOL * dt / 60.0
        share = self._spec.hydrogen_share if self._right_gas else 0.0
        ledger.came[N2] += gas * (1.0 - share)
        ledger.went[N2] += gas * (1.0 - share)
        hydrogen = gas * share
        ledger.came[H2] += hydrogen
        held = self.bed.oxygen.mol
        hot = min(1.0, max(0.0, (self.bed.temperature_c - 120.0) / 60.0))
        reduced = min(held, hydrogen * self._spec.hydrogen_use * hot / 2.0)
        if reduced > 0.0:
            reduced = self.bed.oxygen.scale(1.0 - reduced / held)
            ledger.made[O2] -= reduced
            ledger.made[H2] -= 2.0 * reduced
            ledger.made[H2O] += 2.0 * reduced
            ledger.went[H2O] += 2.0 * reduced
        ledger.went[H2] += hydrogen - 2.0 * reduced
        self._leave_gas(ledger, share)
        return gas

    def _dry(self, dt: float, ledger: Ledger) -> None:
        haste = max(0.0, (self.bed.temperature_c - 120.0) / 100.0)
        keep = math.exp(-haste * dt / _DRY_TAU_S)
        ledger.went[H2O] += self.bed.water.scale(keep)
        lost = self.bed.solvent_mol * (1.0 - keep)
        self.bed.solvent_mol -= lost
        ledger.went[SOLVENT] += lost

    def _leave_gas(self, ledger: Ledger, hydrogen_share: float) -> None:
        """The void of the bed fills with forming gas."""
        rest, void = self.bed.rest, _VOID_L * LITRE_MOL
        if rest[N2] == 0.0:
            rest[H2], rest[N2] = void * hydrogen_share, void * (1.0 - hydrogen_share)
            ledger.came[H2] += rest[H2]
            ledger.came[N2] += rest[N2]

    def _rinse(self, dt: float, ledger: Ledger) -> None:
        """Inert gas, then the box's own, sweeps the void."""
        keep = math.exp(-dt / 600.0)
        for species in (H2, N2, AR):
            lost = self.bed.rest[species] * (1.0 - keep)
            self.bed.rest[species] -= lost
            ledger.went[species] += lost
