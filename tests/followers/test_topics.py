"""Our topics are written exactly as the contract says."""

from __future__ import annotations

import aiomqtt
import pytest

from dewline.errors import FollowerError
from dewline.followers.mqtt.messages import Topics, valid_name

TOPICS = Topics("dewline", "saltmarsh")


def test_every_topic() -> None:
    """PREFIX/SITE, then box and kind; rule and signal stand last."""
    assert TOPICS.state == "dewline/saltmarsh/state"
    assert TOPICS.heartbeat == "dewline/saltmarsh/heartbeat"
    assert TOPICS.event == "dewline/saltmarsh/event"
    assert TOPICS.command == "dewline/saltmarsh/command"
    assert TOPICS.result == "dewline/saltmarsh/command/result"
    assert TOPICS.alarm("heron.moisture-high") == "dewline/saltmarsh/heron/alarm/moisture-high"
    assert TOPICS.reading("heron.moisture") == "dewline/saltmarsh/heron/reading/moisture"
    assert TOPICS.ledger("heron", "pump-down") == "dewline/saltmarsh/heron/ledger/pump-down"


def test_the_filters_match_what_they_should() -> None:
    """The filters find alarm and reading topics of this site, and nothing else of it."""
    alarm, reading = TOPICS.alarm("heron.moisture-high"), TOPICS.reading("heron.moisture")
    others = (TOPICS.state, TOPICS.event, TOPICS.command, TOPICS.result, TOPICS.heartbeat)
    assert aiomqtt.Topic(alarm).matches(TOPICS.any_alarm)
    assert aiomqtt.Topic(reading).matches(TOPICS.any_reading)
    assert not any(aiomqtt.Topic(t).matches(TOPICS.any_alarm) for t in (reading, *others))
    assert not any(aiomqtt.Topic(t).matches(TOPICS.any_reading) for t in (alarm, *others))


@pytest.mark.parametrize("prefix", ["lab", "lab/north", "Lab 3", "müritz"])
def test_a_prefix_may_be_any_plain_name(prefix: str) -> None:
    """A prefix of several levels, capitals, spaces and letters beyond ASCII is taken as it is."""
    topics = Topics(prefix, "saltmarsh")
    assert topics.state == f"{prefix}/saltmarsh/state"
    assert valid_name(topics.state)


@pytest.mark.parametrize(
    "prefix",
    ["", "/", "lab/", "/lab", "a//b", "lab+", "#", "$SYS", "a\0b", "a\nb", "\ud800", "x" * 70_000],
)
def test_a_prefix_that_cannot_stand_in_a_name_is_refused(prefix: str) -> None:
    """Wildcards, NUL, control characters, $ and empty levels are refused, not replaced."""
    with pytest.raises(FollowerError):
        Topics(prefix, "saltmarsh")
