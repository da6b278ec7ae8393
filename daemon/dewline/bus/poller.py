"""One task a bus: whose turn it is, ask, qualify, hand the scan on. It never gives up.

What is asked for and not got is in the scan with a bad quality. Of states only
changes are logged and reported: the link of the bus, and whether each
instrument answers.
"""

from __future__ import annotations

import logging
import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from dewline.bus.schedule import SILENT_AFTER, PollSlot, Schedule
from dewline.bus.sessions import new_session
from dewline.bus.unit import BlockReader, Unit
from dewline.clock import Backoff, Clock
from dewline.config.plan import BusPlan, InstrumentPlan, ModbusTcpPlan
from dewline.errors import BadFrame, LinkDown, NoReply, Refused
from dewline.readings import Quality, Reading, Scan

_log = logging.getLogger("dewline.bus")

Stamp = Callable[[], tuple[int, int]]
"""Gives (time_ms, at_ms) of this moment."""

_ILLEGAL_ADDRESS: Final = 2
_GATEWAY_SILENCE: Final = (10, 11)  # path unavailable; target did not respond: V1.1b3, 7
_SERIAL_RETRY_S: Final = (1.0, 1.0)  # opening a port costs nobody anything
_TCP_RETRY_S: Final = (0.5, 60.0)
_REPEAT_LOST_S: Final = 30.0
_EXCEPTION: Final = Reading(None, Quality.EXCEPTION)


@dataclass(frozen=True, slots=True)
class BusStatistics:
    """Counts since the start. ``last_good_ms`` is the watch time of the last good answer."""

    polls: int = 0
    timeouts: int = 0
    bad_frames: int = 0
    exceptions: int = 0
    reconnects: int = 0
    missed_slots: int = 0
    rejected: int = 0
    last_good_ms: int | None = None


