"""The simulated lab: boxes, purifiers and services stepped together, told what people do.

``Lab.advance`` brings it to a time, ``Lab.truth`` says how things truly are,
``Lab.act`` lets people and faults act now. The state always stands on a whole
internal step, so what is seen does not depend on how often one looks.
"""

from __future__ import annotations

from dewline_sim.physics import acts, truths
from dewline_sim.physics.box import Box
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.gloves import TICK_S
from dewline_sim.physics.mixture import SPECIES, Ledger, Mixture, empty
from dewline_sim.physics.purifier import Purifier
from dewline_sim.physics.services import Cooling, Supply, VacuumPump
from dewline_sim.physics.spec import LabSpec

_TICK_S = 10.0
SITE, VACUUM, COOLING = "site", "vacuum", "cooling"


class Lab:
    """A lab at ``epoch_ms`` (UTC) and later. The same spec, seed and acts give the same story."""

    def __init__(self, spec: LabSpec, seed: int, epoch_ms: int) -> None:
        if spec.step_ms <= 0 or 1000 % spec.step_ms:
            raise ValueError(f"step_ms {spec.step_ms} must divide 1000")
        self.spec, self.epoch_ms = spec, epoch_ms
        self.ledger = Ledger()
        self.climate = Climate(spec.climate, seed, epoch_ms / 1000.0)
        self.supplies = {s.name: Supply(s) for s in spec.services}
        self.purifiers = {p.name: Purifier(p, self.climate, self.ledger) for p in spec.purifiers}
        self.pump = VacuumPump(spec.pump)
        self.cooling = Cooling(spec.cooling_c, spec.cooling_l_min)
        self.boxes = {b.name: self._box(b.name, seed) for b in spec.boxes}
        self.mains = True
        self.vent_to_room = spec.vent_to_room
        self._step_s = spec.step_ms / 1000.0
        self._steps = 0
        self._tick_every = round(_TICK_S / self._step_s)
        self._glove_every = round(TICK_S / self._step_s)
        self._start = self._held()

    def _box(self, name: str, seed: int) -> Box:
        spec = next(b for b in self.spec.boxes if b.name == name)
        for kind, wanted, known in (
            ("supply", spec.supply, self.supplies),
            ("supply", spec.valve_supply, self.supplies),
            ("purifier", spec.purifier, self.purifiers),
        ):
            if wanted is not None and wanted not in known:
                raise ValueError(f"{name}: no {kind} {wanted}; known are {', '.join(known)}")
        purifier = self.purifiers[spec.purifier] if spec.purifier is not None else None
        supply = self.supplies[spec.supply]
        moves = supply if spec.valve_supply is None else self.supplies[spec.valve_supply]
        box = Box(spec, self.climate, self.ledger, supply, purifier, valve_supply=moves, seed=seed)
        if purifier is not None:
            purifier.boxes.append(box)
        return box

    @property
    def now_s(self) -> float:
        """Seconds since the start, on the internal grid."""
        return self._steps * self._step_s

    @property
    def now_ms(self) -> int:
        """The UTC time the state stands at."""
        return self.epoch_ms + self._steps * self.spec.step_ms

    def advance(self, to_ms: int) -> None:
        """Integrate to the last internal step at or before ``to_ms`` (UTC). Never goes back."""
        for _ in range((to_ms - self.now_ms) // self.spec.step_ms):
            self._step()

    def run(self, seconds: float) -> None:
        """Advance by so much, in whole internal steps."""
        self.advance(self.now_ms + round(seconds * 1000.0))

    def _step(self) -> None:
        dt, boxes = self._step_s, self.boxes.values()
        if self._steps % self._tick_every == 0:
            self._tick()
        now = self.now_s
        self._serve(now, dt)
        for box in boxes:
            box.begin(now, dt)
            box.breathe_out()
        for purifier in self.purifiers.values():
            purifier.transport(0.5 * dt)
        for box in boxes:
            box.stir(0.5 * dt)
            box.take_in(self.pump, dt)
        for purifier in self.purifiers.values():
            purifier.leak_in(dt)
        for box in boxes:
            box.stir(0.5 * dt)
        for purifier in self.purifiers.values():
            purifier.transport(0.5 * dt)
        for box in boxes:
            box.breathe_out()
            box.settle()
        self._steps += 1

    def _serve(self, now: float, dt: float) -> None:
        """Services and blowers, before the boxes lean on them."""
        for supply in self.supplies.values():
            supply.update(now, dt)
        self.pump.users = sum(
            c.evacuating for box in self.boxes.values() for c in box.chambers.values()
        )
        self.pump.update(now, dt, self.mains)
        for purifier in self.purifiers.values():
            purifier.update(now, dt)

    def _tick(self) -> None:
        """The slow things, on their own grid whatever the step."""
        dt = _TICK_S if self._steps else 0.0
        self.climate.update(self.now_s, dt, self._released_m3())
        for purifier in self.purifiers.values():
            purifier.tick(self.now_s, dt, self.cooling)
        for box in self.boxes.values():
            box.tick(dt)
            if self._steps % self._glove_every == 0 and self._steps:
                box.tick_gloves()

    def _released_m3(self) -> float:
        """Inert gas that got into the room since the last call."""
        mol = 0.0
        for box in self.boxes.values():
            mol += box.spill_mol + self.vent_to_room * box.exhaust_mol
            box.spill_mol = box.exhaust_mol = 0.0
        return mol / 41.0  # mol in a cubic metre of room

    def truth(self, place: str) -> dict[str, float]:
        """How things are at ``place``; ValueError names the places there are."""
        return truths.of(self, place)

    def places(self) -> tuple[str, ...]:
        """Everything ``truth`` and ``act`` know by name."""
        return (*self.boxes, *self.purifiers, *self.supplies, VACUUM, COOLING, SITE)

    def act(self, name: str, place: str, **params: object) -> None:
        """Let people or a fault do something now. ValueError names what is known."""
        acts.perform(self, name, place, params)

    def acts(self) -> dict[str, str]:
        """Every act with its parameters, their defaults and its meaning."""
        return acts.listing()

    def _held(self) -> Mixture:
        gas = empty()
        for box in self.boxes.values():
            box.held(gas)
        for purifier in self.purifiers.values():
            purifier.held(gas)
        return gas

    def ledger_of_moles(self) -> dict[str, dict[str, float]]:
        """Per species in mol: came, went, made, held, held at the start, and what does not add up.

        ``relative`` is the residual over all that moved or stayed.
        """
        now, ledger = self._held(), self.ledger
        rows = {}
        for i, name in enumerate(SPECIES):
            residual = self._start[i] + ledger.came[i] + ledger.made[i] - ledger.went[i] - now[i]
            size = max(self._start[i], now[i], ledger.came[i], ledger.went[i], abs(ledger.made[i]))
            rows[name] = {
                "came": ledger.came[i],
                "went": ledger.went[i],
                "made": ledger.made[i],
                "held_before": self._start[i],
                "held": now[i],
                "residual": residual,
                "relative": abs(residual) / size if size else 0.0,
            }
        return rows
