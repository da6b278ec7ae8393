"""What goes out and comes in over one connection to the broker."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
from collections.abc import Callable, Sequence, Set
from dataclasses import dataclass, field

import aiomqtt

from dewline.clock import Clock
from dewline.followers.mqtt.connection import LEAVE_TIMEOUT_S
from dewline.followers.mqtt.messages import RUNNING_BEGINS, MessageWriter, OutMessage
from dewline.followers.tasks import cancel_all, in_own_task

BATCH = 50
MAX_COMMANDS = 32
READ_BACK_S = 5.0
READ_BACK_QUIET_S = 0.1


@dataclass(slots=True, eq=False)
class BrokerLink:
    """Publishes in order over one connected client, and sorts what the broker sends.

    ``acknowledged`` gets the published messages that the broker has confirmed, ``wake`` is set
    when ``state_overwritten`` becomes true. ``retained``: topics of alarms and readings that the
    broker gave back.
    """

    client: aiomqtt.Client
    clock: Clock
    writer: MessageWriter
    acknowledged: Callable[[Sequence[OutMessage]], None]
    wake: asyncio.Event
    commands: asyncio.Queue[bytes] = field(default_factory=lambda: asyncio.Queue(MAX_COMMANDS))
    retained: set[str] = field(default_factory=set)
    state_overwritten: bool = False
    echoed: asyncio.Event = field(default_factory=asyncio.Event)

    # Out.

    async def publish(self, messages: Sequence[OutMessage]) -> None:
        """Publish in order, up to ``BATCH`` in flight, and wait for the acknowledgements.

        MqttError where one fails; those before it are reported as acknowledged all the same.
        """
        for start in range(0, len(messages), BATCH):
            await self._publish_batch(messages[start : start + BATCH])

    async def _publish_batch(self, messages: Sequence[OutMessage]) -> None:
        # A task hands its packet over in its first step, so packets leave in the order of tasks.
        tasks = [
            asyncio.ensure_future(self.client.publish(m.topic, m.payload, m.qos, m.retain))
            for m in messages
        ]
        try:
            with self.clock.io():
                await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            count = sum(1 for _ in itertools.takewhile(_succeeded, tasks))
            self.acknowledged(messages[:count])
            await cancel_all(tasks)
        for task in tasks:
            task.result()

    async def publish_last(self, m: OutMessage) -> None:
        """Publish before the connection is closed; wait for it at most ``LEAVE_TIMEOUT_S``.

        A broker that is gone is no error.
        """
        sending = self.client.publish(m.topic, m.payload, m.qos, m.retain, timeout=LEAVE_TIMEOUT_S)
        with self.clock.io(), contextlib.suppress(aiomqtt.MqttError):
            await in_own_task(sending)

    async def subscribe(self, qos: int, *filters: str) -> None:
        """Subscribe to topic filters."""
        with self.clock.io():
            await in_own_task(self.client.subscribe([(text, qos) for text in filters]))

    async def unsubscribe(self, *filters: str) -> None:
        """End subscriptions."""
        with self.clock.io():
            await in_own_task(self.client.unsubscribe(list(filters)))

    # In.

    async def receive(self) -> None:
        """Sort what the broker sends until the connection ends, with MqttError."""
        async for message in self.client.messages:
            self._sort(str(message.topic), message.payload, message.retain)

    async def read_back(self) -> bool:
        """Wait until the broker has sent all it retains; False where it sends nothing back.

        A broker sends in order, so the echo of our own state comes after what it had retained
        when that was published.
        """
        with self.clock.io():
            try:
                async with asyncio.timeout(READ_BACK_S):
                    await self.echoed.wait()
            except TimeoutError:
                return False
            count = -1
            while count < len(self.retained):
                count = len(self.retained)
                await asyncio.sleep(READ_BACK_QUIET_S)
        return True

    def _sort(self, topic: str, payload: bytes, retain: bool) -> None:
        if topic == self.writer.topics.command:
            if not retain and not self.commands.full():
                self.commands.put_nowait(payload)
        elif topic == self.writer.topics.state:
            if not retain:
                self._check_state(payload)
        elif retain and payload:
            self.retained.add(topic)

    def _check_state(self, payload: bytes) -> None:
        if payload == (self.writer.state("running").payload or "").encode():
            self.echoed.set()
        # The will of an earlier connection, which the broker gave up only now, or the last
        # message of a follower that this one replaces.
        elif not payload.startswith(RUNNING_BEGINS):
            self.state_overwritten = True
            self.wake.set()


def _succeeded(task: asyncio.Future[None]) -> bool:
    return task.done() and not task.cancelled() and task.exception() is None


NOT_GIVEN_BACK = "look at the access list of the broker: it does not give back"


async def clear_orphans(
    link: BrokerLink, *, alarms: Set[str], is_known: Callable[[str], bool]
) -> str | None:
    """Empty retained topics other than those in ``alarms`` and those of known signals.

    ``is_known`` says so of a full signal name. Returns what is wrong where the broker does not give
    back what it retains, so that orphans cannot be found; else None.
    """
    writer, topics = link.writer, link.writer.topics
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
