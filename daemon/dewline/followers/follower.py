"""The interface of a follower for the service, and what it needs of the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from dewline.events import Entry, EventDocument, LedgerRow


@dataclass(frozen=True, slots=True)
class FollowerStatistics:
    """How far a follower has come. ``events_behind`` counts events not yet confirmed.

    ``seconds_behind`` is the age of the oldest of them, 0 where there is none.
    """

    connected: bool
    events_behind: int
    seconds_behind: float
    published: int
    errors: int


class Follower(Protocol):
    """Delivers what is committed to a far side, at least once and in order."""

    name: str

    async def run(self) -> None:
        """Deliver until ``stop`` or cancellation; wait while the far side is away."""

    def stop(self) -> None:
        """Deliver what is committed so far and let ``run`` return."""

    def committed(self, entries: Sequence[Entry]) -> None:
        """Called in the thread of the event loop after each commit. Never blocks, never raises."""

    def held(self, entries: Sequence[Entry]) -> None:
        """Called with events that the disk refuses for now; ``committed`` follows later."""

    def statistics(self) -> FollowerStatistics:
        """How far it has come."""


class JournalTail(Protocol):
    """The end of the journal."""

    @property
    def event_seq(self) -> int:
        """``seq`` of the newest event, 0 where there is none."""


class JournalReader(Protocol):
    """The part of the journal's reader that event followers use."""

    def tail(self) -> JournalTail:
        """The end of the journal."""

    def events(self, after_event_seq: int, limit: int) -> list[EventDocument]:
        """At most ``limit`` event documents with a higher ``seq``, in order."""

    def alarm_table(self) -> list[EventDocument]:
        """The last event document of every alarm that ever had one."""

    def ledger_after(self, number: int, limit: int) -> list[tuple[int, LedgerRow]]:
        """At most ``limit`` closed rows of the ledger after row ``number``, each with its own."""

    def follower(self, name: str) -> tuple[int, int]:
        """(item_seq, event_seq) up to which that follower's far side has confirmed."""

    def close(self) -> None:
        """Close the file."""
