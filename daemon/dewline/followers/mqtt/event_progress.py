"""How far a follower has delivered the events of the journal."""

from __future__ import annotations

from dewline.events import Event


class EventProgress:
    """The cursor, the last event, and the age of the oldest event between them.

    ``cursor`` is the ``seq`` up to which the far side has confirmed every event.
    """

    def __init__(self) -> None:
        self.cursor = 0
        self._last = 0
        self._oldest_ms: int | None = None

    @property
    def behind(self) -> int:
        """How many events are committed and not delivered."""
        return max(0, self._last - self.cursor)

    def age_s(self, wall_ms: int) -> float:
        """Age of the oldest event not delivered, in s; 0 where there is none."""
        if self._oldest_ms is None or not self.behind:
            return 0.0
        return max(0.0, (wall_ms - self._oldest_ms) / 1000)

    def load(self, cursor: int, last: int) -> None:
        """Take over cursor and last event from the journal.

        What was delivered in this run may be further: its cursor is written with a delay.
        """
        self.cursor = max(self.cursor, cursor)
        self._last = max(self._last, last)

    def committed(self, event: Event) -> None:
        """One more event is in the journal."""
        if not self.behind:
            self._oldest_ms = event.time_ms
        self._last = max(self._last, event.seq)

    def set_oldest(self, time_ms: int) -> None:
        """The next event to deliver is of that wall time."""
        self._oldest_ms = time_ms

    def delivered(self, seq: int) -> None:
        """The far side has confirmed every event up to ``seq``."""
        self.cursor = max(self.cursor, seq)
