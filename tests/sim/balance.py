"""The mole balance of a simulated lab: what came, went and was made, against what it holds."""

from __future__ import annotations

from typing import NamedTuple

from dewline_sim.lab import Lab
from dewline_sim.physics.box import Box
from dewline_sim.physics.mixture import H2O, O2, SOLVENT, SPECIES, Mixture, empty
from dewline_sim.physics.purifier import Purifier


class Row(NamedTuple):
    """One species, in mol. ``residual`` is what does not add up."""

    came: float
    went: float
    made: float
    held_before: float
    held: float

    @property
    def residual(self) -> float:
        """Held before + came + made - went - held now."""
        return self.held_before + self.came + self.made - self.went - self.held

    @property
    def relative(self) -> float:
        """The residual over the largest amount that moved or stayed."""
        size = max(self.held_before, self.held, self.came, self.went, abs(self.made))
        return abs(self.residual) / size if size else 0.0


class MoleBalance:
    """Watches a lab from now on; ``rows`` gives the balance by species."""

    def __init__(self, lab: Lab) -> None:
        self._lab = lab
        self._before = _content(lab)

    def rows(self) -> dict[str, Row]:
        """The balance up to now."""
        ledger, now = self._lab.ledger, _content(self._lab)
        return {
            name: Row(ledger.came[i], ledger.went[i], ledger.made[i], self._before[i], now[i])
            for i, name in enumerate(SPECIES)
        }


def _content(lab: Lab) -> Mixture:
    """Everything in a lab, mol per species."""
    total = empty()
    for box in lab.boxes.values():
        _add_box(box, total)
    for purifier in lab.purifiers.values():
        _add_purifier(purifier, total)
    return total


def _add_box(box: Box, total: Mixture) -> None:
    chambers = box.chambers.values()
    for gas in (box.zone, box.corner, *(c.gas for c in chambers)):
        for i in range(6):
            total[i] += gas[i]
    total[O2] += box.gloves.oxygen.mol
    things = [*box.things, *box.luggage, *(item for c in chambers for item in c.items)]
    total[H2O] += box.gloves.water.mol + box.walls.quick.mol + box.walls.slow.mol
    total[H2O] += sum(c.wall_mol for c in chambers) + sum(thing.mol for thing in things)
    total[H2O] += box.freezer.ice_mol if box.freezer is not None else 0.0


def _add_purifier(purifier: Purifier, total: Mixture) -> None:
    total[H2O] += purifier.pool_mol
    for bed in purifier.beds:
        total[O2] += bed.oxygen.mol
        total[H2O] += bed.water.mol
        total[SOLVENT] += bed.solvent_mol
        for i in range(6):
            total[i] += bed.rest[i]
