"""The loop: blower, cooling, one bed or two, shared by the boxes that name it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from dewline_sim.physics.bed import PurifierBed
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.gas_space import GasSpace
from dewline_sim.physics.mixture import H2O, O2, SOLVENT, ZERO_C, Ledger, R, add, empty, move
from dewline_sim.physics.openings import AIR_KG_M3, Opening
from dewline_sim.physics.ramp import Ramp
from dewline_sim.physics.regeneration import Regeneration
from dewline_sim.physics.services import Cooling
from dewline_sim.physics.spec import PurifierSpec

_SPIN_UP_S: Final = 20.0
_WARM_UP_S: Final = 600.0  # bearings and gas: the last 5 % of the flow
_EVAPORATE_S: Final = 300.0
_LEVEL_S: Final = 10.0  # boxes on one loop level out
_BED_TAU_S: Final = 2400.0


class Purifier:
    """Moves the gas of its boxes through a bed. Flows in m3/s here, in m3/h in spec and truth.

    ``in_loop`` is the bed that gas passes (0, 1), None while the loop is shut.
    ``on`` is what people or the program switched; the blower turns only with power.
    """

    def __init__(
        self, spec: PurifierSpec, climate: Climate, ledger: Ledger, boxes: Sequence[GasSpace]
    ) -> None:
        self.spec = spec
        self._climate = climate
        self._ledger = ledger
        self.boxes = boxes  # on its loop
        self.beds = [PurifierBed(spec, climate.temperature_c + 2.0) for _ in range(spec.beds)]
        self.in_loop: int | None = 0
        self.regeneration: Regeneration | None = None
        self.on = True
        self.powered = True
        self.speed = Ramp(1.0)  # set by people, of the day or night flow
        self.filter = Ramp(1.0)  # what a clogged filter leaves of the flow
        self.bypassed = False
        self.openings: list[Opening] = []
        self.water_leak_mol_s = 0.0
        self.leak_before_bed = False
        self.pool_mol = 0.0  # liquid that leaked and has not evaporated
        self.night = spec.night_flow_m3_h is not None
        self._spin = self._warm = 1.0
        self.speed_percent = 100.0
        self.flow_m3_s = 0.0
        self.forming_mol = 0.0  # drawn from the forming-gas cylinder since the start
        self.update(0.0, 0.0)

    @property
    def bed(self) -> PurifierBed | None:
        """The bed in the loop, if any."""
        return None if self.in_loop is None else self.beds[self.in_loop]

    @property
    def running(self) -> bool:
        """The blower turns (which alone cleans nothing)."""
        return self.on and self.powered

    @property
    def turn(self) -> float:
        """The flow as a share of the full one."""
        return self.flow_m3_s * 3600.0 / self.spec.flow_m3_h

    def update(self, now_s: float, dt: float) -> None:
        """Set blower speed and flow of the coming step of ``dt`` s.

        The speed follows what people and the time of day ask for with a time
        constant of 20 s; after a start the last 5 % of the flow take 10 min. No
        gas flows where loop valves are shut or a box has no gas to move them.
        """
        goal = self.speed.at(now_s) * self._schedule(now_s) if self.running else 0.0
        self._spin += (goal - self._spin) * (-math.expm1(-dt / _SPIN_UP_S) if dt else 1.0)
        warm_goal = 1.0 if self.running else 0.0
        self._warm += (warm_goal - self._warm) * -math.expm1(-dt / _WARM_UP_S)
        self.speed_percent = 100.0 * self._spin if self._spin > 1e-4 else 0.0
        open_path = self.in_loop is not None or self.bypassed
        for box in self.boxes:
            open_path = open_path and box.valve_supply.moves_valves
        flow = self.spec.flow_m3_h * self._spin * self.filter.at(now_s) * (0.95 + 0.05 * self._warm)
        self.flow_m3_s = flow / 3600.0 if open_path and self._spin > 1e-4 else 0.0

    def _schedule(self, now_s: float) -> float:
        spec, hour = self.spec, self._climate.local_hour(now_s)
        if spec.night_flow_m3_h is None or not self.night:
            return 1.0
        if spec.night_from_h > spec.night_to_h:
            dark = hour >= spec.night_from_h or hour < spec.night_to_h
        else:
            dark = spec.night_from_h <= hour < spec.night_to_h
        return spec.night_flow_m3_h / spec.flow_m3_h if dark else 1.0

    def share_m3_s(self, box: GasSpace) -> float:
        """The part of the flow that goes through this box, by volume."""
        if len(self.boxes) == 1:
            return self.flow_m3_s
        whole = sum(b.spec.volume_m3 for b in self.boxes)
        return self.flow_m3_s * box.spec.volume_m3 / whole

    def transport(self, dt: float) -> None:
        """Pass gas through the bed for ``dt`` s.

        Second order in ``dt``. Cut into up to 40 pieces where so much oxygen
        comes that a cell would take up more than its place in one.
        """
        bed = self.bed
        if self.flow_m3_s == 0.0 or not self.boxes or (bed is None and len(self.boxes) == 1):
            return
        pieces = 1
        if bed is not None and not self.bypassed:
            dose = 0.0
            for box in self.boxes:
                dose += self.share_m3_s(box) * box.density * box.zone[O2] / box.zone_mol
            pieces = min(40, 1 + int(dose * dt / (0.02 * bed.oxygen.capacity)))
        for _ in range(pieces):
            if len(self.boxes) == 1 and bed is not None:
                self._one(bed, self.boxes[0], dt / pieces)
            else:
                self._many(bed, dt / pieces)

    def _one(self, bed: PurifierBed, box: GasSpace, dt: float) -> None:
        """A box alone on the loop: exact for cells that stand still."""
        if self.bypassed:
            return
        zone, n = box.zone, box.zone_mol
        passed = self.flow_m3_s * box.density * (1.0 - self.spec.bypass) * dt
        pace = passed / n
        layer = bed.oxygen
        taken = zone[O2] * -math.expm1(-pace * (1.0 - layer.slope))
        zone[O2] -= taken
        layer.pass_gas(taken, passed)
        layer = bed.water
        grip = 1.0 - layer.slope
        hold = -math.expm1(-pace * grip) / grip if grip > 1e-9 else pace
        taken = (zone[H2O] * grip - layer.offset * n) * hold
        zone[H2O] -= taken
        layer.pass_gas(taken, passed)
        if zone[SOLVENT]:
            taken = zone[SOLVENT] * self.spec.solvent_share * pace
            zone[SOLVENT] -= taken
            bed.solvent_mol += taken
            bed.poison_mol += taken

    def _many(self, bed: PurifierBed | None, dt: float) -> None:
        """Several boxes: their gas mixes, passes the bed and comes back by share (midpoint)."""
        boxes = self.boxes
        flows = [self.share_m3_s(b) * b.density * dt for b in boxes]
        paces = [f / b.zone_mol for f, b in zip(flows, boxes, strict=True)]
        whole = sum(flows)
        through = (1.0 - self.spec.bypass) * whole
        for species in range(6):
            offset, slope = self._outlet(bed, species)
            inside = [b.zone[species] / b.zone_mol for b in boxes]
            back = _mixed(inside, flows, whole) * slope + offset
            half = [x + 0.5 * k * (back - x) for x, k in zip(inside, paces, strict=True)]
            back = _mixed(half, flows, whole) * slope + offset
            for box, x, flow in zip(boxes, half, flows, strict=True):
                box.zone[species] -= flow * (x - back)
            taken = sum(flow * (x - back) for x, flow in zip(half, flows, strict=True))
            if bed is not None:
                self._keep(bed, species, taken, through)
        self._level(dt)

    def _level(self, dt: float) -> None:
        """Boxes on one loop share their pressure: gas goes over to the lower one."""
        soft = [box.give_m3_pa() for box in self.boxes]
        pairs = list(zip(self.boxes, soft, strict=True))
        mean_pa = sum(box.gauge_pa * give for box, give in pairs) / sum(soft)
        share = -math.expm1(-dt / _LEVEL_S)
        gains = [(mean_pa - b.gauge_pa) * give * b.density * share for b, give in pairs]
        wanted = sum(g for g in gains if g > 0.0)
        pot = empty()
        for box, gain in zip(self.boxes, gains, strict=True):
            if gain < 0.0:
                move(box.zone, pot, min(0.5, -gain / sum(box.zone)))
        for box, gain in zip(self.boxes, gains, strict=True):
            if gain > 0.0:
                part = gain / wanted
                wanted -= gain
                move(pot, box.zone, min(1.0, part))

    def _outlet(self, bed: PurifierBed | None, species: int) -> tuple[float, float]:
        """Gas that comes back = slope x mixed + offset, slip included."""
        through = 1.0 - self.spec.bypass
        if bed is None or self.bypassed:
            return 0.0, 1.0
        if species == SOLVENT:
            return 0.0, 1.0 - through * self.spec.solvent_share
        layer = bed.layer(species)
        if layer is None:
            return 0.0, 1.0
        return through * layer.offset, self.spec.bypass + through * layer.slope

    def _keep(self, bed: PurifierBed, species: int, taken: float, passed: float) -> None:
        """Note on the bed what it took from the gas, in mol."""
        layer = bed.layer(species)
        if layer is not None and not self.bypassed:
            layer.pass_gas(taken, passed)
        elif species == SOLVENT:
            bed.solvent_mol += taken
            bed.poison_mol += max(0.0, taken)
        else:  # rounding of species that only mix: give it back
            self.boxes[0].zone[species] += taken

    def add_leaks(self, dt: float) -> None:
        """Let in air and water that get into the loop itself, before or after the bed.

        Leaked water is a pool that evaporates with a time constant of 5 min while
        gas flows over it.
        """
        for hole in self.openings:
            self._leak_through(hole, dt)
        if self.water_leak_mol_s:
            got = self.water_leak_mol_s * dt
            self.pool_mol += got
            self._ledger.came[H2O] += got
        if self.pool_mol and self.flow_m3_s:
            vapour = self.pool_mol * -math.expm1(-dt / _EVAPORATE_S)
            self.pool_mol -= vapour
            self._admit(H2O, vapour, self.leak_before_bed)

    @property
    def box_heat_k(self) -> float:
        """How much warmer than the room the loop's gas makes its boxes in the end."""
        bed = self.bed
        if bed is None:
            return 0.0
        return 0.25 * (bed.temperature_c - self._climate.temperature_c) * self.turn

    def suction_pa(self) -> float:
        """How far the loop before the blower is below box pressure."""
        return self.spec.suction_mbar * 100.0 * self.turn**2

    def _leak_through(self, hole: Opening, dt: float) -> None:
        box = self.boxes[0]
        drop_pa = box.gauge_pa - self.suction_pa()
        speed = hole.velocity_m_s(drop_pa, box.mass_density if drop_pa > 0.0 else AIR_KG_M3)
        volume = abs(speed) * hole.area_m2 * dt
        if speed > 0.0:
            share = min(0.5, volume * box.density / box.zone_mol)
            box.lose_to_room(share)
            return
        air = self._climate
        mol = volume * air.barometer_pa / (R * (air.temperature_c + ZERO_C))
        gas = empty()
        add(gas, self._ledger.came, air.air, mol)
        for species in range(6):
            self._admit(species, gas[species], hole.where == "suction-before-bed")

    def _admit(self, species: int, mol: float, before_bed: bool) -> None:
        """Put something in the loop; at the bed's inlet, the bed takes its part first."""
        bed = self.bed
        layer = None if bed is None else bed.layer(species)
        if before_bed and layer is not None and not self.bypassed and self.flow_m3_s:
            taken = mol * (1.0 - layer.slope)
            layer.pass_gas(taken, 0.0)
            mol -= taken
        for box in self.boxes:
            share = self.share_m3_s(box) / self.flow_m3_s if self.flow_m3_s else 1 / len(self.boxes)
            box.zone[species] += mol * share

    def update_slow(self, now_s: float, dt: float, cooling: Cooling) -> None:
        """Temperatures, layers and regeneration, every few seconds (``dt`` s).

        The bed in the loop is warmer than the room by 2 K at full flow and full
        cooling, by 20 K without cooling water.
        """
        room_c = self._climate.temperature_c
        loop_k = (2.0 + 18.0 * (1.0 - cooling.share(now_s))) * self.turn
        program = self.regeneration
        for bed in self.beds:
            if program is None or program.bed is not bed:
                bed.update(dt, room_c + (loop_k if bed is self.bed else 0.0), _BED_TAU_S)
        if program is not None and self.powered and dt:
            self.forming_mol += program.run(dt, room_c, self._ledger)
            if program.done:
                self.finish_regeneration(restart=program.restart)

    def start_regeneration(self, hydrogen: bool, right_gas: bool) -> None:
        """Isolate the bed in use (a second one takes over) and begin the program.

        ``hydrogen`` False: no forming gas flows; ``right_gas`` False: it holds no
        hydrogen. Raises ValueError while a program runs.
        """
        if self.regeneration is not None:
            raise ValueError(f"{self.spec.name} is already regenerating")
        spent = self.in_loop or 0
        restart = self.on
        if self.spec.beds > 1:
            self.in_loop = (spent + 1) % self.spec.beds
            self._return_void(self.beds[self.in_loop])
        else:
            self.in_loop, self.on = None, False
        self.regeneration = Regeneration(
            self.spec, self.beds[spent], hydrogen, right_gas, restart and self.spec.beds == 1
        )

    def finish_regeneration(self, restart: bool) -> None:
        """End the program, run through or not; a lone bed goes back into the loop."""
        program, self.regeneration = self.regeneration, None
        if program is None or self.spec.beds > 1:
            return
        self.in_loop = 0
        self.on = self.on or restart
        self._return_void(program.bed)

    def _return_void(self, bed: PurifierBed) -> None:
        """The gas in the bed's void takes the place of as much box gas: no pressure step."""
        mol = sum(bed.rest) / len(self.boxes) if self.boxes else 0.0
        if not mol:
            return
        for box in self.boxes:
            move(box.zone, self._ledger.went, mol / sum(box.zone))
        for i in range(6):
            for box in self.boxes:
                box.zone[i] += bed.rest[i] / len(self.boxes)
            bed.rest[i] = 0.0

    def lose_power(self) -> None:
        """Blower and program stop. Only a blower with ``auto_restart`` starts again by itself."""
        self.powered = False
        self.on = self.on and self.spec.auto_restart
        self.finish_regeneration(restart=False)


def _mixed(inside: list[float], flows: list[float], whole: float) -> float:
    return sum(x * f for x, f in zip(inside, flows, strict=True)) / whole
