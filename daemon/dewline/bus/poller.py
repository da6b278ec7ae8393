"""Polls the instruments of one bus for ever: one task a bus.

Each turn asks one instrument for its blocks and emits one scan. A value that was asked for and
did not come is in the scan with a bad quality. The link of the bus, and whether each instrument
answers, are logged and reported only when they change.
"""

from __future__ import annotations

import logging
import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from dewline.bus.plan import Block
from dewline.bus.polled_instrument import BlockReader, PolledInstrument
from dewline.bus.schedule import SILENT_AFTER, PollSlot, Schedule
from dewline.bus.sessions import new_session
from dewline.bus.word_orders import WordOrderCheck
from dewline.clock import Backoff, Clock
from dewline.config.plan import BusPlan, InstrumentPlan, ModbusTcpPlan
from dewline.errors import BadFrame, LinkDown, NoReply, Refused
from dewline.readings import Quality, Reading, Scan

_log = logging.getLogger("dewline.bus")

Stamp = Callable[[], tuple[int, int]]
"""Gives (time_ms, at_ms) of this moment."""

_ILLEGAL_ADDRESS: Final = 2
_GATEWAY_SILENCE: Final = (10, 11)  # path unavailable; target did not respond: V1.1b3, 7
_SERIAL_RETRY_S: Final = (1.0, 1.0)  # opening a port is cheap and disturbs nothing
_TCP_RETRY_S: Final = (0.5, 60.0)
_REPEAT_DOWN_S: Final = 30.0
_EXCEPTION: Final = Reading(None, Quality.EXCEPTION)


@dataclass(slots=True)
class BusStatistics:
    """Counts since the start of the daemon.

    ``polls``: requests sent; ``rejected``: answers dropped (see ``Session``); ``missed_slots``:
    turns skipped because the bus was busy; ``last_good_ms``: watch time of the last good answer.
    """

    polls: int = 0
    timeouts: int = 0
    bad_frames: int = 0
    exceptions: int = 0
    reconnects: int = 0
    missed_slots: int = 0
    rejected: int = 0
    last_good_ms: int | None = None


