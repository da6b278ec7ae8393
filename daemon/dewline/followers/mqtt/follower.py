"""The MQTT follower: state, alarms, events and readings out; commands in.

Events go at least once and in order; the cursor moves only when the broker has
acknowledged. Everything retained is said again on every connection, because a
broker may have forgotten it.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import logging
import random
import secrets
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import Any, TypeVar

import aiomqtt

from dewline.clock import Clock
from dewline.config.plan import MqttPlan
from dewline.errors import DewlineError
from dewline.events import Entry, EventDocument, LedgerRow
from dewline.followers.failures import Failures
from dewline.followers.follower import FollowerStatistics, JournalReader
from dewline.followers.mqtt.commands import CommandDesk, Submit, token_of
from dewline.followers.mqtt.connection import LEAVE_TIMEOUT_S, connection
from dewline.followers.mqtt.latest import LatestReadings
from dewline.followers.mqtt.messages import (
    RUNNING_BEGINS,
    DaemonState,
    EventLetters,
    Letter,
    Letters,
)
from dewline.followers.mqtt.progress import Progress
from dewline.followers.mqtt.topics import Topics
from dewline.followers.tasks import alone, ask_record, drop, first_to_end, until
from dewline.readings import Scan, parse_iso_utc

T = TypeVar("T")
log = logging.getLogger(__name__)

HEARTBEAT_EVERY_S = 30.0
FIRST_RETRY_S = 0.5
LAST_RETRY_S = 30.0
SETTLED_S = 30.0  # a connection that held that long ends an outage
BATCH = 50
READ_BACK_S = 5.0
READ_BACK_QUIET_S = 0.1
LEAVE_DRAIN_S = 10.0
MAX_HELD_EVENTS = 10_000
MAX_COMMANDS = 32
UNHEARD = "look at the access list of the broker: it does not give back"
EXPECTED = (aiomqtt.MqttError, OSError, DewlineError)


class MqttFollower:
    """Follows the journal to a broker until it is stopped; never ends by itself.

    ``reader`` opens a read-only journal reader (used in worker threads),
    ``advance`` stores the seq of the last delivered event, ``advance_ledger`` the
    number of the last delivered row of the ledger, ``submit`` puts a
    command {command, alarm, by, for_s, why} to the watch, ``facts`` gives the
    heartbeat {seq, worst, followers}, or None while there is no progress to
    tell of: then no heartbeat goes out. ``units`` is keyed by full signal name.
    ``started`` is ISO 8601 UTC.
    """

    name = "mqtt"
    of_ledger = "mqtt-ledger"  # the cursor that counts rows of the ledger, as an event_seq

    def __init__(
        self,
        plan: MqttPlan,
        site: str,
        clock: Clock,
        *,
        reader: Callable[[], JournalReader],
        advance: Callable[[int], None],
        advance_ledger: Callable[[int], None],
        submit: Submit,
        facts: Callable[[], Mapping[str, Any] | None],
        units: Mapping[str, str],
        started: str,
        version: str,
    ) -> None:
        self._plan = plan
        self._clock = clock
        self._topics = Topics(plan.prefix, site)
        self._letters = Letters(self._topics, started, version)
        self._open_reader = reader
        self._advance = advance
        self._advance_ledger = advance_ledger
        self._facts = facts
        # 23 letters and digits: what every server must take (MQTT-3.1.3-5). The same one
        # for the whole run, so that a new connection takes over from a half-dead one.
        self._identifier = "dewline" + secrets.token_hex(8)
        self._latest = LatestReadings(units, plan.readings_every_ms / 1000)
        self._ledger_row = 0
        self._ledger_grew = True
        self._held: deque[EventDocument] = deque(maxlen=MAX_HELD_EVENTS)
        self._desk = CommandDesk(submit, token_of(plan), clock.monotonic)
        self._wake = asyncio.Event()
        self._stop = asyncio.Event()
        self._connected = False
        self._published = 0
        self._failures = Failures(log)
        self._progress = Progress()
        self._reset()

    def _reset(self) -> None:
        """Forget what belongs to one connection."""
        self._events = EventLetters(self._letters, [])
        self._connected_at_s = inf
        self._retained: set[str] = set()
        self._echoed = asyncio.Event()
        self._miscalled = False
        self._commands: asyncio.Queue[bytes] = asyncio.Queue(MAX_COMMANDS)
        self._beat_at_s = self._clock.monotonic()

    # What the service calls.

    def committed(self, entries: Sequence[Entry]) -> None:
        """Take note of what is now in the record."""
        for entry in entries:
            self._note(entry)
        self._wake.set()

    def held(self, entries: Sequence[Entry]) -> None:
        """Take note of events that the disk refuses for now: they go out marked, all the same."""
        for entry in entries:
            self._held.extend(event.document() for event in entry.outcome.events)
        self._wake.set()

    def stop(self) -> None:
        """Deliver what is committed, say ``stopped`` and let ``run`` return."""
        self._stop.set()
        self._wake.set()

    def statistics(self) -> FollowerStatistics:
        return FollowerStatistics(
            connected=self._connected,
            events_behind=self._progress.behind,
            seconds_behind=self._progress.age_s(self._clock.wall_ms()),
            published=self._published,
            errors=self._failures.count,
        )

    async def run(self) -> None:
        """Connect, follow, and connect again, 0.5 s to 30 s apart, until ``stop``."""
        retry_s = FIRST_RETRY_S
        while not self._stop.is_set():
            failure = await self._try_session()
            if self._has_settled():
                retry_s = FIRST_RETRY_S
                self._failures.outage_over()
            if failure is not None:
                self._failures.failed(f"{self._plan.host}:{self._plan.port}", failure, EXPECTED)
            pause_s = retry_s * random.uniform(0.8, 1.2)
            await until(self._clock, self._clock.monotonic() + pause_s, self._stop)
            retry_s = min(2 * retry_s, LAST_RETRY_S)

    # One connection.

    async def _try_session(self) -> Exception | None:
        self._reset()
        try:
            await self._session()
        # The alarms' way out must not end for a reason nobody thought of: it is told,
        # counted and tried again, and the lag raises an alarm of its own.
        except Exception as error:  # noqa: BLE001
            return error
        return None

    def _has_settled(self) -> bool:
        return self._clock.monotonic() - self._connected_at_s > SETTLED_S

    async def _session(self) -> None:
        await self._load()
        lost = self._letters.state("lost")
        will = aiomqtt.Will(lost.topic, lost.payload, lost.qos, lost.retain)
        async with connection(self._plan, self._identifier, will, self._clock) as client:
            self._connected = True
            self._connected_at_s = self._clock.monotonic()
            try:
                await first_to_end(
                    self._work(client), self._listen(client), self._serve_commands(client)
                )
            except BaseException as error:
                # Leaving in order holds the last will back, so its word is said here.
                cancelled = isinstance(error, asyncio.CancelledError)
                await self._last_word(client, "stopped" if cancelled else "lost")
                raise
            finally:
                self._connected = False

    async def _load(self) -> None:
        def where(reader: JournalReader) -> tuple[int, int, int]:
            told, row = (reader.follower(name)[1] for name in (self.name, self.of_ledger))
            return told, reader.tail().event_seq, row

        told, last, row = await self._read(where)
        self._progress.load(told, last)
        self._ledger_row, self._ledger_grew = max(row, self._ledger_row), True

    async def _work(self, client: aiomqtt.Client) -> None:
        await self._greet(client)
        self._latest.restate()
        while not self._stop.is_set():
            self._wake.clear()
            await self._say_what_is_due(client)
            await until(self._clock, min(self._latest.next_due_s(), self._beat_at_s), self._wake)
        await self._send(client, [self._letters.state("stopping")])
        with contextlib.suppress(TimeoutError):  # what is left waits for the next start
            async with asyncio.timeout(LEAVE_DRAIN_S):
                await self._say_what_is_due(client)
        await self._send(client, [self._letters.state("stopped")])

    async def _say_what_is_due(self, client: aiomqtt.Client) -> None:
        if self._miscalled and not self._stop.is_set():
            self._miscalled = False
            await self._send(client, [self._letters.state("running")])
        await self._drain(client)
        while self._held:
            await self._send(client, self._letters.undurable(self._held[0]))
            self._held.popleft()
        await self._drain_ledger(client)
        readings = self._latest.due(self._clock.monotonic())
        await self._send(client, [self._letters.reading(*one) for one in readings])
        await self._send(client, self._heartbeat_letters())

    async def _drain(self, client: aiomqtt.Client) -> None:
        """Deliver every committed event after the cursor."""
        while self._progress.behind:
            documents = await self._read(lambda reader: reader.events(self._progress.cursor, BATCH))
            if not documents:
                return
            self._progress.next_is_of(parse_iso_utc(documents[0]["time"]))
            await self._send(client, [x for d in documents for x in self._events.of(d)])

    async def _drain_ledger(self, client: aiomqtt.Client) -> None:
        """Deliver every closed row of the ledger after its cursor."""
        while self._ledger_grew:
            self._ledger_grew = False
            rows = await self._read(lambda reader: reader.ledger_after(self._ledger_row, BATCH))
            await self._send(client, [x for _, row in rows for x in self._ledger_letters(row)])
            if rows:
                self._ledger_row, self._ledger_grew = rows[-1][0], True
                self._advance_ledger(self._ledger_row)

    def _ledger_letters(self, row: LedgerRow) -> list[Letter]:
        try:
            return [self._letters.ledger(row)]
        except (TypeError, ValueError):  # else this one row would hold up all that follows
            self._failures.tell(f"ledger row {row.id} of {row.box} cannot be written as JSON")
            return []

    def _heartbeat_letters(self) -> list[Letter]:
        now_s = self._clock.monotonic()
        if now_s < self._beat_at_s:
            return []
        self._beat_at_s = now_s + HEARTBEAT_EVERY_S
        facts = self._facts()
        return [] if facts is None else [self._letters.heartbeat(self._clock.wall_ms(), facts)]

    # The first words on a connection.

    async def _greet(self, client: aiomqtt.Client) -> None:
        await self._send(client, [self._letters.state("running")])
        table = await self._read(lambda reader: reader.alarm_table())
        self._events = EventLetters(self._letters, table)
        letters = [self._letters.alarm(row) for row in table]
        await self._send(client, letters)
        await self._clear_orphans(client, {letter.topic for letter in letters})
        if self._plan.commands != "off":
            await self._subscribe(client, 1, self._topics.command)
        self._failures.note(f"connected to {self._plan.host}:{self._plan.port}")

    async def _clear_orphans(self, client: aiomqtt.Client, kept: set[str]) -> None:
        """Empty what is retained of alarms and signals that are no more."""
        filters = (self._topics.any_alarm, self._topics.any_reading)
        # QoS 0: a broker keeps only so many unacknowledged, and what is beyond is lost (mosquitto).
        await self._subscribe(client, 0, *filters)
        await self._subscribe(client, 1, self._topics.state)
        # A broker answers in order, so the echo of this comes after what it had retained.
        await self._send(client, [self._letters.state("running")])
        await self._hear_out(kept)
        with self._clock.io():
            await alone(client.unsubscribe(list(filters)))
        orphans = sorted(t for t in self._retained - kept if not self._is_known_reading(t))
        await self._send(client, [self._letters.empty(topic) for topic in orphans])

    async def _hear_out(self, kept: set[str]) -> None:
        """Wait until the broker has handed over what it retains, and judge what came."""
        with self._clock.io():
            try:
                async with asyncio.timeout(READ_BACK_S):
                    await self._echoed.wait()
            except TimeoutError:
                self._failures.tell(f"{UNHEARD} its own {self._topics.state}")
                return
            heard = -1
            while heard < len(self._retained):
                heard = len(self._retained)
                await asyncio.sleep(READ_BACK_QUIET_S)
        missing = kept - self._retained
        if missing:
            self._failures.tell(f"{UNHEARD} {len(missing)} of its {len(kept)} alarm topics")

    def _is_known_reading(self, topic: str) -> bool:
        box, kind, name = topic.rsplit("/", 3)[1:]
        return kind == "reading" and self._latest.knows(f"{box}.{name}")

    # What comes in.

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            self._hear(str(message.topic), message.payload, message.retain)

    def _hear(self, topic: str, payload: bytes, retain: bool) -> None:
        if topic == self._topics.command:
            if not retain and not self._commands.full():
                self._commands.put_nowait(payload)
        elif topic == self._topics.state:
            self._hear_state(payload, retain)
        elif retain and payload:
            self._retained.add(topic)

    def _hear_state(self, payload: bytes, retain: bool) -> None:
        if not retain and payload == (self._letters.state("running").payload or "").encode():
            self._echoed.set()
        # The will of an earlier connection, which the broker gave up only now, or the
        # farewell of a follower that this one replaces.
        if not retain and not payload.startswith(RUNNING_BEGINS):
            self._miscalled = True
            self._wake.set()

    async def _serve_commands(self, client: aiomqtt.Client) -> None:
        while True:
            document = await self._desk.answer(await self._commands.get())
            if document is not None:
                await self._send(client, [self._letters.result(document)])

    # Ways out.

    async def _send(self, client: aiomqtt.Client, letters: Sequence[Letter]) -> None:
        """Publish in order, many in flight; the cursor moves behind the acknowledgements."""
        for start in range(0, len(letters), BATCH):
            await self._send_batch(client, letters[start : start + BATCH])

    async def _send_batch(self, client: aiomqtt.Client, letters: Sequence[Letter]) -> None:
        if not letters:
            return
        # A publish hands its packet over in its first step, so the order of tasks is kept.
        tasks = [
            asyncio.ensure_future(client.publish(x.topic, x.payload, x.qos, x.retain))
            for x in letters
        ]
        try:
            with self._clock.io():
                await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            acknowledged = list(itertools.takewhile(_went_well, tasks))
            self._count(letters[: len(acknowledged)])
            await drop(tasks)
        for task in tasks:
            task.result()

    def _count(self, acknowledged: Sequence[Letter]) -> None:
        self._published += len(acknowledged)
        delivered = max((letter.seq or 0 for letter in acknowledged), default=0)
        if delivered:
            self._progress.delivered(delivered)
            self._advance(delivered)

    async def _subscribe(self, client: aiomqtt.Client, qos: int, *filters: str) -> None:
        with self._clock.io():
            await alone(client.subscribe([(text, qos) for text in filters]))

    async def _last_word(self, client: aiomqtt.Client, state: DaemonState) -> None:
        word = self._letters.state(state)
        with self._clock.io(), contextlib.suppress(aiomqtt.MqttError):
            await alone(
                client.publish(
                    word.topic, word.payload, word.qos, word.retain, timeout=LEAVE_TIMEOUT_S
                )
            )

    async def _read(self, ask: Callable[[JournalReader], T]) -> T:
        return await ask_record(self._clock, self._open_reader, ask)

    def _note(self, entry: Entry) -> None:
        time_ms = self._clock.wall_ms() if entry.item is None else entry.item.time_ms
        if isinstance(entry.item, Scan):
            self._latest.take(entry.item.readings, time_ms)
        self._latest.take(entry.outcome.readings, time_ms)
        self._ledger_grew = self._ledger_grew or bool(entry.outcome.ledger)
        for event in entry.outcome.events:
            self._progress.committed(event)


def _went_well(task: asyncio.Future[None]) -> bool:
    return task.done() and not task.cancelled() and task.exception() is None
