"""Which of the waiting notices becomes the next page of a contact, and when.

What is critical goes first. A flood goes into one digest, and so does what came and went while no
page could be sent. How many pages a contact and a provider can bear is limited; these limits are
the project's own choice.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from dewline.followers.push.page import Batch, Notice
from dewline.followers.push.page_text import DigestReason, PageWriter
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


GATHER_MS = 2_000  # alarms of one cause come within a moment
# More than 10 in ten minutes are more than a person can follow (EEMUA 191 as commonly
# quoted); it is over below 5 (from memory).
FLOOD, FLOOD_OVER_BELOW = 10, 5
FLOOD_WINDOW_MS = 600_000
DIGEST_EVERY_MS = 120_000


class PageSchedule:
    """Picks pages for one contact, within the quota. All times are wall times in ms."""

    def __init__(self, writer: PageWriter, quota: Quota) -> None:
        self._writer = writer
        self._quota = quota
        self._reported_ms: deque[int] = deque(maxlen=FLOOD + 1)
        self._flood = False
        self._digest_ms: int | None = None
        # The quota held back critical pages, or ordinary ones: a digest follows.
        self._held_back_critical = False
        self._held_back_ordinary = False

    def next(self, pending: Sequence[Notice], now_ms: int, *, leaving: bool) -> Batch | int:
        """The page to send now, or the moment to ask again. ``pending`` is not empty.

        ``leaving``: nothing is held back to be gathered with what comes next.
        """
        late = [notice for notice in pending if notice.late(now_ms)]
        others = [notice for notice in pending if not notice.late(now_ms)]
        critical = [notice for notice in others if notice.critical]
        ordinary = [notice for notice in others if not notice.critical]
        gather_ms = 0 if leaving else GATHER_MS
        answers = [
            self._next_critical(critical, now_ms) if critical else None,
            self._next_late(late, now_ms) if late else None,
            self._next_ordinary(ordinary, now_ms, gather_ms) if ordinary else None,
        ]
        for answer in answers:
            if isinstance(answer, Batch):
                return answer
        return min(moment for moment in answers if isinstance(moment, int))

    def sent(self, batch: Batch, now_ms: int) -> None:
        """Count a page that was sent, or may have been."""
        self._quota.spend(now_ms, critical=batch.critical)
        self._reported_ms.extend(now_ms for _ in batch.notices)
        if batch.flood:
            self._digest_ms = now_ms
            self._held_back_critical = self._held_back_ordinary = False

    def _next_critical(self, critical: Sequence[Notice], now_ms: int) -> Batch | int:
        when_ms = self._quota.next_ms(now_ms, critical=True)
        if when_ms > now_ms:
            self._held_back_critical = True
            return when_ms
        if self._held_back_critical:
            return self._digest(critical, now_ms)
        return self._single(critical[0], now_ms)

    def _next_late(self, late: Sequence[Notice], now_ms: int) -> Batch | int:
        when_ms = self._quota.next_ms(now_ms, critical=False)
        return when_ms if when_ms > now_ms else self._digest(late, now_ms, why="late")

    def _next_ordinary(self, ready: Sequence[Notice], now_ms: int, gather_ms: int) -> Batch | int:
        if now_ms < ready[0].queued_ms + gather_ms:
            return ready[0].queued_ms + gather_ms
        when_ms = self._quota.next_ms(now_ms, critical=False)
        if when_ms > now_ms:
            self._held_back_ordinary = True
            return when_ms
        deferred = [notice for notice in ready if notice.item.deferred]
        if deferred:
            return self._digest(deferred, now_ms, why="deferred")
        if not self._is_flood(len(ready), now_ms):
            return self._single(ready[0], now_ms)
        if self._digest_ms is not None and now_ms - self._digest_ms < DIGEST_EVERY_MS:
            return self._digest_ms + DIGEST_EVERY_MS
        return self._digest(ready, now_ms)

    def _is_flood(self, ready: int, now_ms: int) -> bool:
        while self._reported_ms and self._reported_ms[0] <= now_ms - FLOOD_WINDOW_MS:
            self._reported_ms.popleft()
        count = len(self._reported_ms) + ready
        self._flood = count >= FLOOD_OVER_BELOW if self._flood else count > FLOOD
        return self._flood or (self._held_back_ordinary and ready > 1)

    def _single(self, notice: Notice, now_ms: int) -> Batch:
        item = notice.item
        write = self._writer.over if item.over else self._writer.alarm
        return Batch(write(item, now_ms), (notice,))

    def _digest(
        self, notices: Sequence[Notice], now_ms: int, *, why: DigestReason = "flood"
    ) -> Batch:
        flood = why == "flood"
        if len(notices) == 1:
            return replace(self._single(notices[0], now_ms), flood=flood)
        page = self._writer.digest([notice.item for notice in notices], now_ms, why=why)
        return Batch(page, tuple(notices), flood=flood)
