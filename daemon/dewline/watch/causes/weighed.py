"""One row of the table of causes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dewline.watch.causes.names import CauseName, FactName


@dataclass(frozen=True, slots=True)
class Weighed:
    """One row: a cause within a family of alarms. See ``table`` for what the fields mean."""

    prior: float
    facts: Mapping[FactName, float] = field(default_factory=dict)
    veto: tuple[FactName, ...] = ()
    need: tuple[FactName, ...] = ()


CauseTable = dict[CauseName, Weighed]
