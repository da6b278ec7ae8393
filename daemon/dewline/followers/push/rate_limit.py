"""How many pages a person and a provider can take: two buckets, one kept for what is critical."""

from __future__ import annotations

ORDINARY = 20  # pages at once, and an hour
RESERVE = 10  # more of them for critical alarms only
HOUR_MS = 3_600_000


class TokenBucket:
    """Holds up to ``size`` pages and gains ``size`` of them an hour."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._level = float(size)
        self._at_ms = 0

    def level(self, now_ms: int) -> float:
        gained = max(0, now_ms - self._at_ms) * self._size / HOUR_MS
        return min(float(self._size), self._level + gained)

    def take(self, now_ms: int) -> None:
        self._level = self.level(now_ms) - 1.0
        self._at_ms = now_ms

    def next_ms(self, now_ms: int) -> int:
        """When there is one to take; ``now_ms`` where there is."""
        missing = 1.0 - self.level(now_ms)
        return now_ms if missing <= 1e-9 else now_ms + int(missing * HOUR_MS / self._size) + 1


class Quota:
    """Ordinary pages stop before the reserve; critical ones take the reserve last."""

    def __init__(self, ordinary: int = ORDINARY, reserve: int = RESERVE) -> None:
        self._ordinary = TokenBucket(ordinary)
        self._reserve = TokenBucket(reserve)

    def next_ms(self, now_ms: int, *, critical: bool) -> int:
        """When a page may go out; ``now_ms`` where it may now."""
        ordinary_ms = self._ordinary.next_ms(now_ms)
        return min(ordinary_ms, self._reserve.next_ms(now_ms)) if critical else ordinary_ms

    def take(self, now_ms: int, *, critical: bool) -> None:
        """A page went out."""
        spent = self._ordinary.next_ms(now_ms) > now_ms
        (self._reserve if critical and spent else self._ordinary).take(now_ms)
