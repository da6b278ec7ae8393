"""The base of what gathers the readings of one signal over a stretch of time."""

from __future__ import annotations

from abc import ABC, abstractmethod

from dewline.watch.saved import Kept

NEVER_MS = 1 << 62  # a watch time later than any: nothing is due


class Window(Kept, ABC):
    """Gathers the good readings of one signal. Two windows of a signal differ in ``over_ms``.

    The watch appends readings inside the signal's band straight to ``values``. The first
    reading at ``closes_at`` (watch time, ms) or later has to go through ``add``.
    """

    __slots__ = ()
    KEPT = ()
    over_ms: int
    closes_at: int
    values: list[float]

    @abstractmethod
    def add(self, at_ms: int, value: float) -> bool:
        """Take in a good reading; True when that closed a stretch of the window."""

    @abstractmethod
    def clear(self) -> None:
        """Forget everything: nothing from before a gap counts after it."""
