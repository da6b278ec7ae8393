"""A point that is looked for in the store after it was acknowledged.

An acknowledgement says that the lines came, not that they can be found again: a
store may drop what is older than its retention, of a time it does not believe,
or more than its disk holds, and still say that all is well.
"""

from __future__ import annotations

from math import inf

from dewline.errors import FollowerError
from dewline.followers.influx.client import InfluxClient, StoreError
from dewline.journal.line_protocol import line

EVERY_S = 60.0
LOOK_AFTER_S = 60.0  # victoria-metrics shows what is new after some seconds
MISSING_AFTER = 3  # looks in vain
UNREADABLE_REST_S = 3600.0


class Canary:
    """Sends a point of its own and looks for it. Times are monotonic seconds."""

    def __init__(self, site: str) -> None:
        self._site = site
        self._time_ms = 0
        self._sent_s: float | None = None
        self._look_s = 0.0
        self._in_vain = 0
        self._readable = True
        self._proven_s = -inf
        self.missing_since_s: float | None = None

    @property
    def proven_s(self) -> float:
        """What was acknowledged until then was found again; no bound where nobody may look."""
        return self._proven_s if self._readable else inf

    async def step(self, store: InfluxClient, wall_ms: int, now_s: float) -> str | None:
        """Send or look, whichever is due. A sentence where there is something to be told."""
        if now_s < self._look_s:
            return None
        if self._sent_s is None:
            await self._send(store, wall_ms, now_s)
            return None
        try:
            there = await store.holds("canary", self._site, self._time_ms)
        except StoreError:
            raise
        except FollowerError as error:
            return self._cannot_look(str(error), now_s)
        self._readable = True
        return self._found(now_s) if there else self._not_found(now_s)

    async def _send(self, store: InfluxClient, wall_ms: int, now_s: float) -> None:
        self._time_ms = wall_ms
        await store.write([line("canary", {"site": self._site}, {"value": 1.0}, wall_ms)])
        self._sent_s, self._look_s, self._in_vain = now_s, now_s + LOOK_AFTER_S, 0

    def _found(self, now_s: float) -> str | None:
        sent_s = now_s if self._sent_s is None else self._sent_s
        was_missing, self.missing_since_s = self.missing_since_s is not None, None
        self._proven_s, self._sent_s, self._look_s = sent_s, None, sent_s + EVERY_S
        return "what it acknowledges is found in it again" if was_missing else None

    def _not_found(self, now_s: float) -> str | None:
        """After some looks in vain a new one is sent: the old one may be gone for good."""
        self._in_vain += 1
        self._look_s = now_s + LOOK_AFTER_S
        if self._in_vain < MISSING_AFTER:
            return None
        if self.missing_since_s is None:
            self.missing_since_s = self._sent_s
        self._sent_s = None
        return "what it acknowledges is not found in it; look at its retention, clock and disk"

    def _cannot_look(self, why: str, now_s: float) -> str:
        self._readable, self.missing_since_s = False, None
        self._sent_s, self._look_s = None, now_s + UNREADABLE_REST_S
        return f"it cannot be read back and is taken at its word: {why}"