class Poller:
    """Reads the instruments of one bus for ever; see ``run``."""

    def __init__(
        self,
        bus: BusPlan,
        instruments: Sequence[InstrumentPlan],
        *,
        clock: Clock,
        stamp: Stamp,
        emit: Callable[[Scan], None],
        on_state: Callable[[str, bool], None] = lambda _name, _up: None,
    ) -> None:
        """``on_state`` is told ``BUS-link`` and ``INSTRUMENT-answer`` when they change."""
        self._bus = bus
        self._clock = clock
        self._stamp = stamp
        self._emit = emit
        self._on_state = on_state
        self._units = [u for u in map(Unit, instruments) if u.block_reader]
        self._session = new_session(bus, clock)
        self._schedule = Schedule([_slot(u.plan, clock.monotonic()) for u in self._units])
        self._link: bool | None = None
        self._lost_told_s = float("-inf")
        self._is_tcp = isinstance(bus, ModbusTcpPlan)
        self._backoff = Backoff(*(_TCP_RETRY_S if self._is_tcp else _SERIAL_RETRY_S))
        self._random = random.Random(bus.name)  # jitter that a second run repeats
        self._opened = self._polls = self._timeouts = self._bad_frames = self._exceptions = 0
        self._last_good_ms: int | None = None

    def statistics(self) -> BusStatistics:
        """What happened so far."""
        return BusStatistics(
            polls=self._polls,
            timeouts=self._timeouts,
            bad_frames=self._bad_frames,
            exceptions=self._exceptions,
            reconnects=max(0, self._opened - 1),
            missed_slots=self._schedule.missed,
            rejected=self._session.rejected,
            last_good_ms=self._last_good_ms,
        )

    async def run(self) -> None:
        """Poll until cancelled."""
        while not self._units:
            await self._clock.sleep(_REPEAT_LOST_S)
        try:
            while True:
                try:
                    await self._session.open()
                    self._begin()
                    await self._poll()
                except LinkDown as error:
                    self._lose(error)
                await self._clock.sleep(self._next_retry_s())
        finally:
            await self._session.close()

    def _begin(self) -> None:
        self._opened += 1
        self._schedule.forgive(self._clock.monotonic())
        for unit in self._units:
            unit.forget()

    async def _poll(self) -> None:
        while True:
            now_s = self._clock.monotonic()
            index, due_s = self._schedule.next(now_s)
            if due_s > now_s:
                await self._clock.sleep_until(due_s)
                continue
            answered = await self._turn(self._units[index], self._schedule.slots[index].failures)
            self._schedule.over(index, now_s, self._clock.monotonic(), answered)

    async def _turn(self, unit: Unit, failures: int) -> bool:
        """Ask all blocks of a unit and emit one scan; whether it answered at all.

        The scan bears the time of the first answer in it, the oldest of its values.
        """
        readings = unit.silence()
        stamped: tuple[int, int] | None = None
        queue = deque(unit.block_reader)
        while queue:
            block_reader = queue.popleft()
            try:
                got = await self._ask(unit, block_reader)
            except Refused as refusal:
                pieces = self._cut(unit, block_reader, refusal.code)
                queue.extendleft(reversed(pieces))
                got = {} if pieces else block_reader.failed(_EXCEPTION)
            except NoReply:
                unit.ask_last(block_reader)
                if stamped is None:  # dead, most likely: its other blocks would cost as much
                    break
                continue
            except BadFrame:
                if stamped is None and failures:
                    break
                continue
            stamped = stamped or self._stamp()
            readings.update(got)
        self._tell(unit, stamped is not None, failures)
        time_ms, at_ms = stamped or self._stamp()
        self._emit(Scan(time_ms, at_ms, unit.plan.name, readings))
        return stamped is not None

    async def _ask(self, unit: Unit, block_reader: BlockReader) -> dict[str, Reading]:
        """One exchange, counted."""
        self._polls += 1
        try:
            payload = await self._session.exchange(unit.plan, block_reader.block)
            self._stands()
            readings = block_reader.readings_untrusted(payload)
        except NoReply:
            self._stands()
            self._timeouts += 1
            raise
        except BadFrame:
            self._stands()
            self._bad_frames += 1
            raise
        except Refused as refusal:
            self._stands()
            self._exceptions += 1
            self._backoff.reset()
            if refusal.code in _GATEWAY_SILENCE:
                raise NoReply("the gateway got no answer") from None
            raise
        self._backoff.reset()
        self._last_good_ms = self._stamp()[1]
        return readings

    def _cut(self, unit: Unit, block_reader: BlockReader, code: int) -> list[BlockReader]:
        """The pieces of a block refused for an address it should not hold; said once a link."""
        pieces = unit.cut(block_reader) if code == _ILLEGAL_ADDRESS else []
        if unit.news(block_reader, code):
            then = "; it is read in pieces" if pieces else ""
            _log.warning("%s: %s: exception %d%s", unit.plan.name, block_reader.block, code, then)
        return pieces

    def _tell(self, unit: Unit, answered: bool, failures: int) -> None:
        """Report a change of whether a unit answers. One lost answer is no silence."""
        silent = not answered and failures + 1 >= SILENT_AFTER
        if answered and unit.answers is not True:
            _log.info("%s: answers", unit.plan.name)
        elif silent and unit.answers is not False:
            _log.warning("%s: silent", unit.plan.name)
        else:
            return
        unit.answers = answered
        self._on_state(f"{unit.plan.name}-answer", answered)

    def _stands(self) -> None:
        if self._link is not True:
            self._link = True
            _log.info("%s: link up", self._bus.name)
            self._on_state(f"{self._bus.name}-link", True)

    def _lose(self, error: LinkDown) -> None:
        """The link is gone: parents are told first, then every signal is without an answer."""
        now_s = self._clock.monotonic()
        if self._link is not False:
            self._link = False
            _log.warning("%s: link down: %s", self._bus.name, error)
            self._on_state(f"{self._bus.name}-link", False)
        elif now_s - self._lost_told_s < _REPEAT_LOST_S:
            return
        self._lost_told_s = now_s
        for unit in self._units:
            self._silence(unit)

    def _silence(self, unit: Unit) -> None:
        if unit.answers is not False:
            unit.answers = False
            self._on_state(f"{unit.plan.name}-answer", False)
        self._emit(Scan(*self._stamp(), unit.plan.name, unit.silence()))

    def _next_retry_s(self) -> float:
        """The pause before the link is tried again; those of TCP servers grow and are spread."""
        spread = self._random.uniform(0.8, 1.2) if self._is_tcp else 1.0
        return self._backoff.next_s() * spread


def _slot(plan: InstrumentPlan, start_s: float) -> PollSlot:
    streamed = plan.ascii is not None and plan.ascii.ask is None
    return PollSlot(plan.every_ms / 1000, start_s, streamed)
