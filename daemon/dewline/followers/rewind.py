"""How far a store's confirmation can be trusted.

A store that is killed may lose what it had acknowledged some seconds before
(measured: victoria-metrics up to 6 s). So what was confirmed counts as kept
only when a later write on the same unbroken connection is a minute younger.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple


class Mark(NamedTuple):
    """A place in the record: up to this item and this event."""

    item_seq: int
    event_seq: int


class Rewind:
    """Keeps ``kept`` (safe to store) behind ``sent`` (acknowledged)."""

    def __init__(self, start: Mark, after_s: float = 60.0) -> None:
        self.sent = start
        self.kept = start
        self._after_s = after_s
        self._marks: deque[tuple[float, Mark]] = deque()

    def confirmed(self, mark: Mark, now_s: float) -> None:
        """The store has acknowledged everything up to ``mark``, at ``now_s`` (monotonic)."""
        self.sent = mark
        self._marks.append((now_s, mark))
        while self._marks[0][0] <= now_s - self._after_s:
            self.kept = self._marks.popleft()[1]

    def broken(self) -> None:
        """The connection was lost: go back to what is kept."""
        self.sent = self.kept
        self._marks.clear()
