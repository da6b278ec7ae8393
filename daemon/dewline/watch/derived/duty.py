"""Share of time a switch is on, over the last hour, and how often it went on."""

from __future__ import annotations

from dewline.watch.derived.facts import is_on
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import SignalState

PART_MS = 10 * 60_000
PARTS = 6


class Duty(Kept):
    """Counts by edges, so that a second is a second; tells every ten minutes."""

    KEPT = ("_on_ms", "_known_ms", "_last_ms", "_state", "_parts", "starts")

    def __init__(self, signal: SignalState) -> None:
        self._signal = signal
        self._state: bool | None = None
        self._last_ms = 0
        self._on_ms = self._known_ms = 0
        self._parts: list[list[int]] = []  # on, known, of the last ten-minute parts
        self.starts = 0

    def hear(self, at_ms: int) -> None:
        """The switch may have changed, or become unreadable."""
        self._count(at_ms)
        state = is_on(self._signal)
        if state and self._state is False:
            self.starts += 1
        self._state = state

    def minute(self, at_ms: int) -> float | None:
        """At the end of ten minutes: percent of the last hour, if half of it is known."""
        self._count(at_ms)
        if at_ms // PART_MS == (at_ms - 60_000) // PART_MS:
            return None
        self._parts = [*self._parts, [self._on_ms, self._known_ms]][-PARTS:]
        self._on_ms = self._known_ms = 0
        on, known = (sum(p[i] for p in self._parts) for i in (0, 1))
        return 100.0 * on / known if known >= PART_MS * PARTS // 2 else None

    def reset(self) -> None:
        """After a gap its state is not known."""
        self._state = None

    def _count(self, at_ms: int) -> None:
        passed = at_ms - self._last_ms if self._last_ms else 0
        if self._state is not None:
            self._known_ms += passed
            self._on_ms += passed if self._state else 0
        self._last_ms = at_ms
