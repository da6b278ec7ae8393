"""The MQTT follower: publishes state, alarms, events, readings and ledger rows; takes commands.

Events are published at least once and in order; the cursor moves only when the broker has
acknowledged. Everything retained is published again on every connection, because a broker may have
lost it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import secrets
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import TypeVar

import aiomqtt

from dewline.clock import Backoff, Clock
from dewline.config.plan import MqttPlan
from dewline.errors import DewlineError
from dewline.events import Entry, Event, EventDocument, LedgerRow
from dewline.followers.failures import Failures
from dewline.followers.follower import FollowerStatistics
from dewline.followers.mqtt.commands import CommandHandler, Submit, token_of
from dewline.followers.mqtt.connection import barred_by, connection
from dewline.followers.mqtt.latest import LatestReadings
from dewline.followers.mqtt.link import BATCH, BrokerLink, clear_orphans
from dewline.followers.mqtt.messages import (
    EventMessages,
    HeartbeatFacts,
    MessageWriter,
    OutMessage,
    Topics,
)
from dewline.followers.tasks import ask_journal, first_to_end, wait_until
from dewline.journal import Reader
from dewline.readings import Scan, Verdict, parse_iso_utc

T = TypeVar("T")
log = logging.getLogger(__name__)

HEARTBEAT_EVERY_S = 30.0
FIRST_RETRY_S = 0.5
LAST_RETRY_S = 30.0
SETTLED_S = 30.0  # a connection that held that long ends an outage
LEAVE_DRAIN_S = 10.0
MAX_HELD_EVENTS = 10_000
EXPECTED = (aiomqtt.MqttError, OSError, DewlineError)


class EventProgress:
    """How far the events of the journal are delivered, and the age of the oldest one that is not.

    ``cursor`` is the ``seq`` up to which the far side has confirmed every event.
    """

    def __init__(self) -> None:
        self.cursor = 0
        self._last = 0
        self._oldest_ms: int | None = None

    @property
    def behind(self) -> int:
        """How many events are committed and not delivered."""
        return max(0, self._last - self.cursor)

    def age_s(self, wall_ms: int) -> float:
        """Age of the oldest event not delivered, in s; 0 where there is none."""
        if self._oldest_ms is None or not self.behind:
            return 0.0
        return max(0.0, (wall_ms - self._oldest_ms) / 1000)

    def load(self, cursor: int, last: int) -> None:
        """Take over cursor and last event from the journal.

        What was delivered in this run may be further: its cursor is written with a delay.
        """
        self.cursor = max(self.cursor, cursor)
        self._last = max(self._last, last)

    def committed(self, event: Event) -> None:
        """One more event is in the journal."""
        if not self.behind:
            self._oldest_ms = event.time_ms
        self._last = max(self._last, event.seq)

    def set_oldest(self, time_ms: int) -> None:
        """The next event to deliver is of that wall time."""
        self._oldest_ms = time_ms

    def delivered(self, seq: int) -> None:
        """The far side has confirmed every event up to ``seq``."""
        self.cursor = max(self.cursor, seq)


class MqttFollower:
    """Follows the journal to a broker until it is stopped; never ends by itself.

    ``reader`` opens a read-only journal reader (used in worker threads),
    ``advance`` stores the seq of the last delivered event, ``advance_ledger`` the
    number of the last delivered row of the ledger, ``submit`` passes a
    command {command, alarm, by, for_s, why} to the watch, ``facts`` gives the contents of the
    heartbeat, or None while a part of the daemon makes no progress: then no heartbeat goes out.
    ``units`` is keyed by full signal name, ``verdicts`` are those of the watch that stand at the
    start. ``started`` is ISO 8601 UTC.
    """

    name = "mqtt"
    of_ledger = "mqtt-ledger"  # the cursor that counts rows of the ledger, as an event_seq

    def __init__(
        self,
        plan: MqttPlan,
        site: str,
        clock: Clock,
        *,
        reader: Callable[[], Reader],
        advance: Callable[[int], None],
        advance_ledger: Callable[[int], None],
        submit: Submit,
        facts: Callable[[], HeartbeatFacts | None],
        units: Mapping[str, str],
        started: str,
        version: str,
        verdicts: Sequence[Verdict] = (),
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._latest = LatestReadings(units, plan.readings_every_ms / 1000, verdicts)
        topics = Topics(plan.prefix, site)
        self._writer = MessageWriter(topics, started, version, self._latest.present)
        self._event_messages = EventMessages(self._writer)
        self._open_reader = reader
        self._advance = advance
        self._advance_ledger = advance_ledger
        self._facts = facts
        # 23 letters and digits: what every server must take (MQTT-3.1.3-5). The same one
        # for the whole run, so that a new connection takes over from a half-dead one.
        self._identifier = "dewline" + secrets.token_hex(8)
        self._progress = EventProgress()
        self._ledger_row = 0
        self._ledger_grew = True
        self._held: deque[EventDocument] = deque(maxlen=MAX_HELD_EVENTS)
        self._handler = CommandHandler(submit, token_of(plan), clock.monotonic)
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._connected = False
        self._barred: str | None = None
        self._connected_at_s = inf
        self._heartbeat_at_s = clock.monotonic()
        self._published = 0
        self._failures = Failures(log)

    # What the service calls.

    def committed(self, entries: Sequence[Entry]) -> None:
        """Note what is now in the journal: events and ledger rows to publish, latest readings."""
        for entry in entries:
            self._note(entry)
        self._wake.set()

    def _note(self, entry: Entry) -> None:
        time_ms = self._clock.wall_ms() if entry.item is None else entry.item.time_ms
        if isinstance(entry.item, Scan):
            self._latest.update(entry.item.readings, time_ms)
        self._latest.update(entry.outcome.readings, time_ms)
        if entry.outcome.verdicts:
            self._latest.judge(entry.outcome.verdicts)
        self._ledger_grew = self._ledger_grew or bool(entry.outcome.ledger)
        for event in entry.outcome.events:
            self._progress.committed(event)

    def held(self, entries: Sequence[Entry]) -> None:
        """Note events that the disk refuses for now: they are published all the same, marked."""
        for entry in entries:
            self._held.extend(event.document() for event in entry.outcome.events)
        self._wake.set()

    def stop(self) -> None:
        """Deliver what is committed, publish ``stopped`` and let ``run`` return."""
        self._stop.set()
        self._wake.set()

    def statistics(self) -> FollowerStatistics:
        """How far it has come; ``published`` counts acknowledged messages of every kind."""
        return FollowerStatistics(
            connected=self._connected,
            events_behind=self._progress.behind,
            seconds_behind=self._progress.age_s(self._clock.wall_ms()),
            published=self._published,
            errors=self._failures.count,
            barred={self.name: self._barred},
        )

    async def run(self) -> None:
        """Connect, follow, and connect again, 0.5 s to 30 s apart, until ``stop``.

        Raises nothing: failures are counted and logged, and the lag raises an alarm.
        """
        backoff = Backoff(FIRST_RETRY_S, LAST_RETRY_S)
        while not self._stop.is_set():
            self._connected_at_s = inf
            self._heartbeat_at_s = self._clock.monotonic()
            failure = None
            try:
                await self._session()
            # Whatever goes wrong, also what nobody foresaw: the way of the alarms must not end.
            except Exception as error:  # noqa: BLE001
                failure = error
            if self._clock.monotonic() - self._connected_at_s > SETTLED_S:
                backoff.reset()
                self._failures.outage_over()
            if failure is not None:
                self._barred = barred_by(failure)
                self._failures.failed(f"{self._plan.host}:{self._plan.port}", failure, EXPECTED)
            pause_s = backoff.next_s() * random.uniform(0.8, 1.2)
            await wait_until(self._clock, self._clock.monotonic() + pause_s, self._stop)

    # One connection.

    async def _session(self) -> None:
        await self._load()
        lost = self._writer.state("lost")
        will = aiomqtt.Will(lost.topic, lost.payload, lost.qos, lost.retain)
        async with connection(self._plan, self._identifier, will, self._clock) as client:
            self._connected, self._barred = True, None
            self._connected_at_s = self._clock.monotonic()
            link = BrokerLink(client, self._clock, self._writer, self._count, self._wake)
            try:
                await first_to_end(self._work(link), link.receive(), self._serve_commands(link))
            except BaseException as error:
                # After an orderly leave the broker does not publish the will, so this does.
                cancelled = isinstance(error, asyncio.CancelledError)
                await link.publish_last(self._writer.state("stopped" if cancelled else "lost"))
                raise
            finally:
                self._connected = False

    async def _load(self) -> None:
        def read(reader: Reader) -> tuple[int, int, int]:
            delivered, row = (reader.follower(name)[1] for name in (self.name, self.of_ledger))
            return delivered, reader.tail().event_seq, row

        delivered, last, row = await self._read(read)
        self._progress.load(delivered, last)
        self._ledger_row, self._ledger_grew = max(row, self._ledger_row), True

    async def _work(self, link: BrokerLink) -> None:
        await self._greet(link)
        self._latest.restate()
        while not self._stop.is_set():
            self._wake.clear()
            await self._publish_due(link)
            due_s = min(self._latest.next_due_s(), self._heartbeat_at_s)
            await wait_until(self._clock, due_s, self._wake)
        await link.publish([self._writer.state("stopping")])
        with contextlib.suppress(TimeoutError):  # what is left waits for the next start
            async with asyncio.timeout(LEAVE_DRAIN_S):
                await self._publish_due(link)
        await link.publish([self._writer.state("stopped")])

    async def _publish_due(self, link: BrokerLink) -> None:
        if link.state_overwritten and not self._stop.is_set():
            link.state_overwritten = False
            await link.publish([self._writer.state("running")])
        await self._publish_events(link)
        while self._held:
            await link.publish(self._writer.undurable(self._held[0]))
            self._held.popleft()
        await self._publish_ledger(link)
        readings = self._latest.due(self._clock.monotonic())
        await link.publish([self._writer.reading(*one) for one in readings])
        await link.publish(self._heartbeat())

    async def _publish_events(self, link: BrokerLink) -> None:
        """Deliver every committed event after the cursor."""
        while self._progress.behind:
            documents = await self._read(lambda reader: reader.events(self._progress.cursor, BATCH))
            if not documents:
                return
            self._progress.set_oldest(parse_iso_utc(documents[0]["time"]))
            await link.publish([m for d in documents for m in self._event_messages.of(d)])

    async def _publish_ledger(self, link: BrokerLink) -> None:
        """Deliver every closed row of the ledger after its cursor."""
        while self._ledger_grew:
            self._ledger_grew = False
            rows = await self._read(lambda reader: reader.ledger_after(self._ledger_row, BATCH))
            await link.publish([m for _, row in rows for m in self._ledger_messages(row)])
            if rows:
                self._ledger_row, self._ledger_grew = rows[-1][0], True
                self._advance_ledger(self._ledger_row)

    def _ledger_messages(self, row: LedgerRow) -> list[OutMessage]:
        try:
            return [self._writer.ledger(row)]
        except (TypeError, ValueError):  # else this one row would hold up all that follows
            self._failures.report(f"ledger row {row.id} of {row.box} cannot be written as JSON")
            return []

    def _heartbeat(self) -> list[OutMessage]:
        now_s = self._clock.monotonic()
        if now_s < self._heartbeat_at_s:
            return []
        self._heartbeat_at_s = now_s + HEARTBEAT_EVERY_S
        standing = self._event_messages.refreshed()
        facts = self._facts()
        if facts is None:
            return standing
        return [*standing, self._writer.heartbeat(self._clock.wall_ms(), facts)]

    # The beginning of a connection.

    async def _greet(self, link: BrokerLink) -> None:
        await link.publish([self._writer.state("running")])
        table = await self._read(lambda reader: reader.alarm_table())
        messages = self._event_messages.table(table)
        await link.publish(messages)
        alarms = {message.topic for message in messages}
        complaint = await clear_orphans(link, alarms=alarms, is_known=self._latest.knows)
        if complaint is not None:
            self._failures.report(complaint)
        if self._plan.commands != "off":
            await link.subscribe(1, self._writer.topics.command)
        self._failures.note(f"connected to {self._plan.host}:{self._plan.port}")

    async def _serve_commands(self, link: BrokerLink) -> None:
        while True:
            message = await self._handler.answer(await link.commands.get())
            if message is not None:
                await link.publish([self._writer.result(message)])

    def _count(self, acknowledged: Sequence[OutMessage]) -> None:
        self._published += len(acknowledged)
        delivered = max((message.seq or 0 for message in acknowledged), default=0)
        if delivered:
            self._progress.delivered(delivered)
            self._advance(delivered)

    async def _read(self, ask: Callable[[Reader], T]) -> T:
        return await ask_journal(self._clock, self._open_reader, ask)
