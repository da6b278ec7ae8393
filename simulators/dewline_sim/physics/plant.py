"""The parts of a simulated lab, found by the names of their places.

Acts and truth work on a ``Plant``; the lab builds it and steps it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dewline_sim.physics.box import Box
from dewline_sim.physics.chamber import Antechamber
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.freezer import Freezer
from dewline_sim.physics.mixture import Ledger
from dewline_sim.physics.purifier import Purifier
from dewline_sim.physics.services import Cooling, Supply, VacuumPump
from dewline_sim.physics.spec import LabSpec

SITE, VACUUM, COOLING = "site", "vacuum", "cooling"


@dataclass(slots=True)
class Site:
    """What belongs to no single device: the steps taken so far, the mains, vented gas."""

    step_s: float
    vent_to_room: float  # share of the vented gas that ends up in the room, 0-1
    mains: bool = True
    steps: int = 0

    @property
    def now_s(self) -> float:
        """Seconds since the start, on the internal grid."""
        return self.steps * self.step_s


@dataclass(frozen=True, slots=True)
class Plant:
    """Everything in a lab, complete from the start. ``loops`` names the purifier of a box."""

    spec: LabSpec
    site: Site
    climate: Climate
    ledger: Ledger
    supplies: Mapping[str, Supply]
    boxes: Mapping[str, Box]
    purifiers: Mapping[str, Purifier]
    loops: Mapping[str, Purifier]
    pump: VacuumPump
    cooling: Cooling

    def places(self) -> tuple[str, ...]:
        """Every name of a place."""
        return (*self.boxes, *self.purifiers, *self.supplies, VACUUM, COOLING, SITE)

    def box(self, place: str) -> Box:
        """A box by name; ValueError names those there are."""
        if place not in self.boxes:
            raise ValueError(f"{place} is not a box; boxes are {', '.join(self.boxes)}")
        return self.boxes[place]

    def chamber(self, place: str, name: str) -> Antechamber:
        """An antechamber of a box; ValueError names those it has."""
        chambers = self.box(place).chambers
        if name not in chambers:
            raise ValueError(f"{place} has no chamber {name!r}; it has {', '.join(chambers)}")
        return chambers[name]

    def freezer(self, place: str) -> Freezer:
        """The freezer of a box; ValueError where it has none."""
        freezer = self.box(place).freezer
        if freezer is None:
            raise ValueError(f"{place} has no freezer")
        return freezer

    def purifier(self, place: str) -> Purifier:
        """A purifier by its name or by that of a box on its loop; ValueError names them all."""
        found = self.loops.get(place) if place in self.boxes else self.purifiers.get(place)
        if found is None:
            raise ValueError(f"{place} has no purifier; purifiers are {', '.join(self.purifiers)}")
        return found

    def supply(self, place: str) -> Supply:
        """A gas supply by name; ValueError names those there are."""
        if place not in self.supplies:
            raise ValueError(f"{place} is no gas supply; supplies are {', '.join(self.supplies)}")
        return self.supplies[place]
