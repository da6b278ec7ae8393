"""Purges: how long, how many box volumes, what they achieved."""

from __future__ import annotations

import math
from typing import Any

from dewline.watch.derived.facts import BoxFacts, is_on, sound
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState

SHORTEST_MS = 60_000


class PurgeBook(Kept):
    """One box."""

    KEPT = ("since_ms", "_start", "_metered_l", "_flow_s")

    def __init__(self, facts: BoxFacts, bit: SignalState, rows: RowBook) -> None:
        self._facts, self._bit, self._rows = facts, bit, rows
        self._flow = facts.own("flow")
        self.since_ms: int | None = None
        self._start: dict[str, float | None] = {}
        self._metered_l = 0.0
        self._flow_s = 0.0

    def hear(self, at_ms: int) -> None:
        """The purge valve may have opened or shut."""
        on = is_on(self._bit)
        if on and self.since_ms is None:
            self.since_ms, self._start = at_ms, self._levels()
            self._metered_l = self._flow_s = 0.0
        elif on is False and self.since_ms is not None:
            self._end(at_ms)

    def minute(self) -> None:
        """Count the gas where a meter tells."""
        flow = sound(self._flow)
        if self.since_ms is not None and flow is not None:
            self._metered_l += flow
            self._flow_s += 60.0

    def reset(self, at_ms: int) -> None:
        if self.since_ms is not None:
            self._end(at_ms, broken_off=True)

    def status(self) -> dict[str, Any] | None:
        if self.since_ms is None:
            return None
        return {
            "box": self._facts.name,
            "kind": "purge",
            "started_at_ms": self.since_ms,
            "document": {"start_ppm": dict(self._start), "now_ppm": self._levels()},
        }

    def _levels(self) -> dict[str, float | None]:
        signals = {gas: self._facts.own(gas) for gas in ("oxygen", "moisture")}
        return {
            gas: signal.value if signal.quality < FIRST_BAD else None
            for gas, signal in signals.items()
            if signal is not None
        }

    def _end(self, at_ms: int, *, broken_off: bool = False) -> None:
        since_ms, self.since_ms = self.since_ms, None
        if since_ms is None or at_ms - since_ms < SHORTEST_MS:
            return
        end, seconds = self._levels(), (at_ms - since_ms) / 1000
        volume_l = (self._facts.box.volume_m3 or 0.0) * 1e3
        metered = self._metered_l * seconds / self._flow_s if self._flow_s else None
        document = {
            "seconds": seconds,
            "start_ppm": dict(self._start),
            "end_ppm": end,
            "litres": metered,
            "volumes": metered / volume_l if metered is not None and volume_l else None,
            # What ideal mixing would have taken for the same fall of oxygen.
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
