"""The interface of a follower for the service."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from dewline.events import Entry


@dataclass(frozen=True, slots=True)
class FollowerStatistics:
    """How far a follower has come. ``events_behind`` counts events not yet confirmed.

    ``seconds_behind`` is the age of the oldest of them, 0 where there is none. ``barred``: of each
    road by which alarms go out, named as its signals of ``daemon`` are, what stops it until it is
    mended: a secret file that is missing, a password that is refused. None while nothing does.
    """

    connected: bool
    events_behind: int
    seconds_behind: float
    published: int
    errors: int
    barred: Mapping[str, str | None] = field(default_factory=dict)


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
