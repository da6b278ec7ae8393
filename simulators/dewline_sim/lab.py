"""The simulated lab: boxes, purifiers and services stepped together, and acts of people.

``Lab.advance`` brings it to a time, ``Lab.truth`` gives the true state,
``Lab.act`` lets people and faults act now. The state is always that after a
whole internal step, so it does not depend on how often it is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from dewline_sim.physics import acts
from dewline_sim.physics.box import Box
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.gloves import TICK_S
from dewline_sim.physics.mixture import Ledger
from dewline_sim.physics.plant import Plant, Site
from dewline_sim.physics.purifier import Purifier
from dewline_sim.physics.services import Cooling, Supply, VacuumPump
from dewline_sim.physics.spec import LabSpec
from dewline_sim.physics.truth import truth_at

_TICK_S = 10.0
T = TypeVar("T")


class Lab:
    """A lab at ``epoch_ms`` (UTC) and later. The same spec, seed and acts give the same story."""

    def __init__(self, spec: LabSpec, seed: int, epoch_ms: int) -> None:
        if spec.step_ms <= 0 or 1000 % spec.step_ms:
            raise ValueError(f"step_ms {spec.step_ms} must divide 1000")
        self.spec, self.epoch_ms = spec, epoch_ms
        self.plant = built(spec, seed, epoch_ms)
        self.ledger = self.plant.ledger
        self.boxes, self.purifiers = self.plant.boxes, self.plant.purifiers
        self._site = self.plant.site
        self._tick_every = round(_TICK_S / self._site.step_s)
        self._glove_every = round(TICK_S / self._site.step_s)

    @property
    def now_s(self) -> float:
        """Seconds since the start, on the internal grid."""
        return self._site.now_s

    @property
    def now_ms(self) -> int:
        """The UTC time of the state, in ms."""
        return self.epoch_ms + self._site.steps * self.spec.step_ms

    def advance(self, to_ms: int) -> None:
        """Integrate to the last internal step at or before ``to_ms`` (UTC). Never goes back."""
        for _ in range((to_ms - self.now_ms) // self.spec.step_ms):
            self._step()

    def run(self, seconds: float) -> None:
        """Advance by so much, in whole internal steps."""
        self.advance(self.now_ms + round(seconds * 1000.0))

    def _step(self) -> None:
        dt, boxes = self._site.step_s, self.boxes.values()
        if self._site.steps % self._tick_every == 0:
            self._tick()
        now = self.now_s
        self._serve(now, dt)
        for box in boxes:
            box.start_step(now, dt)
        for purifier in self.purifiers.values():
            purifier.transport(0.5 * dt)
        for box in boxes:
            box.mix_corner(0.5 * dt)
            box.add_inflows(self.plant.pump, dt)
        for purifier in self.purifiers.values():
            purifier.add_leaks(dt)
        for box in boxes:
            box.mix_corner(0.5 * dt)
        for purifier in self.purifiers.values():
            purifier.transport(0.5 * dt)
        for box in boxes:
            box.end_step()
        self._site.steps += 1

    def _serve(self, now_s: float, dt: float) -> None:
        """Services and blowers, before the boxes draw on them."""
        plant = self.plant
        for supply in plant.supplies.values():
            supply.update(now_s, dt)
        plant.pump.users = sum(
            c.evacuating for box in self.boxes.values() for c in box.chambers.values()
        )
        plant.pump.update(now_s, dt, self._site.mains)
        for purifier in self.purifiers.values():
            purifier.update(now_s, dt)

    def _tick(self) -> None:
        """The slow things, on their own grid whatever the step."""
        plant, steps = self.plant, self._site.steps
        dt = _TICK_S if steps else 0.0
        plant.climate.update(self.now_s, dt, self._released_m3())
        for purifier in self.purifiers.values():
            purifier.update_slow(self.now_s, dt, plant.cooling)
        for name, box in self.boxes.items():
            box.update_slow(dt, plant.loops[name].box_heat_k if name in plant.loops else 0.0)
            if steps % self._glove_every == 0 and steps:
                box.update_gloves()

    def _released_m3(self) -> float:
        """Inert gas that got into the room since the last call."""
        mol = 0.0
        for box in self.boxes.values():
            mol += box.spill_mol + self._site.vent_to_room * box.exhaust_mol
            box.spill_mol = box.exhaust_mol = 0.0
        return mol / 41.0  # mol in a cubic metre of room

    def truth(self, place: str) -> dict[str, float]:
        """The true state at ``place``, by role; ValueError names the places there are."""
        return truth_at(self.plant, place)

    def places(self) -> tuple[str, ...]:
        """Everything ``truth`` and ``act`` know by name."""
        return self.plant.places()

    def act(self, name: str, place: str, **params: object) -> None:
        """Let people or a fault do something now. ValueError names what is known."""
        acts.perform(self.plant, name, place, params)

    def acts(self) -> dict[str, str]:
        """Every act with its parameters, their defaults and its meaning."""
        return acts.listing()


def built(spec: LabSpec, seed: int, epoch_ms: int) -> Plant:
    """The parts of a lab, complete: services, then boxes, then the purifiers on their loops.

    Raises ValueError where a box names a supply or purifier that does not exist.
    """
    ledger, climate = Ledger(), Climate(spec.climate, seed, epoch_ms / 1000.0)
    supplies = {s.name: Supply(s) for s in spec.services}
    loops = {p.name: p for p in spec.purifiers}
    boxes = {}
    for b in spec.boxes:
        supply = _named(b.name, "supply", b.supply, supplies)
        moves = _named(b.name, "supply", b.valve_supply or b.supply, supplies)
        loop = None if b.purifier is None else _named(b.name, "purifier", b.purifier, loops)
        boxes[b.name] = Box(
            b, climate, ledger, supply=supply, valve_supply=moves, loop=loop, seed=seed
        )
    purifiers = {
        p.name: Purifier(p, climate, ledger, [x for x in boxes.values() if x.spec.purifier == name])
        for name, p in loops.items()
    }
    return Plant(
        spec, Site(spec.step_ms / 1000.0, spec.vent_to_room), climate, ledger, supplies, boxes,
        purifiers, {b.name: purifiers[b.purifier] for b in spec.boxes if b.purifier is not None},
        VacuumPump(spec.pump), Cooling(spec.cooling_c, spec.cooling_l_min),
    )  # fmt: skip


def _named(box: str, kind: str, wanted: str, known: Mapping[str, T]) -> T:
    if wanted not in known:
        raise ValueError(f"{box}: no {kind} {wanted}; known are {', '.join(known)}")
    return known[wanted]
