"""A glovebox: its gas, walls, gloves, valves, holes, chambers and a freezer, stepped together.

A step is laid out so that it reads the same forwards and backwards (gas out,
loop, corner, what comes in, corner, loop, gas out), which makes it second order.
The loop itself is the purifier's; the lab calls both in this order.
"""

from __future__ import annotations

import math
import random
from typing import Final

from dewline_sim.physics.chamber import Antechamber
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.freezer import Freezer
from dewline_sim.physics.gas_space import GasSpace
from dewline_sim.physics.gloves import Gloves
from dewline_sim.physics.mixture import Ledger, empty, filled, mol_density, move, swap, with_traces
from dewline_sim.physics.openings import AIR_KG_M3, ORIFICE, Opening, forced_open
from dewline_sim.physics.people import Hands
from dewline_sim.physics.services import Supply, VacuumPump
from dewline_sim.physics.spec import BoxSpec, PurifierSpec
from dewline_sim.physics.transfer import Transfer
from dewline_sim.physics.valves import Valves
from dewline_sim.physics.walls import Walls

_STIFF: Final = 0.15  # share of its excess an opening may take in a step before it is forced


class Box(GasSpace):
    """One box, started in its steady state: idle levels, walls and gloves to match.

    ``loop`` is the spec of the purifier that cleans it, None where there is none.
    """

    def __init__(
        self, spec: BoxSpec, climate: Climate, ledger: Ledger, *, supply: Supply,
        valve_supply: Supply, loop: PurifierSpec | None, seed: int,
    ) -> None:  # fmt: skip
        temperature_c = climate.temperature_c + (0.5 if loop is not None else 0.0)
        self.valves = Valves(spec)
        self.gloves = Gloves(spec.gloves)
        self.gloves.set_steady(climate, temperature_c)
        gauge_pa = self.valves.target_pa
        density = mol_density(climate.barometer_pa + gauge_pa, temperature_c)
        oxygen = _idle(self.gloves.oxygen.rate, spec.oxygen_ppm, loop, density)
        water = _idle(self.gloves.water.rate, spec.moisture_ppm, loop, density)
        shares = with_traces(supply.shares, oxygen, water)
        super().__init__(
            spec, climate, ledger, supply=supply, valve_supply=valve_supply,
            temperature_c=temperature_c, gauge_pa=gauge_pa, shares=shares,
        )  # fmt: skip
        self.chance = random.Random(f"{seed}/{spec.name}")
        self.lights_k = 0.0
        self.hands = Hands(self.chance)
        self.openings: list[Opening] = []
        self.test_leak_m3_s = 0.0  # room air through a calibrated leak, whatever the pressure
        self.rates = empty()  # mol/s from sources people switch on
        self.transfers: list[Transfer] = []
        self.freezer = Freezer(spec.freezer) if spec.freezer is not None else None
        self._in = self._out = self._air = 0.0  # mol of the step: supply, to outside, room air
        self.walls = Walls(spec.walls, self.density * spec.volume_m3)
        self.walls.set_temperature(self.temperature_c)
        self.walls.set_equilibrium(water)
        self.chambers = {
            c.name: Antechamber(c, filled(shares, self.pressure_pa, c.volume_l * 1e-3, self.kelvin))
            for c in spec.chambers
        }
        self.update_slow(0.0, 0.0)
        self.update_pressure()

    def start_step(self, now_s: float, dt: float) -> None:
        """Move hands, run transfers, decide what flows in the coming ``dt`` s, let half of it out.

        What flows in is let in by ``add_inflows``; the other half of what flows
        out leaves in ``end_step``.
        """
        self.arms_m3 = self.hands.litres(now_s, self.climate.local_hour(now_s)) * 1e-3
        for transfer in self.transfers:
            transfer.advance(self, dt)
        if self.transfers and self.transfers[0].done:
            self.transfers = [t for t in self.transfers if not t.done]
        self._in, self._out = self.valves.decide(self, dt)
        self.exhaust_mol += self._out * self.inert_share
        self._air = self.test_leak_m3_s * self.density * dt
        if self.openings:
            self._leak(dt)
        self._release_half()
        self.count_zone()

    def end_step(self) -> None:
        """Let the other half of the outflow go, then balance the pressure."""
        self._release_half()
        self.update_pressure()

    def _leak(self, dt: float) -> None:
        """Flow and exchange through the holes of the shell."""
        soft = self.give_m3_pa()
        reach = math.sqrt(2.0 / self.mass_density) * dt / (2.0 * math.sqrt(abs(self.gauge_pa) + 1))
        upstream = self.mass_density if self.gauge_pa > 0.0 else AIR_KG_M3
        large = 0.0
        for hole in self.openings:
            if ORIFICE * hole.area_m2 * reach > _STIFF * soft:
                large += hole.area_m2
            else:
                speed = hole.velocity_m_s(self.gauge_pa, upstream)
                self._through(
                    hole.area_m2 * speed * dt, hole.exchange_m3_s(speed, self.buoyancy) * dt
                )
        if large:
            self._leak_through_large(large, soft, dt)

    def _leak_through_large(self, area_m2: float, soft: float, dt: float) -> None:
        """Openings so large that pressure follows them within the step."""
        net = (self._in + self._air - self._out) / self.density
        after = forced_open(
            self.gauge_pa, inflow_m3_s=net / dt, area_m2=area_m2, give_m3_pa=soft,
            density=self.mass_density, dt=dt,
        )  # fmt: skip
        out = net - soft * (after - self.gauge_pa)
        speed = out / dt / area_m2
        swapped = sum(
            hole.exchange_m3_s(speed, self.buoyancy) for hole in self.openings if hole.gap_m > 1e-3
        )
        self._through(out, swapped * dt)

    def _through(self, out_m3: float, swapped_m3: float) -> None:
        """Note a volume that flows out (in where negative) and one that changes places."""
        if out_m3 > 0.0:
            self._out += out_m3 * self.density
            self.note_spill(out_m3 * self.density)
        else:
            self._air -= out_m3 * self.density
        self._out += swapped_m3 * self.density
        self._air += swapped_m3 * self.density

    def _release_half(self) -> None:
        """Let out half of what leaves in this step."""
        if self._out:
            n = sum(self.zone)
            move(self.zone, self.ledger.went, min(0.5, 0.5 * self._out / n))

    def mix_corner(self, dt: float) -> None:
        """Let swept zone and corner change gas for ``dt`` s.

        The mole fractions approach each other with the time constant
        ``dead_exchange_s``; the corner keeps its share of the amount.
        """
        dead = self.spec.dead_fraction
        if dead == 0.0:
            return
        here, there = sum(self.zone), sum(self.corner)
        whole = here + there
        share = -math.expm1(-dt / (self.spec.dead_exchange_s * (1.0 - dead)))
        excess = there - dead * whole
        from_here, from_there = share * there / whole, share * here / whole
        if excess > 0.0:
            from_there += excess / there
        else:
            from_here -= excess / here
        swap(self.zone, self.corner, from_here, from_there)
        self.count_zone()

    def add_inflows(self, pump: VacuumPump, dt: float) -> None:
        """Let in all that comes in during ``dt`` s, and run the antechambers.

        Supply gas, room air, permeation, water of walls, ice and wet things,
        sources, and what chambers take or give.
        """
        zone, ledger = self.zone, self.ledger
        if self._in:
            self.supply.deliver(zone, ledger, self._in)
        if self._air:
            self.let_air_in(self._air)
        self.gloves.release(zone, ledger, dt)
        self.walls.exchange(zone, dt)
        if self.freezer is not None:
            self.freezer.exchange(zone, dt)
        if self.things:
            self.dry_things(dt)
        self._run_sources(dt)
        for chamber in self.chambers.values():
            if not chamber.idle:
                chamber.step(self, pump, dt)
        self.count_zone()

    def _run_sources(self, dt: float) -> None:
        for species, rate in enumerate(self.rates):
            if rate:
                self.zone[species] += rate * dt
                self.ledger.came[species] += rate * dt

    def update_pressure(self) -> None:
        """Pressure from amount, volume, temperature and barometer; open chambers belong to it."""
        open_doors = [c for c in self.chambers.values() if c.inner_open]
        n, volume = self.mol, self.spec.volume_m3 - self.arms_m3
        for chamber in open_doors:
            n += sum(chamber.gas)
            volume += chamber.volume_m3
        self.set_pressure(n, volume)
        for chamber in open_doors:
            chamber.equalize(self)
        self.count_zone()

    def update_slow(self, dt: float, loop_k: float) -> None:
        """Temperature and what follows from it, every few seconds.

        ``loop_k`` is how much warmer than the room the loop makes the box in the end.
        """
        goal = self.climate.temperature_c + self.lights_k * self.powered + loop_k
        nearer = -math.expm1(-dt / (self.spec.warm_up_min * 60.0))
        self.set_temperature(self.temperature_c + (goal - self.temperature_c) * nearer)
        self.walls.set_temperature(self.temperature_c)
        self.update_composition()
        if self.freezer is not None:
            self.freezer.update(dt, self.climate.temperature_c, self.powered)
            self.freezer.set_rate(self.zone, sum(self.zone), self.density)

    def update_gloves(self) -> None:
        """Permeation through the gloves' rubber, once a minute."""
        n = sum(self.zone)
        inside = [x / n * self.pressure_pa for x in self.zone]
        self.gloves.worn = 1.0 if self.hands.inside else 0.0
        self.gloves.permeate(self.ledger, self.climate, self.temperature_c, inside)

    def lose_power(self) -> None:
        """Valves fall shut, programs stop where they are, lights go out."""
        super().lose_power()
        self.valves.purge_l_min = 0.0
        self.transfers.clear()
        for chamber in self.chambers.values():
            chamber.evacuating = chamber.refilling = False


def _idle(
    rate_mol_s: float, given_ppm: float | None, loop: PurifierSpec | None, density: float
) -> float:
    """Mole fraction at which the loop takes out what the gloves let in, or the one given."""
    if given_ppm is not None:
        return given_ppm * 1e-6
    if loop is None:
        return 1e-6
    flow = loop.flow_m3_h / 3600.0 * density
    return rate_mol_s / (flow * (1.0 - loop.bypass))
