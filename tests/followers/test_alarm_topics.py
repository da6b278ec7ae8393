"""The retained topic of an alarm: its last event, and what its signal shows now."""

from __future__ import annotations

import json

from dewline.events import EventDocument
from dewline.followers.mqtt.latest import LatestReadings
from dewline.followers.mqtt.messages import EventMessages, MessageWriter, OutMessage, Topics
from dewline.readings import Quality, Reading, Verdict
from tests.followers.conftest import House


class Publisher:
    """Latest readings of moisture, and the messages made beside them."""

    def __init__(self) -> None:
        self.latest = LatestReadings({}, 10.0)
        topics = Topics("dewline", "saltmarsh")
        writer = MessageWriter(topics, "2026-03-02T02:14:09.250Z", "0.1.0", self.latest.present)
        self.messages = EventMessages(writer)

    def read(self, value: float, quality: Quality = Quality.GOOD) -> None:
        self.latest.update({"heron.moisture": Reading(value, quality)}, 1_772_417_650_000)


def raised() -> EventDocument:
    """Moisture was at 127 ppm when the alarm was raised."""
    return {**House().event().document(), "value": 127.0}


def now(message: OutMessage) -> object:
    return json.loads(message.payload or "{}")["now"]


def test_the_figure_of_now_stands_beside_that_of_the_last_event() -> None:
    """127 ppm at the last transition, 0.3 ppm now; the event itself is sent as it was."""
    publisher = Publisher()
    publisher.read(0.3)
    alarm, event = publisher.messages.of(raised())
    assert now(alarm) == {"value": 0.3, "quality": "good", "time": "2026-03-02T02:14:10.000Z"}
    assert json.loads(alarm.payload or "{}")["value"] == 127.0
    assert "now" not in json.loads(event.payload or "{}")


def test_an_alarm_that_stands_is_published_again_while_its_signal_moves() -> None:
    """Not while it shows the same, and not after its end."""
    publisher = Publisher()
    publisher.read(127.0)
    list(publisher.messages.of(raised()))
    assert publisher.messages.refreshed() == []
    publisher.read(0.3)
    (again,) = publisher.messages.refreshed()
    assert now(again) == {"value": 0.3, "quality": "good", "time": "2026-03-02T02:14:10.000Z"}
    assert publisher.messages.refreshed() == []
    publisher.latest.judge([Verdict("heron.moisture", Quality.FROZEN, 0, 0)])
    (again,) = publisher.messages.refreshed()
    assert '"quality":"bad/frozen"' in (again.payload or "")
    over: EventDocument = {**raised(), "seq": 2, "transition": "cleared", "state": "normal"}
    assert now(next(publisher.messages.of(over))) is None
    publisher.read(0.2)
    assert publisher.messages.refreshed() == []


def test_before_the_first_reading_nothing_is_made_up() -> None:
    """After a restart the table of alarms is published before anything is read."""
    publisher = Publisher()
    (alarm,) = publisher.messages.table([raised()])
    assert now(alarm) is None
    publisher.read(0.3)
    assert len(publisher.messages.refreshed()) == 1
