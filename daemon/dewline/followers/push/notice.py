"""What waits to be reported to one contact, and the pages it goes out with."""

from __future__ import annotations

from dataclasses import dataclass, field

from dewline.followers.push.figures import time_of
from dewline.followers.push.page import Page, PageItem

LATE_MS = 900_000  # an end older than this is no news of its own: it goes into a digest


@dataclass(slots=True, eq=False)
class Notice:
    """One thing to report. ``seqs``: the events that are settled with it.

    ``queued_ms``: since when it waits. ``tried``: a page with it may have arrived.
    ``deferred_seqs``: the events that waited for the contact's hours and are settled with it.
    """

    seqs: list[int]
    item: PageItem
    queued_ms: int
    tried: bool = False
    deferred_seqs: tuple[int, ...] = ()
    _time_ms: int = field(init=False)

    def __post_init__(self) -> None:
        self._time_ms = time_of(self.item.document)

    @property
    def alarm(self) -> str:
        """The alarm it is about."""
        return self.item.document["alarm"]

    @property
    def critical(self) -> bool:
        """Whether the alarm is critical."""
        return self.item.document["priority"] == "critical"

    def late(self, now_ms: int) -> bool:
        """Whether it reports an end of more than ``LATE_MS`` ago."""
        return self.item.over and now_ms - self._time_ms > LATE_MS


@dataclass(frozen=True, slots=True)
class Batch:
    """A page and the notices it settles. ``flood``: the next such page waits a while."""

    page: Page
    notices: tuple[Notice, ...]
    flood: bool = False

    @property
    def critical(self) -> bool:
        """Whether any alarm in it is critical."""
        return any(notice.critical for notice in self.notices)
