"""Empties what the broker still retains of alarms and signals that no longer exist."""

from __future__ import annotations

from collections.abc import Callable, Set

from dewline.followers.mqtt.link import BrokerLink
from dewline.followers.mqtt.messages import MessageWriter
from dewline.followers.mqtt.topics import Topics

NOT_GIVEN_BACK = "look at the access list of the broker: it does not give back"


async def clear_orphans(
    link: BrokerLink,
    topics: Topics,
    writer: MessageWriter,
    *,
    alarms: Set[str],
    is_known: Callable[[str], bool],
) -> str | None:
    """Empty retained topics other than those in ``alarms`` and those of known signals.

    ``is_known`` says so of a full signal name. Returns what is wrong where the broker does not give
    back what it retains, so that orphans cannot be found; else None.
    """
    filters = (topics.any_alarm, topics.any_reading)
    # QoS 0: a broker keeps only so many unacknowledged, and what is beyond is lost (mosquitto).
    await link.subscribe(0, *filters)
    await link.subscribe(1, topics.state)
    await link.publish([writer.state("running")])
    complaint = None
    if not await link.read_back():
        complaint = f"{NOT_GIVEN_BACK} its own {topics.state}"
    elif missing := alarms - link.retained:
        complaint = f"{NOT_GIVEN_BACK} {len(missing)} of its {len(alarms)} alarm topics"
    await link.unsubscribe(*filters)
    orphans = sorted(t for t in link.retained - alarms if not is_known(_signal_of(t)))
    await link.publish([writer.empty(topic) for topic in orphans])
    return complaint


def _signal_of(topic: str) -> str:
    """The full signal name of a reading topic; empty for an alarm topic."""
    box, kind, name = topic.rsplit("/", 3)[1:]
    return f"{box}.{name}" if kind == "reading" else ""
