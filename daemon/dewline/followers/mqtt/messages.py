"""The messages that go out over MQTT: what is in each, on which topic, at which QoS.

Retained messages (state, alarms, readings) show how things are now; the broker gives them to every
new subscriber. Events, heartbeats, results and ledger rows are published once.

Rules of topic names: MQTT 3.1.1 (OASIS, also ISO/IEC 20922), section 4.7.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypedDict

from dewline.errors import FollowerError
from dewline.events import EventDocument, LedgerRow, PresentReading, alarm_document
from dewline.readings import compact_json, iso_utc
from dewline.typed_json import Json

MAX_TOPIC_BYTES = 65_535


def valid_name(topic: str) -> bool:
    """Whether ``topic`` may be published to (MQTT-4.7.1-1, 4.7.3-1 to 4.7.3-3).

    At least one character, at most 65 535 bytes of UTF-8, no U+0000 and no wildcard.
    """
    try:
        length = len(topic.encode())
    except UnicodeEncodeError:  # a lone surrogate has no UTF-8 form
        return False
    return 0 < length <= MAX_TOPIC_BYTES and not any(character in topic for character in "\0+#")


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


DaemonState = Literal["running", "stopping", "stopped", "lost"]
RUNNING_BEGINS = b'{"state":"running"'


class HeartbeatFacts(TypedDict):
    """What a heartbeat says. ``followers``: by name, how many seconds each is behind.

    ``seq``: the last item; ``worst``: the most urgent state among all alarms.
    """

    seq: int
    worst: str
    followers: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class OutMessage:
    """One message to publish. ``payload`` None empties what the broker retains on ``topic``.

    ``seq``: once the broker has acknowledged the message, the event of that ``seq`` is delivered.
    """

    topic: str
    payload: str | None
    qos: int
    retain: bool
    seq: int | None = None


class MessageWriter:
    """Writes the messages of one daemon. ``started``: ISO 8601 UTC.

    ``present`` gives what a signal, by its full name, shows now.
    """

    def __init__(
        self,
        topics: Topics,
        started: str,
        version: str,
        present: Callable[[str], PresentReading | None],
    ) -> None:
        self.topics = topics
        self.present = present
        self._about = {"started": started, "version": version}

    def state(self, state: DaemonState) -> OutMessage:
        """The daemon's state, retained."""
        payload = compact_json({"state": state, **self._about})
        return OutMessage(self.topics.state, payload, 1, True)

    def alarm(self, document: EventDocument) -> OutMessage:
        """The last event of an alarm, with what its signal shows now; retained."""
        shown = alarm_document(document, self.present(document["signal"]))
        return OutMessage(self.topics.alarm(document["alarm"]), compact_json(shown), 1, True)

    def event(self, document: EventDocument) -> OutMessage:
        """An event; its acknowledgement moves the cursor."""
        return OutMessage(self.topics.event, compact_json(document), 1, False, document["seq"])

    def undurable(self, document: EventDocument) -> list[OutMessage]:
        """An event that the disk refuses for now; it follows with the same ``id`` once recorded."""
        shown = alarm_document(document, self.present(document["signal"]))
        alarm = compact_json({**shown, "durable": False})
        event = compact_json({**document, "durable": False})
        return [
            OutMessage(self.topics.alarm(document["alarm"]), alarm, 1, True),
            OutMessage(self.topics.event, event, 1, False),
        ]

    def reading(self, signal: str, message: Mapping[str, Json]) -> OutMessage:
        """The latest reading of a full signal name, retained."""
        return OutMessage(self.topics.reading(signal), compact_json(message), 0, True)

    def heartbeat(self, time_ms: int, facts: HeartbeatFacts) -> OutMessage:
        """A heartbeat at ``time_ms`` (UTC epoch)."""
        payload = compact_json({"time": iso_utc(time_ms), **facts})
        return OutMessage(self.topics.heartbeat, payload, 0, False)

    def result(self, message: Mapping[str, Json]) -> OutMessage:
        """The answer to a command."""
        return OutMessage(self.topics.result, compact_json(message), 1, False)

    def empty(self, topic: str) -> OutMessage:
        """Makes the broker forget what it retains on ``topic``."""
        return OutMessage(topic, None, 1, True)

    def ledger(self, row: LedgerRow) -> OutMessage:
        """A closed row of the ledger. TypeError or ValueError where it is not JSON, e.g. NaN."""
        message = {
            "id": row.id,
            "box": row.box,
            "kind": row.kind,
            "started": iso_utc(row.started_ms),
            "ended": None if row.ended_ms is None else iso_utc(row.ended_ms),
            **row.document,
        }
        return OutMessage(self.topics.ledger(row.box, row.kind), compact_json(message), 1, False)


class EventMessages:
    """Writes events together with the retained alarm topics that follow from them.

    The alarm topics show the newest events as soon as a connection stands. While older events are
    delivered after that, an alarm topic is published again only for an event newer than its own.
    An alarm that stands is published again while its signal moves: see ``refreshed``.
    """

    def __init__(self, writer: MessageWriter) -> None:
        self._writer = writer
        self._shown: dict[str, int] = {}  # by alarm: the seq of the event on its topic
        # By alarm that stands: its last event, and what its signal showed when it was published.
        self._standing: dict[str, tuple[EventDocument, PresentReading | None]] = {}

    def table(self, table: Sequence[EventDocument]) -> list[OutMessage]:
        """All alarm topics, from the last event of every alarm."""
        self._shown = {row["alarm"]: row["seq"] for row in table}
        self._standing.clear()
        return [self._alarm(row) for row in table]

    def refreshed(self) -> list[OutMessage]:
        """The alarms that stand, of which the signal shows another value or quality than before."""
        return [
            self._alarm(document)
            for document, was in list(self._standing.values())
            if _differs(self._writer.present(document["signal"]), was)
        ]

    def of(self, document: EventDocument) -> Iterator[OutMessage]:
        """An event, after its alarm topic where the event is the newest of the alarm."""
        alarm, seq = document["alarm"], document["seq"]
        if seq > self._shown.get(alarm, 0):
            self._shown[alarm] = seq
            yield self._alarm(document)
        yield self._writer.event(document)

    def _alarm(self, document: EventDocument) -> OutMessage:
        if document["state"] == "normal":
            self._standing.pop(document["alarm"], None)
        else:
            now = self._writer.present(document["signal"])
            self._standing[document["alarm"]] = document, now
        return self._writer.alarm(document)


def _differs(now: PresentReading | None, was: PresentReading | None) -> bool:
    if now is None or was is None:
        return now is not was
    return (now["value"], now["quality"]) != (was["value"], was["quality"])
