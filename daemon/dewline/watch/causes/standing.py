"""The cause of one alarm that is active: as last published, and when to judge it again."""

from __future__ import annotations

from dataclasses import dataclass, field

from dewline.events import Cause, CauseDocument
from dewline.watch.causes.names import UNKNOWN

MINUTE_MS = 60_000
# Until so long after the raise a cause is judged every so many minutes; then every 15.
OFTEN = ((12 * MINUTE_MS, 1), (120 * MINUTE_MS, 5))
SELDOM = 15


@dataclass(slots=True)
class Standing:
    """An alarm keeps the cause last published; a new one is published when it has led twice.

    ``cause`` in the form of an event. ``told``: the first names published so far. ``led``:
    how often in a row another first name was judged since.
    """

    raised_ms: int
    cause: CauseDocument
    told: list[str] = field(default_factory=list)
    led: int = 0

    def is_due(self, at_ms: int) -> bool:
        """Whether to judge again in this minute.

        By the minutes of watch time, so that all active alarms are judged in the same minute.
        """
        if self.led == 1:  # another name leads: it is sure or gone a minute later
            return True
        age_ms = at_ms - self.raised_ms
        every = next((minutes for until_ms, minutes in OFTEN if age_ms < until_ms), SELDOM)
        return at_ms // MINUTE_MS % every == 0

    def update(self, cause: Cause) -> bool:
        """Take in a new judgement; True when its first name is now to be published."""
        if cause.name == self.cause["name"]:
            self.cause, self.led = cause.document(), 0
            return False
        self.led += 1
        if self.led < 2 or cause.name == UNKNOWN or cause.name in self.told:
            return False
        self.cause, self.led = cause.document(), 0
        self.told.append(cause.name)
        return True


def cause_of(document: CauseDocument) -> Cause:
    """The cause that an event document holds."""
    return Cause(
        document["name"],
        document["confidence"],
        tuple(document["or"]),
        tuple(document["evidence"]),
        document["tell_apart"],
    )
