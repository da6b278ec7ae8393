"""What a page is, what it reports, and what waits to be reported to one contact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from dewline.events import EventDocument
from dewline.followers.push.phrases import time_of

AGAIN = " (again?)"
Tone = Literal["critical", "high", "medium", "low", "over", "test"]


@dataclass(frozen=True, slots=True)
class Page:
    """One message to one contact. ``text`` is for the lock screen, ``rest`` stands below it.

    A repeat has the same ``id``; ``again`` says that it may be one.
    """

    id: str
    title: str
    text: str
    rest: str
    tone: Tone
    again: bool = False

    @property
    def body(self) -> str:
        """All that stands under the title."""
        again = "This may have reached you before; the id is the same.\n" if self.again else ""
        return f"{self.text}\n\n{again}{self.rest}\nid {self.id}"

    def repeated(self) -> Page:
        """The same page, marked: nobody knows whether the first one arrived."""
        return self if self.again else replace(self, title=self.title + AGAIN, again=True)


@dataclass(frozen=True, slots=True)
class PageItem:
    """One thing to report: an event, and the raise it ends where it is an end.

    ``deferred``: the event came outside the hours of the contact, and the alarm is still active.
    ``unacknowledged``: an end, and somebody has still to acknowledge a level of the signal.
    """

    document: EventDocument
    raised: EventDocument | None = None
    deferred: bool = False
    unacknowledged: bool = False

    @property
    def over(self) -> bool:
        """Whether it is an end."""
        return self.raised is not None


END_IS_LATE_MS = 900_000  # an end older than this is no news of its own: it goes into a digest


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

    @property
    def alarm(self) -> str:
        """The alarm it is about."""
        return self.item.document["alarm"]

    @property
    def critical(self) -> bool:
        """Whether the alarm is critical."""
        return self.item.document["priority"] == "critical"

    def late(self, now_ms: int) -> bool:
        """Whether it reports an end of more than ``END_IS_LATE_MS`` ago."""
        return self.item.over and now_ms - time_of(self.item.document) > END_IS_LATE_MS


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
