"""The MQTT topics of a site, and what the standard allows as a topic name.

Rules of names: MQTT 3.1.1 (OASIS, also ISO/IEC 20922), section 4.7.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Topics:
    """Every topic of one site. FollowerError for a prefix that cannot stand in a name."""

    prefix: str
    site: str

    def __post_init__(self) -> None:
        if not _is_plain_prefix(self.prefix):
            raise FollowerError(f"{self.prefix!r} cannot be the start of an MQTT topic")

    def _at(self, *levels: str) -> str:
        return "/".join((self.prefix, self.site, *levels))

    @property
    def state(self) -> str:
        """Whether the daemon runs; retained."""
        return self._at("state")

    @property
    def heartbeat(self) -> str:
        """A sign of life every 30 s."""
        return self._at("heartbeat")

    @property
    def event(self) -> str:
        """Every event, once."""
        return self._at("event")

    @property
    def command(self) -> str:
        """Where commands are taken."""
        return self._at("command")

    @property
    def result(self) -> str:
        """The answer to every command."""
        return self._at("command", "result")

    @property
    def any_alarm(self) -> str:
        """The filter that matches every alarm topic of the site."""
        return self._at("+", "alarm", "+")

    @property
    def any_reading(self) -> str:
        """The filter that matches every reading topic of the site."""
        return self._at("+", "reading", "+")

    def alarm(self, alarm: str) -> str:
        """``heron.moisture-high`` -> ``dewline/SITE/heron/alarm/moisture-high``."""
        box, _, rule = alarm.partition(".")
        return self._at(box, "alarm", rule)

    def reading(self, signal: str) -> str:
        """``heron.moisture`` -> ``dewline/SITE/heron/reading/moisture``."""
        box, _, name = signal.partition(".")
        return self._at(box, "reading", name)

    def ledger(self, box: str, kind: str) -> str:
        """Closed rows of one kind in the ledger of a box, each once."""
        return self._at(box, "ledger", kind)
