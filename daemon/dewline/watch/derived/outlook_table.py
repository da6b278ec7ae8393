"""The forms of what status shows of each box: its own figures, and the days its bed has left."""

from __future__ import annotations

from typing import TypedDict

from dewline.watch.derived.ingress import Source
from dewline.watch.derived.nitrogen import NitrogenRange


class DaysLeft(TypedDict):
    """Days left of a bed for one gas: an 80 % interval, and what it is founded on.

    ``source_ml_h``: gas that comes in besides doses, at 0 °C and 1013.25 mbar.
    ``since_regeneration``: the whole run of the bed was seen. ``past_runs``: whole runs before.
    """

    low: float
    middle: float
    high: float
    source_ml_h: float
    since_regeneration: bool
    past_runs: int


class ShortestDaysLeft(DaysLeft):
    """The days left ``by`` the gas that fills the bed first."""

    by: str


class BedOutlook(TypedDict):
    """Days left of the bed in the loop of a purifier; ``bed`` is its number, 0 for none."""

    purifier: str
    bed: int
    bed_days_left: ShortestDaysLeft | None
    days_left: dict[str, DaysLeft]


class BoxOutlook(TypedDict):
    """A box: figures by gas where there are several, None where there is none yet.

    ``nights``: how many idle baselines are known. ``proven_ms``: when a sensor last responded.
    """

    learning: bool
    idle_ppm: dict[str, float | None]
    nights: dict[str, int]
    ingress_ml_h: dict[str, Source | None]
    clean_up_s: float | None
    best_clean_up_s: float | None
    idle_gas_loss_l_h: float | None
    proven_ms: dict[str, int]
    nitrogen: NitrogenRange | None
    bed: BedOutlook | None
