"""A limit on how often something may happen: so many at once, and so many in the long run."""

from __future__ import annotations

_WHOLE = 1.0 - 1e-9  # what adding up fractions leaves of a whole token


class TokenBucket:
    """Holds up to ``size`` tokens, starts full, and gains ``size`` tokens per ``period``.

    ``period`` and all moments are in one unit, which the caller chooses: s or ms.
    """

    def __init__(self, size: int, period: float) -> None:
        self._size = size
        self._period = period
        self._level = float(size)
        self._at = 0.0

    def spend(self, now: float) -> None:
        """Take one token out, also where less than one is left."""
        self._level = self._level_at(now) - 1.0
        self._at = now

    def wait(self, now: float) -> float:
        """How long until a whole token is there; 0 where one is."""
        level = self._level_at(now)
        return 0.0 if level >= _WHOLE else (1.0 - level) * self._period / self._size

    def _level_at(self, now: float) -> float:
        gained = max(0.0, now - self._at) * self._size / self._period
        return min(float(self._size), self._level + gained)
