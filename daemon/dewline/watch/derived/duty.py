"""Share of time that a switch is on, over the last hour."""

from __future__ import annotations

from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import is_on
from dewline.watch.signals.signal_state import SignalState

PART_MS = 10 * 60_000
PARTS = 6


class Duty(Kept):
    """Counts the time between the changes of one switch, exact to the reading.

    ``_parts``: of the last ten minutes each, how long it was on and how long its state was known.
    """

    _on_ms: int = 0
    _known_ms: int = 0
    _last_ms: int = 0
    _state: bool | None = None
    _parts: list[tuple[int, int]]

    def __init__(self, signal: SignalState) -> None:
        self._signal = signal
        self._parts = []

    def update(self, at_ms: int) -> None:
        """The switch may have changed, or become unreadable."""
        self._count(at_ms)
        self._state = is_on(self._signal)

    def minute(self, at_ms: int) -> float | None:
        """Every minute; at the end of ten, percent of the last hour if half of it is known."""
        self._count(at_ms)
        if at_ms // PART_MS == (at_ms - 60_000) // PART_MS:
            return None
        self._parts = [*self._parts, (self._on_ms, self._known_ms)][-PARTS:]
        self._on_ms = self._known_ms = 0
        on, known = (sum(part[i] for part in self._parts) for i in (0, 1))
        return 100.0 * on / known if known >= PART_MS * PARTS // 2 else None

    def reset(self) -> None:
        """Forget the state of the switch, after a gap."""
        self._state = None

    def _count(self, at_ms: int) -> None:
        passed = at_ms - self._last_ms if self._last_ms else 0
        if self._state is not None:
            self._known_ms += passed
            self._on_ms += passed if self._state else 0
        self._last_ms = at_ms
