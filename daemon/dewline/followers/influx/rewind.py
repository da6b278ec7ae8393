"""How far the acknowledgements of a store can be trusted.

A store that is killed may lose what it had acknowledged some seconds before
(measured: victoria-metrics up to 6 s). So what was acknowledged counts as kept
only when a write on the same unbroken connection was acknowledged a minute later,
and only up to the last canary that was found in the store again. The canary is a point that is read
back after it was acknowledged: a store may drop what is older than its retention, what has a time
it rejects, or what its disk cannot hold, and still acknowledge it.
"""

from __future__ import annotations

from collections import deque
from math import inf
from typing import NamedTuple

from dewline.errors import FollowerError
from dewline.followers.influx.client import InfluxClient, StoreError
from dewline.journal.line_protocol import line

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


EVERY_S = 60.0
CHECK_AFTER_S = 60.0  # victoria-metrics shows new points after some seconds
MISSING_AFTER = 3  # checks without finding it
UNREADABLE_PAUSE_S = 3600.0


class Canary:
    """Sends a point of its own and checks that it can be read. Times are monotonic seconds.

    ``missing_since_s``: when the point was sent that is missing now; None where none is.
    """

    def __init__(self, site: str) -> None:
        self._site = site
        self._time_ms = 0
        self._sent_s: float | None = None
        self._check_s = 0.0
        self._misses = 0
        self._readable = True
        self._proven_s = -inf
        self.missing_since_s: float | None = None

    @property
    def proven_s(self) -> float:
        """What was acknowledged until then is in the store; infinity where it cannot be read."""
        return self._proven_s if self._readable else inf

    async def step(self, store: InfluxClient, wall_ms: int, now_s: float) -> str | None:
        """Send or check, whichever is due, and report a change in a sentence; else None.

        ``wall_ms``: UTC epoch, the time of the point. StoreError where the store is away.
        """
        if now_s < self._check_s:
            return None
        if self._sent_s is None:
            await self._send(store, wall_ms, now_s)
            return None
        try:
            there = await store.holds("canary", self._site, self._time_ms)
        except StoreError:
            raise
        except FollowerError as error:
            return self._cannot_read(str(error), now_s)
        self._readable = True
        return self._found(now_s) if there else self._not_found(now_s)

    async def _send(self, store: InfluxClient, wall_ms: int, now_s: float) -> None:
        self._time_ms = wall_ms
        await store.write([line("canary", {"site": self._site}, {"value": 1.0}, wall_ms)])
        self._sent_s, self._check_s, self._misses = now_s, now_s + CHECK_AFTER_S, 0

    def _found(self, now_s: float) -> str | None:
        sent_s = now_s if self._sent_s is None else self._sent_s
        was_missing, self.missing_since_s = self.missing_since_s is not None, None
        self._proven_s, self._sent_s, self._check_s = sent_s, None, sent_s + EVERY_S
        return "what it acknowledges is found in it again" if was_missing else None

    def _not_found(self, now_s: float) -> str | None:
        """After some checks a new point is sent: the old one may be lost for good."""
        self._misses += 1
        self._check_s = now_s + CHECK_AFTER_S
        if self._misses < MISSING_AFTER:
            return None
        if self.missing_since_s is None:
            self.missing_since_s = self._sent_s
        self._sent_s = None
        return "what it acknowledges is not found in it; look at its retention, clock and disk"

    def _cannot_read(self, why: str, now_s: float) -> str:
        self._readable, self.missing_since_s = False, None
        self._sent_s, self._check_s = None, now_s + UNREADABLE_PAUSE_S
        return f"it cannot be read back and is taken at its word: {why}"
