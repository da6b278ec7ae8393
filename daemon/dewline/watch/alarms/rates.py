"""How often alarms come: whether one chatters, and how many were new in ten minutes.

Three raise/return cycles in a minute are chattering, and the rate of alarms is counted over ten
minutes: figures of ISA-18.2 / EEMUA 191 as commonly quoted (from memory).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from dewline.watch.saved import Kept
from dewline.watch.signals.window import NEVER_MS

CYCLE_WINDOW_MS = 60_000
CYCLES = 3
RATE_WINDOW_MS = 600_000
CHANGES = 10
REMEMBERED = CHANGES + 1
CHATTER_NOTICE_MS = 3_600_000

Change = tuple[int, bool]  # at_ms, and whether it ended a cycle (a return)


def within(times_ms: Iterable[int], at_ms: int, window_ms: int) -> int:
    """How many of ``times_ms`` lie in (at - window, at]."""
    return sum(1 for t in times_ms if at_ms - window_ms < t <= at_ms)


def chatter(changes: Iterable[Change], at_ms: int) -> str | None:
    """How an alarm chatters, in words; None while it does not.

    Three cycles in a minute, or more than ten raises and returns in ten minutes.
    """
    changes = tuple(changes)
    if within((t for t, ended in changes if ended), at_ms, CYCLE_WINDOW_MS) >= CYCLES:
        return f"raised and returned {CYCLES} times within a minute"
    if within((t for t, _ in changes), at_ms, RATE_WINDOW_MS) > CHANGES:
        return f"more than {CHANGES} raises and returns within 10 min"
    return None


class AlarmRate(Kept):
    """Counts the new alarms of the last ten minutes.

    ``published``: the count that was last published as a signal.
    """

    _times_ms: deque[int]
    published: int = 0

    def __init__(self) -> None:
        self._times_ms = deque()

    def add(self, at_ms: int) -> None:
        """Count one new alarm."""
        self._times_ms.append(at_ms)

    def count(self, at_ms: int) -> int:
        """New alarms in the ten minutes before ``at_ms``, and forget the older ones."""
        while self._times_ms and self._times_ms[0] <= at_ms - RATE_WINDOW_MS:
            self._times_ms.popleft()
        return len(self._times_ms)

    def due_ms(self, at_ms: int) -> int:
        """When the count falls next; never while it is 0."""
        return self._times_ms[0] + RATE_WINDOW_MS if self.count(at_ms) else NEVER_MS
