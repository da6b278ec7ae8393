"""The gas of a box: two zones, their pressure, and the boundary that gloves and window give way.

Antechambers, valves, transfers and purifiers exchange gas with this class; none
of them needs to know the box. ``Box`` adds what stands in the gas and what
happens in a step.
"""

from __future__ import annotations

import math

from dewline_sim.physics.climate import Climate
from dewline_sim.physics.mixture import (
    O2,
    ZERO_C,
    Ledger,
    Mixture,
    R,
    add,
    filled,
    molar_mass,
    move,
)
from dewline_sim.physics.services import Supply
from dewline_sim.physics.spec import BoxSpec
from dewline_sim.physics.walls import WetThing


class GasSpace:
    """The gas inside one box and what it is connected to.

    Pressures in Pa (``gauge_pa`` is over the barometer), volumes in m3, amounts
    in mol, ``density`` in mol/m3, ``mass_density`` in kg/m3, temperature in degC.
    ``zone`` is the swept part, ``corner`` the badly swept rest.
    """

    def __init__(
        self, spec: BoxSpec, climate: Climate, ledger: Ledger, *, supply: Supply,
        valve_supply: Supply, temperature_c: float, gauge_pa: float, shares: Mixture,
    ) -> None:  # fmt: skip
        self.spec, self.climate, self.ledger = spec, climate, ledger
        self.supply, self.valve_supply = supply, valve_supply
        self.powered = True
        self.temperature_c = temperature_c
        self.kelvin = temperature_c + ZERO_C
        self.gauge_pa = gauge_pa
        self.pressure_pa = climate.barometer_pa + gauge_pa
        self.density = self.pressure_pa / (R * self.kelvin)
        self.arms_m3 = 0.0  # what hands in the gloves displace; negative: gloves pulled outward
        self._give = spec.gloves.compliance_l_mbar * 1e-5  # m3/Pa
        self._stroke = spec.gloves.stroke_l * 1e-3
        volume = spec.volume_m3 + self._given_way_m3(gauge_pa)
        dead = spec.dead_fraction
        self.zone = filled(shares, self.pressure_pa, volume * (1.0 - dead), self.kelvin)
        self.corner = filled(shares, self.pressure_pa, volume * dead, self.kelvin)
        self.zone_mol = sum(self.zone)
        self.things: list[WetThing] = []  # what lies in the box and dries
        self.luggage: list[WetThing] = []  # on its way in, not yet in a chamber
        self.spill_mol = self.exhaust_mol = 0.0  # inert gas to the room, to the exhaust
        self.inert_share = self.mass_density = self.buoyancy = 0.0
        self.update_composition()

    def update_composition(self) -> None:
        """Recompute what follows from the composition and changes slowly.

        ``inert_share`` is the part of the zone that is not room air,
        ``buoyancy`` the density difference to room air over the zone's density.
        """
        air = self.climate.air
        self.inert_share = max(0.0, 1.0 - self.zone[O2] / sum(self.zone) / air[O2])
        mass = molar_mass(self.zone)
        self.mass_density = mass * self.density
        self.buoyancy = abs(molar_mass(air) / mass - 1.0)

    def set_temperature(self, temperature_c: float) -> None:
        """Another temperature of the gas, in degC; the pressure follows with the next step."""
        self.temperature_c = temperature_c
        self.kelvin = temperature_c + ZERO_C

    def _given_way_m3(self, gauge_pa: float) -> float:
        """Volume that gloves and window give way."""
        return max(-self._stroke, min(self._stroke, self._give * gauge_pa))

    def mol_at(self, gauge_pa: float) -> float:
        """Gas in both zones at this gauge pressure, hands and temperature as they are."""
        volume = self.spec.volume_m3 - self.arms_m3 + self._given_way_m3(gauge_pa)
        return (self.climate.barometer_pa + gauge_pa) * volume / (R * self.kelvin)

    @property
    def mol(self) -> float:
        """Gas in both zones."""
        return sum(self.zone) + sum(self.corner)

    def give_m3_pa(self) -> float:
        """Volume of gas per pressure: the gas itself, gloves and window."""
        soft = self._give if abs(self._give * self.gauge_pa) < self._stroke else 0.0
        return self.spec.volume_m3 / self.pressure_pa + soft

    def count_zone(self) -> None:
        """Bring ``zone_mol`` up to date after gas was moved."""
        self.zone_mol = sum(self.zone)

    def note_spill(self, mol: float) -> None:
        """Note gas of the zone that leaves to the room; only its inert part counts."""
        self.spill_mol += mol * self.inert_share

    def lose_power(self) -> None:
        """No power any more: valves do not move and the pump does not pull."""
        self.powered = False

    def dry_things(self, dt: float) -> None:
        """Let what lies in the box give off water for ``dt`` s; what is dry is forgotten."""
        for thing in self.things:
            thing.dry(self.zone, dt)
        self.things = [thing for thing in self.things if thing.pools]

    def let_air_in(self, mol: float) -> None:
        """Let room air into the zone."""
        add(self.zone, self.ledger.came, self.climate.air, mol)

    def expose(self, share: float) -> None:
        """Replace a share (0-1) of all the gas by room air."""
        for zone in (self.zone, self.corner):
            n = sum(zone)
            move(zone, self.ledger.went, share)
            add(zone, self.ledger.came, self.climate.air, share * n)
        self.count_zone()

    def lose_to_room(self, share: float) -> None:
        """Let a share (0-1) of the swept zone's gas out into the room."""
        self.note_spill(share * sum(self.zone))
        move(self.zone, self.ledger.went, share)

    def set_pressure(self, mol: float, volume_m3: float) -> None:
        """Pressure and density of ``mol`` of gas in ``volume_m3`` (gloves slack).

        (pb + g)(V + C g) = n R T, solved for the gauge pressure g with C the
        compliance of gloves and window; beyond the gloves' stroke V is rigid.
        """
        barometer = self.climate.barometer_pa
        energy = mol * R * self.kelvin
        excess, slope = energy - barometer * volume_m3, volume_m3 + self._give * barometer
        gauge = 2.0 * excess / (slope + math.sqrt(slope * slope + 4.0 * self._give * excess))
        if abs(self._give * gauge) > self._stroke:
            gauge = energy / (volume_m3 + math.copysign(self._stroke, gauge)) - barometer
        self.gauge_pa = gauge
        self.pressure_pa = barometer + gauge
        self.density = self.pressure_pa / (R * self.kelvin)
