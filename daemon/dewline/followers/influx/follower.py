"""The follower that writes readings, events and ledger rows to a time-series store.

Every line has the time of the journal, so that writing it again changes nothing. After every lost
connection the follower therefore writes the last minute again.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from typing import NamedTuple, TypeVar
from urllib.parse import urlsplit

from dewline.clock import Backoff, Clock
from dewline.config.plan import InfluxPlan
from dewline.errors import DewlineError
from dewline.events import Entry
from dewline.followers.failures import Failures
from dewline.followers.follower import FollowerStatistics
from dewline.followers.influx.client import InfluxClient, StoreError, open_client
from dewline.followers.influx.rewind import Canary, Mark, Rewind
from dewline.followers.tasks import ask_journal, wait_until
from dewline.journal import Journal, Reader
from dewline.journal.line_protocol import line
from dewline.journal.lines import event_line, ledger_line, reading_line, verdict_lines
from dewline.readings import parse_iso_utc
from dewline.watch_plan import Above, Below, ConditionPlan, Outside, RulePlan

T = TypeVar("T")
log = logging.getLogger(__name__)

FIRST_RETRY_S = 0.5
LAST_RETRY_S = 60.0
SEND_EVERY_S = 5.0
ITEMS_AT_ONCE = 1000
EVENTS_AT_ONCE = 500
LEDGER_ROWS_AT_ONCE = 500
LINES_AT_ONCE = 5000
LIMITS_EVERY_MS = 600_000
LEAVE_S = 10.0


class _Batch(NamedTuple):
    """What is written next: its lines, the mark after it, and its latest time (UTC epoch)."""

    lines: list[str]
    mark: Mark
    time_ms: int | None


class InfluxFollower:
    """Follows the journal to a store until it is stopped; never ends by itself.

    ``journal`` keeps up to where the store has everything for certain, and the lines that the
    store refuses for good. The limits of ``rules`` are written too. While ``clock_is_right`` says
    no, nothing is sent: a reading at a wrong time would stay in the store.
    """

    name = "influx"
    of_ledger = "influx-ledger"  # the cursor that counts rows of the ledger, as an event_seq

    def __init__(
        self,
        plan: InfluxPlan,
        site: str,
        clock: Clock,
        journal: Journal,
        *,
        rules: Collection[RulePlan] = (),
        clock_is_right: Callable[[], bool] = lambda: True,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._plan = plan
        self._site = site
        self._rules = rules
        self._limits_ms: int | None = None
        self._where = urlsplit(plan.url).netloc.rpartition("@")[2]
        self._clock = clock
        self._journal = journal
        self._clock_is_right = clock_is_right
        # Real time also where ``clock`` jumps: the store needs it to write.
        self._monotonic = monotonic
        self._canary = Canary(site)
        self._rewind: Rewind | None = None
        self._failures = Failures(log)
        self._stop = asyncio.Event()
        self._connected = False
        self._published = 0
        self._last_event_seq = 0
        self._sent_until_ms: int | None = None
        self._newest_ms: int | None = None
        self._at_once = LINES_AT_ONCE

    # What the service calls.

    def committed(self, entries: Sequence[Entry]) -> None:
        """Note how far the journal goes now; the follower reads it from there."""
        for entry in entries:
            if entry.item is not None:
                self._newest_ms = entry.item.time_ms
            for event in entry.outcome.events:
                self._last_event_seq = max(self._last_event_seq, event.seq)

    def held(self, entries: Sequence[Entry]) -> None:
        """Nothing: a store gets only what is in the journal."""

    def stop(self) -> None:
        """Send what is committed and let ``run`` return."""
        self._stop.set()

    def statistics(self) -> FollowerStatistics:
        """How far it has come; ``published`` counts lines.

        While the canary is missing, ``seconds_behind`` counts since it was sent.
        """
        sent = self._rewind.sent.event_seq if self._rewind else 0
        return FollowerStatistics(
            connected=self._connected,
            events_behind=max(0, self._last_event_seq - sent),
            seconds_behind=self._seconds_behind(),
            published=self._published,
            errors=self._failures.count,
        )

    def _seconds_behind(self) -> float:
        """From the latest reading in the store to the latest in the journal."""
        missing_s = self._canary.missing_since_s
        if missing_s is not None:
            return self._monotonic() - missing_s
        if self._newest_ms is None or self._sent_until_ms is None:
            return 0.0
        lag_s = (self._newest_ms - self._sent_until_ms) / 1000
        return lag_s if lag_s > 2 * SEND_EVERY_S else 0.0

    async def run(self) -> None:
        """Write what is new every 5 s; after a failure try again, 0.5 s to 60 s apart.

        Raises nothing: failures are counted and logged.
        """
        backoff = Backoff(FIRST_RETRY_S, LAST_RETRY_S)
        while not self._stop.is_set():
            pause_s = 0.0
            try:
                await self._session()
            # Whatever goes wrong, also what nobody foresaw: the journal keeps everything.
            except Exception as error:  # noqa: BLE001
                if self._connected:
                    backoff.reset()
                    self._failures.outage_over()
                pause_s = max(backoff.next_s(), _asked_wait_s(error)) * random.uniform(1.0, 1.2)
                self._lost(error)
            await wait_until(self._clock, self._clock.monotonic() + pause_s, self._stop)

    def _lost(self, error: Exception) -> None:
        self._failures.failed(self._where, error, (DewlineError,))
        self._connected = False
        if self._rewind is not None and _connection_lost(error):
            self._rewind.broken()

    # One session.

    async def _session(self) -> None:
        rewind = await self._load()
        async with open_client(self._plan, self._clock) as client:
            while not self._stop.is_set():
                await self._send_all(client, rewind)
                await self._check_canary(client, rewind)
                await wait_until(self._clock, self._clock.monotonic() + SEND_EVERY_S, self._stop)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LEAVE_S):
                    await self._send_all(client, rewind)

    async def _check_canary(self, client: InfluxClient, rewind: Rewind) -> None:
        """Check whether what was acknowledged is in the store; if it was missing, send it again."""
        if not self._clock_is_right():
            return
        was_missing = self._canary.missing_since_s is not None
        change = await self._canary.step(client, self._clock.wall_ms(), self._monotonic())
        if change is not None:
            self._failures.report(f"{self._where}: {change}")
        if was_missing and self._canary.missing_since_s is None:
            self._failures.outage_over()
            rewind.broken()

    async def _load(self) -> Rewind:
        if self._rewind is None:
            self._rewind = Rewind(await self._read(self._kept))
        tail = await self._read(lambda reader: reader.tail())
        self._last_event_seq = max(self._last_event_seq, tail.event_seq)
        self._newest_ms = tail.time_ms
        if self._sent_until_ms is None and self._rewind.sent.item_seq < tail.seq:
            self._sent_until_ms = await self._read(self._first_unsent_ms)
        return self._rewind

    def _kept(self, reader: Reader) -> Mark:
        return Mark(*reader.follower(self.name), reader.follower(self.of_ledger)[1])

    def _first_unsent_ms(self, reader: Reader) -> int | None:
        after = self._rewind.sent.item_seq if self._rewind else 0
        item = next(iter(reader.items(after, after + ITEMS_AT_ONCE)), None)
        return None if item is None else item[1].time_ms

    async def _send_all(self, client: InfluxClient, rewind: Rewind) -> None:
        """Send batch after batch until the end of the journal."""
        while self._clock_is_right():
            batch = await self._read(self._next_batch)
            if batch is None:
                return
            await self._write(client, batch.lines)
            rewind.confirmed(batch.mark, self._monotonic(), self._canary.proven_s)
            self._advance(rewind.kept)
            self._sent_until_ms = batch.time_ms or self._sent_until_ms
            if not self._connected:
                self._connected = True
                self._failures.note(f"connected to {self._where}")

    def _next_batch(self, reader: Reader) -> _Batch | None:
        """In a worker thread. None where the journal has nothing after what was sent."""
        assert self._rewind is not None
        item_seq, event_seq, ledger_row = self._rewind.sent
        tail = reader.tail()
        closed = reader.ledger_after(ledger_row, LEDGER_ROWS_AT_ONCE)
        if tail.seq <= item_seq and tail.event_seq <= event_seq and not closed:
            return None
        last_item = min(tail.seq, item_seq + ITEMS_AT_ONCE)
        # The last item once more: a tick may have added derived readings to it since.
        rows = list(reader.rows(item_seq - 1, last_item))
        events = reader.events(event_seq, EVENTS_AT_ONCE)
        lines = [reading_line(row, self._site) for row in rows]
        lines += [event_line(event) for event in events]
        lines += [ledger_line(row, self._site) or "" for _, row in closed]
        for verdict in reader.verdicts_after(item_seq - 1, last_item):
            lines += verdict_lines(verdict, self._site)
        times = [row.time_ms for row in rows] + [parse_iso_utc(event["time"]) for event in events]
        if times:
            lines += self._limit_lines(max(times))
        last_event = events[-1]["seq"] if events else event_seq
        last_row = closed[-1][0] if closed else ledger_row
        mark = Mark(last_item, last_event, last_row)
        return _Batch([text for text in lines if text], mark, max(times, default=None))

    def _limit_lines(self, time_ms: int) -> list[str]:
        """The limits of the rules, once per ten minutes of the journal."""
        if self._limits_ms is not None and abs(time_ms - self._limits_ms) < LIMITS_EVERY_MS:
            return []
        self._limits_ms = time_ms
        return limit_lines(self._rules, self._site, time_ms)

    async def _write(self, client: InfluxClient, lines: list[str]) -> None:
        """Write all lines; where the store refuses some, find them by halving."""
        for start in range(0, len(lines), self._at_once):
            await self._write_some(client, lines[start : start + self._at_once])

    async def _write_some(self, client: InfluxClient, lines: list[str]) -> None:
        try:
            await client.write(lines)
            self._published += len(lines)
        except StoreError as error:
            if error.fate not in ("refused", "too-big"):
                raise
            if len(lines) == 1:
                self._give_up(lines[0], str(error))
                return
            half = len(lines) // 2
            if error.fate == "too-big":
                self._at_once = max(1, half)
            await self._write_some(client, lines[:half])
            await self._write_some(client, lines[half:])

    def _give_up(self, refused: str, reason: str) -> None:
        self._failures.report(f"{self._where} refuses a line for good: {reason}")
        self._journal.put_dead_letter(self.name, self._clock.wall_ms(), reason, refused)

    def _advance(self, mark: Mark) -> None:
        item_seq, event_seq, ledger_row = mark
        self._journal.advance(self.name, item_seq=item_seq, event_seq=event_seq)
        self._journal.advance(self.of_ledger, event_seq=ledger_row)

    async def _read(self, ask: Callable[[Reader], T]) -> T:
        return await ask_journal(self._clock, lambda: Reader(self._journal.path), ask)


def _asked_wait_s(error: Exception) -> float:
    """The pause that the store asked for, in s; a long one where a person must change something."""
    if not isinstance(error, StoreError):
        return 0.0
    return LAST_RETRY_S if error.fate == "barred" else error.wait_s or 0.0


def _connection_lost(error: Exception) -> bool:
    """Whether the store may have been killed; one that asks to wait was not."""
    return not isinstance(error, StoreError) or error.wait_s is None


def limit_lines(rules: Iterable[RulePlan], site: str, time_ms: int) -> list[str]:
    """``limit`` points at ``time_ms``, one a limit, so that a dashboard draws them with a reading.

    In the unit of the signal. Only levels written as numbers: a slope does not belong on the same
    axis, and a limit that names another signal is drawn as that signal.
    """
    return [
        line("limit", {"site": site, **_tags(rule), "side": side}, {"value": value}, time_ms)
        for rule in rules
        for side, value in _levels(rule.condition)
        if isinstance(value, float)
    ]


def _tags(rule: RulePlan) -> dict[str, str]:
    box, _, signal = rule.signal.partition(".")
    return {"box": box, "signal": signal, "alarm": rule.rule, "priority": rule.priority}


def _levels(condition: ConditionPlan) -> tuple[tuple[str, object], ...]:
    """Side and limit, a number or the name of a signal."""
    match condition:
        case Above(limit=limit):
            return (("high", limit),)
        case Below(limit=limit):
            return (("low", limit),)
        case Outside(low, high):
            return ("low", low), ("high", high)
        case _:
            return ()
