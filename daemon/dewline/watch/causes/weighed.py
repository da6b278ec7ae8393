"""One row of the table of causes, and the numbers by which rows are weighed against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dewline.watch.causes.names import FactName

HOLDS = 0.5  # a fact truer than this vetoes; a needed one must be truer
SET_SHARE = 0.35  # a cause with this share of the first one's odds is named beside it
SET_SIZE = 3
TOLD_STAYS = 0.7  # log odds that the cause told last has over the others
HIGHEST = 0.95  # no confidence is higher than this
EVIDENCE_LEAST = 0.35  # least weight times truth of a fact that is given as evidence
EVIDENCE_COUNT = 4


@dataclass(frozen=True, slots=True)
class Weighed:
    """One row: a cause within a family of alarms. See ``table`` for what the fields mean."""

    prior: float
    facts: Mapping[FactName, float] = field(default_factory=dict)
    veto: tuple[FactName, ...] = ()
    need: tuple[FactName, ...] = ()
