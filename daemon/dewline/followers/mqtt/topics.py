"""The MQTT topics of a site, and what the standard allows as a topic name.

Rules of names: MQTT 3.1.1 (OASIS, also ISO/IEC 20922), section 4.7.
"""

from __future__ import annotations

from dewline.errors import FollowerError

MAX_BYTES = 65_535


def valid_name(topic: str) -> bool:
    """Whether ``topic`` may be published to (MQTT-4.7.1-1, 4.7.3-1 to 4.7.3-3).

    At least one character, at most 65 535 bytes of UTF-8, no U+0000 and no wildcard.
    """
    try:
        length = len(topic.encode())
    except UnicodeEncodeError:  # a lone surrogate has no UTF-8 form
        return False
    return 0 < length <= MAX_BYTES and not any(character in topic for character in "\0+#")


def _is_plain_prefix(prefix: str) -> bool:
    """A valid name without empty levels, a leading ``$`` (the broker's) or control characters."""
    return (
        valid_name(prefix)
        and prefix.isprintable()
        and prefix[0] not in "$/"
        and not prefix.endswith("/")
        and "//" not in prefix
    )


class Topics:
    """Every topic of one site. FollowerError for a prefix that cannot stand in a name.

    ``state``: whether the daemon runs. ``heartbeat``: a sign of life. ``event``: every event.
    ``command``: where commands come in. ``result``: the answer to each. ``any_alarm`` and
    ``any_reading`` are the filters that match all alarm and reading topics of the site.
    """

    def __init__(self, prefix: str, site: str) -> None:
        if not _is_plain_prefix(prefix):
            raise FollowerError(f"{prefix!r} cannot be the start of an MQTT topic")
        self._root = root = f"{prefix}/{site}"
        self.state = f"{root}/state"
        self.heartbeat = f"{root}/heartbeat"
        self.event = f"{root}/event"
        self.command = f"{root}/command"
        self.result = f"{root}/command/result"
        self.any_alarm = f"{root}/+/alarm/+"
        self.any_reading = f"{root}/+/reading/+"

    def alarm(self, alarm: str) -> str:
        """``heron.moisture-high`` -> ``dewline/SITE/heron/alarm/moisture-high``."""
        box, _, rule = alarm.partition(".")
        return f"{self._root}/{box}/alarm/{rule}"

    def reading(self, signal: str) -> str:
        """``heron.moisture`` -> ``dewline/SITE/heron/reading/moisture``."""
        box, _, name = signal.partition(".")
        return f"{self._root}/{box}/reading/{name}"

    def ledger(self, box: str, kind: str) -> str:
        """Closed rows of one kind in the ledger of a box."""
        return f"{self._root}/{box}/ledger/{kind}"