class Poller:
    """Reads the instruments of one bus. ``emit`` gets every scan; run ``run`` as a task."""

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
        """``stamp`` gives wall and watch time of now in ms.

        ``on_state`` is called with ``BUS-link`` or ``INSTRUMENT-answer`` and whether it is up, at
        first and at each change, and once with ``INSTRUMENT-misread`` and whether its floats make
        sense only in another word order.
        """
        self._bus = bus
        self._clock = clock
        self._stamp = stamp
        self._emit = emit
        self._on_state = on_state
        self._units = [u for u in map(PolledInstrument, instruments) if u.block_readers]
        self._session = new_session(bus, clock)
        self._schedule = Schedule([_slot(u.plan, clock.monotonic()) for u in self._units])
        self._link: bool | None = None
        self._down_reported_s = float("-inf")
        self._is_tcp = isinstance(bus, ModbusTcpPlan)
        self._backoff = Backoff(*(_TCP_RETRY_S if self._is_tcp else _SERIAL_RETRY_S))
        self._random = random.Random(bus.name)  # jitter that a second run repeats
        self._opened = 0
        self._counts = BusStatistics()

    def statistics(self) -> BusStatistics:
        """The counts so far; cheap, and safe to call at any time within the loop."""
        return replace(
            self._counts,
            reconnects=max(0, self._opened - 1),
            missed_slots=self._schedule.missed,
            rejected=self._session.rejected,
        )

    async def run(self) -> None:
        """Poll until cancelled, then close the link.

        A link that is lost is opened again after a pause: 1 s on serial lines; on TCP 0.5 s,
        doubled at each failure up to 60 s, spread by 20 %.
        """
        while not self._units:
            await self._clock.sleep(_REPEAT_DOWN_S)
        try:
            while True:
                try:
                    await self._session.open()
                    self._link_opened()
                    await self._poll()
                except LinkDown as error:
                    self._report_link_down(error)
                await self._clock.sleep(self._next_retry_s())
        finally:
            await self._session.close()

    def _link_opened(self) -> None:
        self._opened += 1
        self._schedule.restart(self._clock.monotonic())
        for unit in self._units:
            unit.reset()

    async def _poll(self) -> None:
        while True:
            now_s = self._clock.monotonic()
            index, due_s = self._schedule.next(now_s)
            if due_s > now_s:
                await self._clock.sleep_until(due_s)
                continue
            answered = await self._turn(self._units[index], self._schedule.slots[index].failures)
            self._schedule.finish_turn(index, now_s, self._clock.monotonic(), answered)

    async def _turn(self, unit: PolledInstrument, failures: int) -> bool:
        """Ask one instrument for all its blocks and emit one scan; whether it answered at all.

        The scan bears the time of the first answer in it, that of its oldest value. An
        instrument that leaves its first block unanswered is not asked for the others: each
        would cost another timeout.
        """
        readings = unit.no_answers()
        stamped: tuple[int, int] | None = None
        queue = deque(unit.block_readers)
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
                if stamped is None:
                    break
                continue
            except BadFrame:
                if stamped is None and failures:
                    break
                continue
            stamped = stamped or self._stamp()
            readings.update(got)
        self._report_answering(unit, stamped is not None, failures)
        time_ms, at_ms = stamped or self._stamp()
        self._emit(Scan(time_ms, at_ms, unit.plan.name, readings))
        return stamped is not None

    async def _ask(self, unit: PolledInstrument, block_reader: BlockReader) -> dict[str, Reading]:
        """One exchange, counted as a poll or as a failure; raises what the session raises.

        A gateway that got no answer from the instrument counts as silence of the instrument.
        """
        self._counts.polls += 1
        try:
            payload = await self._session.exchange(unit.plan, block_reader.block)
            self._report_link_up()
            readings = block_reader.readings_untrusted(payload)
            if unit.orders is not None:
                self._check_orders(unit, unit.orders, block_reader.block, payload)
        except (NoReply, BadFrame, Refused) as error:
            self._report_link_up()
            self._counts.timeouts += isinstance(error, NoReply)
            self._counts.bad_frames += isinstance(error, BadFrame)
            if not isinstance(error, Refused):
                raise
            self._counts.exceptions += 1
            self._backoff.reset()
            if error.code in _GATEWAY_SILENCE:
                raise NoReply("the gateway got no answer") from None
            raise
        self._backoff.reset()
        self._counts.last_good_ms = self._stamp()[1]
        return readings

    def _check_orders(
        self, unit: PolledInstrument, check: WordOrderCheck, block: Block, payload: bytes
    ) -> None:
        """Compare the first answers with what other word orders make of them."""
        check.observe(block, payload)
        if check.done:
            unit.orders = None
            for text in check.misread():
                _log.error("%s: %s: look at `word_order` in its profile", unit.plan.name, text)
            self._on_state(f"{unit.plan.name}-misread", bool(check.misread()))

    def _cut(
        self, unit: PolledInstrument, block_reader: BlockReader, code: int
    ) -> list[BlockReader]:
        """The pieces of a refused block, to be asked in its place; logged once a link.

        Empty where the refusal is not about an address, or the block cannot be cut.
        """
        pieces = unit.cut(block_reader) if code == _ILLEGAL_ADDRESS else []
        if unit.first_refusal(block_reader, code):
            then = "; it is read in pieces" if pieces else ""
            _log.warning("%s: %s: exception %d%s", unit.plan.name, block_reader.block, code, then)
        return pieces

    def _report_answering(self, unit: PolledInstrument, answered: bool, failures: int) -> None:
        """Report a change of whether an instrument answers; silent is one of three failed turns."""
        silent = not answered and failures + 1 >= SILENT_AFTER
        if answered and unit.answers is not True:
            _log.info("%s: answers", unit.plan.name)
        elif silent and unit.answers is not False:
            _log.warning("%s: silent", unit.plan.name)
        else:
            return
        unit.answers = answered
        self._on_state(f"{unit.plan.name}-answer", answered)

    def _report_link_up(self) -> None:
        if self._link is not True:
            self._link = True
            _log.info("%s: link up", self._bus.name)
            self._on_state(f"{self._bus.name}-link", True)

    def _report_link_down(self, error: LinkDown) -> None:
        """Report that the link is down, then emit every signal as without an answer.

        The link first: its alarm covers those of the instruments. The scans are repeated every
        30 s while the link stays down.
        """
        now_s = self._clock.monotonic()
        if self._link is not False:
            self._link = False
            _log.warning("%s: link down: %s", self._bus.name, error)
            self._on_state(f"{self._bus.name}-link", False)
        elif now_s - self._down_reported_s < _REPEAT_DOWN_S:
            return
        self._down_reported_s = now_s
        for unit in self._units:
            if unit.answers is not False:
                unit.answers = False
                self._on_state(f"{unit.plan.name}-answer", False)
            self._emit(Scan(*self._stamp(), unit.plan.name, unit.no_answers()))

    def _next_retry_s(self) -> float:
        """The pause before the link is tried again; those of TCP servers grow and are spread."""
        spread = self._random.uniform(0.8, 1.2) if self._is_tcp else 1.0
        return self._backoff.next_s() * spread


def _slot(plan: InstrumentPlan, start_s: float) -> PollSlot:
    streamed = plan.ascii is not None and plan.ascii.ask is None
    return PollSlot(plan.every_ms / 1000, start_s, streamed)
