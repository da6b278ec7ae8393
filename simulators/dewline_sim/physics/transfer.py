"""A transfer through an antechamber, stage by stage, by hand or by the panel's program."""

from __future__ import annotations

import random

from dewline_sim.physics.chamber import Antechamber
from dewline_sim.physics.gas_space import GasSpace
from dewline_sim.physics.walls import WetThing

_PUMP_LIMIT_S = 1800.0  # people wait no longer for the gauge


class Transfer:
    """Stages of (name, size): seconds for load, hold and unload, mbar absolute for evacuate."""

    def __init__(
        self, chamber: Antechamber, stages: list[tuple[str, float]], item: WetThing | None
    ) -> None:
        self.chamber = chamber
        self._stages = stages
        self._item = item
        self._passed_s = 0.0
        self._started = False

    @property
    def done(self) -> bool:
        """Whether no stage is left."""
        return not self._stages

    def advance(self, box: GasSpace, dt: float) -> None:
        """Go on for ``dt`` s.

        At the start of a stage doors and valves are set; at its end all are
        shut, a loaded thing lies in the chamber, an unloaded one in the box.
        """
        if not self._stages:
            return
        name, size = self._stages[0]
        if not self._started:
            self._start(name, size)
        self._passed_s += dt
        if self._over(box, name, size):
            self._end(box, name)
            self._stages.pop(0)
            self._started, self._passed_s = False, 0.0

    def _start(self, name: str, size: float) -> None:
        chamber = self.chamber
        self._started = True
        chamber.outer_open = name == "load"
        chamber.inner_open = name == "unload"
        chamber.evacuating = name in ("evacuate", "hold-pumping")
        chamber.refilling = name == "refill"
        if name == "evacuate":
            chamber.stop_pa = size * 100.0
        elif name == "hold-pumping":
            chamber.stop_pa = 0.0

    def _over(self, box: GasSpace, name: str, size: float) -> bool:
        pressure_pa = self.chamber.pressure_pa(box.kelvin)
        if name == "evacuate":
            return pressure_pa <= size * 100.0 * 1.0001 or self._passed_s >= _PUMP_LIMIT_S
        if name == "refill":
            return pressure_pa >= box.pressure_pa - 50.0 or self._passed_s >= _PUMP_LIMIT_S
        return self._passed_s >= size

    def _end(self, box: GasSpace, name: str) -> None:
        chamber = self.chamber
        chamber.evacuating = chamber.refilling = False
        chamber.outer_open = chamber.inner_open = False
        if name == "load" and self._item is not None:
            box.luggage.remove(self._item)
            chamber.items.append(self._item)
            self._item = None
        if name == "unload":
            box.things += chamber.items
            chamber.items = []


def inward(
    chamber: Antechamber, *, cycles: int, low_mbar: float, hold_s: float, load_s: float,
    unload_s: float, chance: random.Random,
) -> list[tuple[str, float]]:  # fmt: skip
    """Stages of bringing something in: load, cycles of evacuate, hold and refill, unload.

    ``low_mbar`` is absolute. A hand valve is worked at a person's pace, drawn
    from ``chance``; an automatic chamber keeps its times.
    """

    def pace() -> float:
        return 1.0 if chamber.spec.automatic else chance.uniform(0.8, 1.5)

    stages: list[tuple[str, float]] = [("load", load_s * pace())]
    for _ in range(cycles):
        stages += [("evacuate", low_mbar), ("hold", max(1.0, hold_s * pace())), ("refill", 0.0)]
        if not chamber.spec.automatic:
            stages.append(("wait", 5.0 * pace()))
    return [*stages, ("unload", unload_s * pace())]


def outward(load_s: float, unload_s: float) -> list[tuple[str, float]]:
    """Stages of taking something out of a clean chamber: no cycles, and it is left with air."""
    return [("unload", unload_s), ("wait", 10.0), ("load", load_s)]
