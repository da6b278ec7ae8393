"""A glovebox: two zones of gas, walls, gloves, valves, holes, chambers, a freezer.

A step is laid out so that it reads the same forwards and backwards (gas out,
loop, corner, what comes in, corner, loop, gas out), which makes it second order.
"""

from __future__ import annotations

import math
import random
from typing import Final

from dewline_sim.physics.chamber import Chamber, filled
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.freezer import Freezer
from dewline_sim.physics.gloves import Gloves
from dewline_sim.physics.mixture import (
    H2,
    H2O,
    O2,
    SOLVENT,
    ZERO_C,
    Ledger,
    Mixture,
    R,
    add,
    empty,
    molar_mass,
    move,
    swap,
)  # fmt: skip
from dewline_sim.physics.openings import AIR_KG_M3, ORIFICE, Opening, forced_open
from dewline_sim.physics.people import Hands
from dewline_sim.physics.purifier import Purifier
from dewline_sim.physics.services import Supply, VacuumPump
from dewline_sim.physics.spec import BoxSpec
from dewline_sim.physics.transfer import Transfer
from dewline_sim.physics.valves import Valves
from dewline_sim.physics.walls import Walls, WetThing

_STIFF: Final = 0.15  # share of its excess an opening may take in a step before it is forced


class Box:
    """One box. Pressures in Pa, volumes in m3, amounts in mol, temperature in degC."""

    def __init__(
        self, spec: BoxSpec, climate: Climate, ledger: Ledger, supply: Supply,
        purifier: Purifier | None, *, valve_supply: Supply, seed: int,
    ) -> None:  # fmt: skip
        self.spec, self.climate, self.ledger = spec, climate, ledger
        self.supply, self.purifier, self.valve_supply = supply, purifier, valve_supply
        self.chance = random.Random(f"{seed}/{spec.name}")
        self.temperature_c = climate.temperature_c + (0.5 if purifier is not None else 0.0)
        self.kelvin = self.temperature_c + ZERO_C
        self.powered = True
        self.lights_k = 0.0
        self.valves = Valves(spec)
        self.hands = Hands(self.chance)
        self.openings: list[Opening] = []
        self.test_leak_m3_s = 0.0  # room air through a calibrated leak, whatever the pressure
        self.things: list[WetThing] = []
        self.rates = empty()  # mol/s from sources people switch on
        self.transfers: list[Transfer] = []
        self.luggage: list[WetThing] = []  # on its way in, not yet in a chamber
        self.freezer = Freezer(spec.freezer) if spec.freezer is not None else None
        self.gauge_pa = self.valves.target_pa
        self.spill_mol = self.exhaust_mol = 0.0  # inert gas to the room, to the exhaust
        self._give = spec.gloves.compliance_l_mbar * 1e-5  # m3/Pa
        self._stroke = spec.gloves.stroke_l * 1e-3
        self._arms = 0.0
        self._out = self._air = 0.0
        self._fill_start()
        self.tick(0.0)
        self.settle()

    def _fill_start(self) -> None:
        """Start in the steady state: idle levels, walls and gloves to match."""
        spec, climate = self.spec, self.climate
        self.pressure_pa = climate.barometer_pa + self.gauge_pa
        self.density = self.pressure_pa / (R * self.kelvin)
        self.gloves = Gloves(spec.gloves)
        self.gloves.settle(climate.air, climate.barometer_pa, self.temperature_c)
        oxygen = self._idle(self.gloves.oxygen.rate, spec.oxygen_ppm)
        water = self._idle(self.gloves.water.rate, spec.moisture_ppm)
        shares = list(self.supply.shares)
        main = max(range(6), key=shares.__getitem__)
        shares[main] += shares[O2] + shares[H2O] - oxygen - water
        shares[O2], shares[H2O] = oxygen, water
        volume = spec.volume_m3 + self._yield(self.gauge_pa)
        dead = spec.dead_fraction
        self.zone = filled(shares, self.pressure_pa, volume * (1.0 - dead), self.kelvin)
        self.corner = filled(shares, self.pressure_pa, volume * dead, self.kelvin)
        self.zone_mol = sum(self.zone)
        self.walls = Walls(spec.walls, self.density * spec.volume_m3)
        self.walls.warm(self.temperature_c)
        self.walls.settle(water)
        self.chambers = {
            c.name: Chamber(c, filled(shares, self.pressure_pa, c.volume_l * 1e-3, self.kelvin))
            for c in spec.chambers
        }

    def _idle(self, rate: float, given_ppm: float | None) -> float:
        """Mole fraction at which the loop takes out what the gloves let in."""
        if given_ppm is not None:
            return given_ppm * 1e-6
        if self.purifier is None:
            return 1e-6
        flow = self.purifier.spec.flow_m3_h / 3600.0 * self.density
        return rate / (flow * (1.0 - self.purifier.spec.bypass))

    def _yield(self, gauge_pa: float) -> float:
        """Volume that gloves and window give way."""
        return max(-self._stroke, min(self._stroke, self._give * gauge_pa))

    def mol_at(self, gauge_pa: float) -> float:
        """Gas in both zones at this gauge pressure, hands and temperature as they are."""
        volume = self.spec.volume_m3 - self._arms + self._yield(gauge_pa)
        return (self.climate.barometer_pa + gauge_pa) * volume / (R * self.kelvin)

    @property
    def mol(self) -> float:
        return sum(self.zone) + sum(self.corner)

    def begin(self, now_s: float, dt: float) -> None:
        """Move hands, run transfers, and decide what flows in the coming step."""
        self._arms = self.hands.litres(now_s, self.climate.local_hour(now_s)) * 1e-3
        for transfer in self.transfers:
            transfer.tick(self, dt)
        if self.transfers and self.transfers[0].done:
            self.transfers = [t for t in self.transfers if not t.done]
        inflow, outflow = self.valves.decide(self, dt)
        self.exhaust_mol += outflow * self._inert
        self._out, self._air = outflow, self.test_leak_m3_s * self.density * dt
        self._inflow = inflow
        if self.openings:
            self._leak(dt)

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
            self._gape(large, soft, dt)

    def _gape(self, area_m2: float, soft: float, dt: float) -> None:
        """Openings so large that pressure follows them within the step."""
        net = (self._inflow + self._air - self._out) / self.density
        after = forced_open(
            self.gauge_pa,
            inflow_m3_s=net / dt,
            area_m2=area_m2,
            give_m3_pa=soft,
            density=self.mass_density,
            dt=dt,
        )
        out = net - soft * (after - self.gauge_pa)
        speed = out / dt / area_m2
        swapped = sum(
            hole.exchange_m3_s(speed, self.buoyancy) for hole in self.openings if hole.gap_m > 1e-3
        )
        self._through(out, swapped * dt)

    def _through(self, out_m3: float, swapped_m3: float) -> None:
        if out_m3 > 0.0:
            self._out += out_m3 * self.density
            self.spill_mol += out_m3 * self.density * self._inert
        else:
            self._air -= out_m3 * self.density
        self._out += swapped_m3 * self.density
        self._air += swapped_m3 * self.density

    def give_m3_pa(self) -> float:
        """Volume of gas per pressure: the gas itself, gloves and window."""
        soft = self._give if abs(self._give * self.gauge_pa) < self._stroke else 0.0
        return self.spec.volume_m3 / self.pressure_pa + soft

    def lose(self, share: float) -> None:
        """Gas of the swept zone to the room."""
        self.spill_mol += share * sum(self.zone) * self._inert
        move(self.zone, self.ledger.went, share)

    def breathe_out(self) -> None:
        """Half of what leaves in this step."""
        if self._out:
            n = sum(self.zone)
            move(self.zone, self.ledger.went, min(0.5, 0.5 * self._out / n))
        self.zone_mol = sum(self.zone)

    def stir(self, dt: float) -> None:
        """Swept zone and corner change gas, and the corner keeps its share of the amount."""
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
        self.zone_mol = sum(self.zone)

    def take_in(self, pump: VacuumPump, dt: float) -> None:
        """All that comes in during a step."""
        zone, ledger = self.zone, self.ledger
        if self._inflow:
            self.supply.pour(zone, ledger, self._inflow)
        if self._air:
            add(zone, ledger.came, self.climate.air, self._air)
        self.gloves.give(zone, ledger, dt)
        per_mol = 1.0 / sum(zone)
        self.walls.quick.trade(zone, per_mol, dt)
        self.walls.slow.trade(zone, per_mol, dt)
        if self.freezer is not None:
            self.freezer.give(zone, dt)
        if self.things:
            self._dry_things(dt)
        for species in (O2, H2O, H2, SOLVENT):
            if self.rates[species]:
                zone[species] += self.rates[species] * dt
                ledger.came[species] += self.rates[species] * dt
        for chamber in self.chambers.values():
            if not chamber.idle:
                chamber.step(self, pump, dt)
        self.zone_mol = sum(zone)

    def _dry_things(self, dt: float) -> None:
        for thing in self.things:
            thing.dry(self.zone, dt)
        self.things = [thing for thing in self.things if thing.pools]

    def settle(self) -> None:
        """Pressure from amount, volume, temperature and barometer.

        (pb + g)(V + C g) = n R T, solved for g; beyond the gloves' stroke V is rigid.
        """
        barometer = self.climate.barometer_pa
        open_doors = [c for c in self.chambers.values() if c.inner_open]
        n, volume = self.mol, self.spec.volume_m3 - self._arms
        for chamber in open_doors:
            n += sum(chamber.gas)
            volume += chamber.volume_m3
        energy = n * R * self.kelvin
        excess, slope = energy - barometer * volume, volume + self._give * barometer
        gauge = 2.0 * excess / (slope + math.sqrt(slope * slope + 4.0 * self._give * excess))
        if abs(self._give * gauge) > self._stroke:
            gauge = energy / (volume + math.copysign(self._stroke, gauge)) - barometer
        self.gauge_pa = gauge
        self.pressure_pa = barometer + gauge
        self.density = self.pressure_pa / (R * self.kelvin)
        for chamber in open_doors:
            chamber.level(self)
        self.zone_mol = sum(self.zone)

    def tick(self, dt: float) -> None:
        """Every few seconds: temperature and what follows from it."""
        goal = self.climate.temperature_c + self.lights_k * self.powered
        if self.purifier is not None and self.purifier.bed is not None:
            turn = self.purifier.flow_m3_s * 3600.0 / self.purifier.spec.flow_m3_h
            hot = self.purifier.bed.temperature_c - self.climate.temperature_c
            goal += 0.25 * hot * turn
        self.temperature_c += (goal - self.temperature_c) * -math.expm1(
            -dt / (self.spec.warm_up_min * 60.0)
        )
        self.kelvin = self.temperature_c + ZERO_C
        self.walls.warm(self.temperature_c)
        air = self.climate.air
        self._inert = max(0.0, 1.0 - self.zone[O2] / sum(self.zone) / air[O2])
        mass = molar_mass(self.zone)
        self.mass_density = mass * self.density
        self.buoyancy = abs(molar_mass(air) / mass - 1.0)
        if self.freezer is not None:
            self.freezer.tick(dt, self.climate.temperature_c, self.powered)
            self.freezer.aim(self.zone, sum(self.zone), self.density, self.kelvin)

    def tick_gloves(self) -> None:
        """Once a minute: the rubber."""
        n = sum(self.zone)
        inside = [x / n * self.pressure_pa for x in self.zone]
        self.gloves.worn = 1.0 if self.hands.inside else 0.0
        air, barometer = self.climate.air, self.climate.barometer_pa
        self.gloves.tick(self.ledger, air, barometer, self.temperature_c, inside)

    def lose_power(self) -> None:
        """Valves fall shut, programs stop where they are, lights go out."""
        self.powered = False
        self.valves.purge_l_min = 0.0
        self.transfers.clear()
        for chamber in self.chambers.values():
            chamber.evacuating = chamber.refilling = False

    def held(self, gas: Mixture) -> None:
        for i in range(6):
            gas[i] += self.zone[i] + self.corner[i]
        self.walls.held(gas)
        self.gloves.held(gas)
        gas[H2O] += sum(thing.mol for thing in self.things + self.luggage)
        if self.freezer is not None:
            gas[H2O] += self.freezer.ice_mol
        for chamber in self.chambers.values():
            chamber.held(gas)
