"""Antechambers: two doors, a pump, a refill valve, seals, and water on their walls."""

from __future__ import annotations

import math
from typing import Final

from dewline_sim.physics.gas_space import GasSpace
from dewline_sim.physics.mixture import H2O, O2, Mixture, R, add, move, swap
from dewline_sim.physics.openings import AIR_KG_M3, Opening
from dewline_sim.physics.services import VacuumPump
from dewline_sim.physics.spec import ChamberSpec
from dewline_sim.physics.walls import WetThing

_OUTER_MIX_S: Final = 10.0  # room air through an open door
_INNER_MIX_S: Final = 15.0


class Antechamber:
    """One antechamber of a box. Pressures absolute, in Pa; ``gas`` and ``wall_mol`` in mol."""

    def __init__(self, spec: ChamberSpec, gas: Mixture) -> None:
        self.spec = spec
        self.volume_m3 = spec.volume_l * 1e-3
        self.gas = gas
        self.outer_open = self.inner_open = False
        self.evacuating = self.refilling = False
        self.stop_pa = 0.0  # the pump valve closes here
        self.items: list[WetThing] = []  # what lies in it
        self.wall_mol = 0.0
        self.outer_seal: Opening | None = None
        self.inner_seal: Opening | None = None

    def pressure_pa(self, kelvin: float) -> float:
        """Absolute pressure in Pa at this temperature."""
        return sum(self.gas) * R * kelvin / self.volume_m3

    @property
    def idle(self) -> bool:
        """Whether nothing happens in it: shut, tight, and its walls and load dry.

        A box skips idle chambers at every step.
        """
        moves = self.evacuating or self.refilling or self.outer_open or self.inner_open
        leaks = self.outer_seal is not None or self.inner_seal is not None
        return not (moves or leaks or self.items or self.wall_mol > 1e-12)

    def step(self, box: GasSpace, pump: VacuumPump, dt: float) -> None:
        """All that happens in ``dt`` s: doors, drying, pumping, refill, leaks, exchange.

        ``box`` gives gas, takes gas, and has the temperature. The valves of an
        automatic chamber need gas to move them, a hand valve only power for the pump.
        """
        if self.outer_open:
            self._room_air(box, dt)
        else:
            self._dry(box, dt)
        valves = box.powered and (box.valve_supply.moves_valves or not self.spec.automatic)
        if self.evacuating and valves and pump.on:
            self._pump(box, pump, dt)
        if self.refilling and valves:
            self._refill(box, dt)
        if self.outer_seal is not None or self.inner_seal is not None:
            self._seals(box, dt)
        if self.inner_open:
            self._mix(box, dt)

    def _mol_at(self, pressure_pa: float, kelvin: float) -> float:
        return pressure_pa * self.volume_m3 / (R * kelvin)

    def _room_air(self, box: GasSpace, dt: float) -> None:
        """Level out with the room and change gas with it; the walls take up water."""
        ledger, air = box.ledger, box.climate.air
        n = sum(self.gas)
        excess = n - self._mol_at(box.climate.barometer_pa, box.kelvin)
        if self.inner_open:  # the box breathes through the chamber
            excess += box.gauge_pa * box.spec.volume_m3 / (R * box.kelvin)
        if excess > 0.0:
            move(self.gas, ledger.went, min(0.9, excess / n))
        else:
            add(self.gas, ledger.came, air, -excess)
        share = -math.expm1(-dt / _OUTER_MIX_S)
        n = sum(self.gas)
        box.spill_mol += share * max(0.0, n - self.gas[O2] / air[O2])
        move(self.gas, ledger.went, share)
        add(self.gas, ledger.came, air, share * n)
        full = self.spec.wall_cm3 * 4.46e-5 * min(1.0, air[H2O] / 0.02)
        taken = (full - self.wall_mol) * -math.expm1(-dt / 60.0)
        self.wall_mol += taken
        ledger.cross(H2O, taken)

    def _dry(self, box: GasSpace, dt: float) -> None:
        """Walls and load give off water, faster under vacuum."""
        thin = self.pressure_pa(box.kelvin) < 10_000.0
        if self.wall_mol:
            moved = self.wall_mol * -math.expm1(-(1.0 if thin else 0.3) * dt / self.spec.wall_s)
            moved = moved if self.wall_mol > 1e-12 else self.wall_mol
            self.wall_mol -= moved
            self.gas[H2O] += moved
        for item in self.items:
            item.dry(self.gas, dt, WetThing.VACUUM_HASTE if thin else 1.0)
        if self.items:
            self.items = [item for item in self.items if item.pools]

    def _pump(self, box: GasSpace, pump: VacuumPump, dt: float) -> None:
        """Pumping speed S (1 - base/p): an exponential to the base pressure."""
        n = sum(self.gas)
        base = self._mol_at(pump.base_pa, box.kelvin)
        pace = self.spec.pump_m3_h / 3600.0 * pump.speed_share / self.volume_m3
        left = base + (n - base) * math.exp(-pace * dt)
        left = max(left, min(n, self._mol_at(self.stop_pa, box.kelvin)))
        if left < n:
            move(self.gas, box.ledger.went, 1.0 - left / n)
            box.exhaust_mol += n - left
        pump.foreline_pa = self.pressure_pa(box.kelvin)

    def _refill(self, box: GasSpace, dt: float) -> None:
        """Gas from the box or the supply until the box's pressure is reached."""
        need = self._mol_at(box.pressure_pa, box.kelvin) - sum(self.gas)
        mol = self.spec.refill_l_min / 60e3 * box.density * dt
        if self.spec.refill_from == "supply":
            mol *= box.supply.push
        mol = min(mol, need)
        if mol <= 0.0:
            return
        if self.spec.refill_from == "supply":
            box.supply.deliver(self.gas, box.ledger, mol)
        else:
            move(box.zone, self.gas, mol / sum(box.zone))

    def _seals(self, box: GasSpace, dt: float) -> None:
        """Leaking seals: room air past the outer one, box gas past the inner one."""
        if self.inner_seal is not None and not self.inner_open:
            drop = box.pressure_pa - self.pressure_pa(box.kelvin)
            flow = self.inner_seal.velocity_m_s(drop, box.mass_density) * self.inner_seal.area_m2
            mol = flow * dt * box.density
            if mol > 0.0:
                move(box.zone, self.gas, mol / sum(box.zone))
            elif self.gas:
                move(self.gas, box.zone, min(0.5, -mol / sum(self.gas)))
        if self.outer_seal is not None and not self.outer_open:
            drop = box.climate.barometer_pa - self.pressure_pa(box.kelvin)
            flow = self.outer_seal.velocity_m_s(drop, AIR_KG_M3) * self.outer_seal.area_m2
            mol = flow * dt * box.climate.barometer_pa / (R * box.kelvin)
            if mol > 0.0:
                add(self.gas, box.ledger.came, box.climate.air, mol)
            else:
                move(self.gas, box.ledger.went, min(0.5, -mol / sum(self.gas)))

    def _mix(self, box: GasSpace, dt: float) -> None:
        """The inner door is open: chamber and box change gas."""
        here, there = sum(self.gas), sum(box.zone)
        share = -math.expm1(-dt / _INNER_MIX_S * (1.0 + here / there))
        swap(self.gas, box.zone, share * there / (here + there), share * here / (here + there))

    def equalize(self, box: GasSpace) -> None:
        """With the inner door open, both have one pressure: move what is too much."""
        n = sum(self.gas)
        excess = n - self._mol_at(box.pressure_pa, box.kelvin)
        if excess > 0.0:
            move(self.gas, box.zone, excess / n)
        else:
            move(box.zone, self.gas, -excess / sum(box.zone))
