"""Purges: how long they took, how many box volumes, and how far the gases fell."""

from __future__ import annotations

import math

from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts, is_on, sound
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState

SHORTEST_MS = 60_000


class PurgeBook(Kept):
    """The purges of one box. ``since_ms``: start of the one that goes on."""

    since_ms: int | None = None
    _start: dict[str, float | None]
    _metered_l: float = 0.0
    _flow_s: float = 0.0

    def __init__(self, facts: BoxFacts, bit: SignalState, rows: RowBook) -> None:
        self._facts, self._bit, self._rows = facts, bit, rows
        self._flow = facts.own("flow")
        self._start = {}

    def update(self, at_ms: int) -> None:
        """The purge valve may have opened or shut."""
        on = is_on(self._bit)
        if on and self.since_ms is None:
            self.since_ms, self._start = at_ms, self._levels()
            self._metered_l = self._flow_s = 0.0
        elif on is False and self.since_ms is not None:
            self._end(at_ms)

    def minute(self) -> None:
        """Every minute: count the gas, where there is a meter."""
        flow = sound(self._flow)
        if self.since_ms is not None and flow is not None:
            self._metered_l += flow
            self._flow_s += 60.0

    def reset(self, at_ms: int) -> None:
        """After a gap: end a purge that went on, where the watching ended."""
        if self.since_ms is not None:
            self._end(at_ms, broken_off=True)

    def open_row(self) -> OpenRow | None:
        """The purge that goes on."""
        if self.since_ms is None:
            return None
        document = {"start_ppm": dict(self._start), "now_ppm": self._levels()}
        return OpenRow(self._facts.name, "purge", self.since_ms, document)

    def _levels(self) -> dict[str, float | None]:
        signals = {gas: self._facts.own(gas) for gas in ("oxygen", "moisture")}
        return {
            gas: signal.value if signal.quality < FIRST_BAD else None
            for gas, signal in signals.items()
            if signal is not None
        }

    def _end(self, at_ms: int, *, broken_off: bool = False) -> None:
        """Write the row. ``volumes_by_oxygen``: box volumes that ideal mixing would have taken."""
        since_ms, self.since_ms = self.since_ms, None
        if since_ms is None or at_ms - since_ms < SHORTEST_MS:
            return
        end, seconds = self._levels(), (at_ms - since_ms) / 1000
        volume_l = (self._facts.box.volume_m3 or 0.0) * 1e3
        metered = self._metered_l * seconds / self._flow_s if self._flow_s else None
        document: dict[str, object] = {
            "seconds": seconds,
            "start_ppm": dict(self._start),
            "end_ppm": end,
            "litres": metered,
            "volumes": metered / volume_l if metered is not None and volume_l else None,
            "volumes_by_oxygen": _dilutions(self._start.get("oxygen"), end.get("oxygen")),
        }
        if broken_off:
            document["broken_off"] = True
        self._rows.close(self._facts.name, "purge", since_ms, at_ms, document)


def _dilutions(start_ppm: float | None, end_ppm: float | None) -> float | None:
    """ln(C0/C1), for clean gas and ideal mixing; None where oxygen did not fall."""
    if not start_ppm or not end_ppm or not 0 < end_ppm < start_ppm:
        return None
    return math.log(start_ppm / end_ppm)
