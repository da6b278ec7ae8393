"""How many pages a contact and a provider can bear: a usual share, and a reserve for critical ones.

The figures are the project's own choice.
"""

from __future__ import annotations

from dewline.followers.token_bucket import TokenBucket

ORDINARY = 20  # pages at once, and per hour
RESERVE = 10  # more of them, for critical alarms only
HOUR_MS = 3_600_000


class Quota:
    """Ordinary pages stop before the reserve; critical ones use the reserve last."""

    def __init__(self, ordinary: int = ORDINARY, reserve: int = RESERVE) -> None:
        self._ordinary = TokenBucket(ordinary, HOUR_MS)
        self._reserve = TokenBucket(reserve, HOUR_MS)

    def next_ms(self, now_ms: int, *, critical: bool) -> int:
        """When the next page may be sent; ``now_ms`` where it may be sent now."""
        wait_ms = self._ordinary.wait(now_ms)
        if critical:
            wait_ms = min(wait_ms, self._reserve.wait(now_ms))
        return now_ms + int(wait_ms) + 1 if wait_ms else now_ms

    def spend(self, now_ms: int, *, critical: bool) -> None:
        """Count a page that was sent."""
        ordinary_left = not self._ordinary.wait(now_ms)
        (self._ordinary if ordinary_left or not critical else self._reserve).spend(now_ms)
