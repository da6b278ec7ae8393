"""How far the acknowledgements of a store can be trusted.

A store that is killed may lose what it had acknowledged some seconds before
(measured: victoria-metrics up to 6 s). So what was acknowledged counts as kept
only when a write on the same unbroken connection was acknowledged a minute later,
and only up to the last canary that was found in the store again.
"""

from __future__ import annotations

from collections import deque
from math import inf
from typing import NamedTuple

MARKS_AT_MOST = 2000  # while nothing is proven; then every other one is dropped


class Mark(NamedTuple):
    """A place in the journal: up to this item, this event and this row of the ledger."""

    item_seq: int
    event_seq: int
    ledger_row: int = 0


class Rewind:
    """Follows two marks: ``sent``, acknowledged by the store, and behind it ``kept``, safe there.

    After a lost connection sending begins again at ``kept``. ``after_s``: how long an
    acknowledgement is not trusted.
    """

    def __init__(self, start: Mark, after_s: float = 60.0) -> None:
        self.sent = start
        self.kept = start
        self._after_s = after_s
        self._marks: deque[tuple[float, Mark]] = deque()

    def confirmed(self, mark: Mark, now_s: float, proven_s: float = inf) -> None:
        """The store has acknowledged everything up to ``mark``, at ``now_s`` (monotonic seconds).

        ``proven_s``: what it acknowledged until that moment was found in it again.
        """
        self.sent = mark
        self._marks.append((now_s, mark))
        if len(self._marks) > MARKS_AT_MOST:
            self._marks = deque(list(self._marks)[::2])
        while self._marks and self._marks[0][0] <= min(now_s - self._after_s, proven_s):
            self.kept = self._marks.popleft()[1]

    def broken(self) -> None:
        """The connection was lost: send again from ``kept`` on."""
        self.sent = self.kept
        self._marks.clear()
