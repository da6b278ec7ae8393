"""What a page is, and what it reports."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from dewline.events import EventDocument

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
