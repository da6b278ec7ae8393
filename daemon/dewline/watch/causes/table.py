"""The table of causes. Every number that a practitioner may doubt stands here.

A cause of a family of alarms begins at ``prior`` and gains or loses, for every fact, its weight
times the fact's truth (0 to 1). The unit is that of log odds: 1 is 2.7 to 1, 3 is 20 to 1.
``veto`` rules a cause out where such a fact holds (by mass balance, by a proven flat sensor, by a
door that was not opened); ``need`` rules it out where the fact is not known or does not hold. A
fact about which nothing is known counts neither way. ``unknown`` is a cause with a prior and
nothing else: it wins where no fact stands out.

Its parts: ``table_inflow``, ``table_loop`` and ``table_inside`` for a trace gas, ``table_plant``
for all else, ``tell_apart`` for the test that would decide. Weights are judgements (common
practice, no source), set on simulated stories.
"""

from __future__ import annotations

from dewline.watch.causes.family import Family
from dewline.watch.causes.table_inflow import INFLOW
from dewline.watch.causes.table_inside import INSIDE
from dewline.watch.causes.table_loop import BED_AND_LOOP
from dewline.watch.causes.table_plant import PLANT
from dewline.watch.causes.weighed import CauseTable, Weighed

# Oxygen or moisture too high, rising, or above the box's own.
GAS: CauseTable = {"unknown": Weighed(2.2), **INFLOW, **BED_AND_LOOP, **INSIDE}

FAMILIES: dict[Family, CauseTable] = {"gas": GAS, **PLANT}
