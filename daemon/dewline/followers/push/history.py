"""Where a contact's pages begin after a start, read from the journal."""

from __future__ import annotations

from collections.abc import Iterator

from dewline.events import EventDocument
from dewline.followers.follower import JournalReader
from dewline.followers.push.figures import time_of
from dewline.followers.push.notice import LATE_MS

BATCH = 500
FIRST_WINDOW = 1000  # events


def first_cursor(reader: JournalReader, tail: int, now_ms: int) -> int:
    """The cursor of a contact who was never paged: events older than ``LATE_MS`` are skipped.

    ``tail``: the ``seq`` of the last event.
    """
    after = max(0, tail - FIRST_WINDOW)
    recent = reader.events(after, FIRST_WINDOW)
    old = [d["seq"] for d in recent if now_ms - time_of(d) > LATE_MS]
    return max(old, default=after)


def settled_events(reader: JournalReader, cursor: int, tail: int) -> list[EventDocument]:
    """Events up to ``cursor``, back to the raise of every alarm that was active then or is now.

    Included are the events of all alarms of the same signals: the page for one level may have
    stood for another one.
    """
    table = [row for row in reader.alarm_table() if row["state"] != "normal"]
    recent = [*table, *_between(reader, cursor, tail)]
    wanted, signals = {d["alarm"] for d in recent}, {d["signal"] for d in recent}
    window = FIRST_WINDOW
    while True:
        after = max(0, cursor - window)
        found = [d for d in _between(reader, after, cursor) if d["signal"] in signals]
        raised = {d["alarm"] for d in found if d["transition"] == "raised"}
        if not after or wanted <= raised:
            return found
        window *= 8


def _between(reader: JournalReader, after: int, last: int) -> Iterator[EventDocument]:
    while after < last:
        documents = reader.events(after, min(BATCH, last - after))
        if not documents:
            return
        yield from documents
        after = documents[-1]["seq"]
