"""One row of the table of causes, and the numbers by which rows are weighed against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

HOLDS = 0.5  # a fact truer than this vetoes; a needed one must be truer
SET_SHARE = 0.35  # a cause with this share of the first one's odds stands in the set beside it
SET_SIZE = 3
TOLD_STAYS = 0.7  # what the name told last has over the others
HIGHEST = 0.95  # nothing is surer than this
EVIDENCE_LEAST = 0.35  # of weight times truth, to be told
EVIDENCE_COUNT = 4


@dataclass(frozen=True, slots=True)
class Weighed:
    """One row: a cause within a family."""

    prior: float
    facts: Mapping[str, float] = field(default_factory=dict)
    veto: tuple[str, ...] = ()
    need: tuple[str, ...] = ()
