"""Facts: what is known of a box now, each with how true it is and as a sentence with numbers.

A fact about which nothing is known is absent; the judge then counts it neither way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from dewline.events import LedgerRow
from dewline.readings import Quality
from dewline.watch.causes.history import History
from dewline.watch.causes.names import FactName
from dewline.watch.causes.shape import Rise
from dewline.watch.derived.purge_limit import PurgeLimit
from dewline.watch.ledgers.rows import OpenRow
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.signals.modes import BoxModes
from dewline.watch_plan import BoxPlan, PurifierPlan

BED_EFFICIENCY = 0.95  # share of the flow the bed cleans; common practice, no source


class Fact(NamedTuple):
    """``truth`` from 0 (surely not) to 1 (surely so), and the sentence that events quote."""

    truth: float
    text: str


Facts = dict[FactName, Fact]
Found = Iterator[tuple[FactName, Fact]]


class Note(NamedTuple):
    """A note of a person, of one of the kinds that people may give."""

    kind: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class Neighbour:
    """What another box does: its rises, and what it shares with this one."""

    name: str
    rises: Mapping[str, Rise]
    same_purifier: bool
    same_supply: bool


@dataclass(frozen=True, slots=True)
class View:
    """Everything facts are made of; lists have the newest last, times are watch times.

    ``rows`` and ``open_rows``: closed and open ledger rows of the box. ``silent``: instruments
    that do not answer now. ``doubts``: by gas, where its reading is in doubt. ``about``: the gas
    that the alarm is about. ``solvent_ms``: when solvent was last named as a cause in this box.
    ``night_loss_l_h``: gas lost in the last quiet night. ``purges``: by gas the last purge.
    ``wall_ms``: the time on the wall now, in which ledger rows are.
    """

    at_ms: int
    box: BoxPlan
    purifier: PurifierPlan | None
    history: History
    modes: BoxModes
    rises: Mapping[str, Rise]
    neighbours: Sequence[Neighbour] = ()
    notes: Sequence[Note] = ()
    rows: Sequence[LedgerRow] = ()
    open_rows: Sequence[OpenRow] = ()
    resumed_ms: int | None = None
    silent: Sequence[str] = ()
    doubts: Mapping[str, Doubt] = field(default_factory=dict)
    about: str | None = None
    solvent_ms: int | None = None
    night_loss_l_h: float | None = None
    purges: Mapping[str, PurgeLimit] = field(default_factory=dict)
    wall_ms: int = 0

    @property
    def lead(self) -> Rise | None:
        """The rise the alarm is about; else the one that stands out most."""
        own = self.rises.get(self.about or "")
        if own is not None and own.up > 0.3:
            return own
        return max(self.rises.values(), key=lambda r: r.up * (1 + r.delta), default=None)

    @property
    def onset_min(self) -> float:
        """How long ago the leading rise began."""
        return self.lead.start_min if self.lead is not None else 0.0

    def risen(self, gas: str, by_ppm: float) -> str:
        """``O2 rose by 4.1 ppm``; of a saturated cell only that it did: nobody knows how far."""
        if self.saturated(gas):
            return f"{WORD[gas]} went over its range"
        return f"{WORD[gas]} rose by {amount(by_ppm)} ppm"

    def saturated(self, gas: str) -> bool:
        """Whether the sensor of a gas is over its range now."""
        track = self.history.tracks.get(gas)
        return track is not None and track.signal.quality is Quality.OVER_RANGE

    def flow_m3_h(self) -> float | None:
        """Flow that the bed cleans now; None where it is neither measured nor given."""
        nominal = self.purifier.flow_m3_h if self.purifier is not None else None
        flow = self.history.now("circulation_flow")
        flow = nominal if flow is None else flow
        return None if flow is None else BED_EFFICIENCY * flow

    def tau_min(self) -> float | None:
        """Time constant of the circulated box, minutes."""
        flow, volume = self.flow_m3_h(), self.box.volume_m3
        return 60 * volume / flow if flow and volume else None


Finder = Callable[[View], Found]
WORD = {"oxygen": "O2", "moisture": "H2O"}


def holds(condition: bool, text: str) -> Fact:
    """A fact that is surely so or surely not."""
    return Fact(1.0 if condition else 0.0, text)


def ramp(value: float, low: float, high: float) -> float:
    """0 at ``low``, 1 at ``high``, straight between; either way round."""
    share = (value - low) / (high - low)
    return min(1.0, max(0.0, share))


def span(minutes: float) -> str:
    """A time in words: ``40 s``, ``12 min``, ``3.5 h``, ``2.1 d``."""
    if minutes < 1.5:
        return f"{max(10, round(minutes * 60)):d} s"
    if minutes < 100:
        return f"{minutes:.0f} min"
    if minutes < 3000:
        return f"{minutes / 60:.1f} h"
    return f"{minutes / 1440:.1f} d"


def amount(ppm: float) -> str:
    """A level fit for a sentence."""
    return f"{ppm:.2f}" if abs(ppm) < 1 else f"{ppm:.1f}" if abs(ppm) < 100 else f"{ppm:.0f}"
