"""What goes out over MQTT: each thing the house says, as topic, payload and service level."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from dewline.events import LedgerRow
from dewline.followers.mqtt.topics import Topics
from dewline.readings import compact_json, iso_utc

DaemonState = Literal["running", "stopping", "stopped", "lost"]
RUNNING_BEGINS = b'{"state":"running"'


@dataclass(frozen=True, slots=True)
class Letter:
    """One message out. ``seq``: with its PUBACK the event of that ``seq`` is delivered."""

    topic: str
    payload: str | None
    qos: int
    retain: bool
    seq: int | None = None


class Letters:
    """Writes the letters of one daemon."""

    def __init__(self, topics: Topics, started: str, version: str) -> None:
        self._topics = topics
        self._about = {"started": started, "version": version}

    def state(self, state: DaemonState) -> Letter:
        payload = compact_json({"state": state, **self._about})
        return Letter(self._topics.state, payload, 1, True)

    def alarm(self, document: Mapping[str, Any]) -> Letter:
        """The last event of an alarm, kept by the broker."""
        return Letter(self._topics.alarm(document["alarm"]), compact_json(document), 1, True)

    def event(self, document: Mapping[str, Any]) -> Letter:
        return Letter(self._topics.event, compact_json(document), 1, False, document["seq"])

    def undurable(self, document: Mapping[str, Any]) -> list[Letter]:
        """An event that is not in the record yet; the same ``id`` follows once it is."""
        marked = {**document, "durable": False}
        alarm = self.alarm(marked)
        return [alarm, Letter(self._topics.event, alarm.payload, 1, False)]

    def reading(self, signal: str, document: Mapping[str, Any]) -> Letter:
        return Letter(self._topics.reading(signal), compact_json(document), 0, True)

    def heartbeat(self, time_ms: int, facts: Mapping[str, Any]) -> Letter:
        payload = compact_json({"time": iso_utc(time_ms), **facts})
        return Letter(self._topics.heartbeat, payload, 0, False)

    def result(self, document: Mapping[str, Any]) -> Letter:
        return Letter(self._topics.result, compact_json(document), 1, False)

    def empty(self, topic: str) -> Letter:
        """Makes the broker forget what it retains on ``topic``."""
        return Letter(topic, None, 1, True)

    def ledger(self, row: LedgerRow) -> Letter:
        """A closed row. ValueError where it holds what JSON cannot say."""
        document = {
            "id": row.id,
            "box": row.box,
            "kind": row.kind,
            "started": iso_utc(row.started_ms),
            "ended": None if row.ended_ms is None else iso_utc(row.ended_ms),
            **row.document,
        }
        return Letter(self._topics.ledger(row.box, row.kind), compact_json(document), 1, False)


class EventLetters:
    """Writes events with the retained alarm topics that follow from them.

    ``shown`` is the seq of the event that each alarm topic now bears: while old
    events are caught up on, the table told at the start is the newer truth.
    """

    def __init__(self, letters: Letters, table: list[dict[str, Any]]) -> None:
        self._letters = letters
        self._shown = {row["alarm"]: row["seq"] for row in table}

    def of(self, document: Mapping[str, Any]) -> Iterator[Letter]:
        alarm, seq = document["alarm"], document["seq"]
        if seq > self._shown.get(alarm, 0):
            self._shown[alarm] = seq
            yield self._letters.alarm(document)
        yield self._letters.event(document)
