"""Checks on every Modbus reply, and the exchange that TCP and RTU share.

pymodbus carries the bytes, but accepts a reply of the wrong function, with too few registers or
with transaction 0, and fails on functions it does not know. So a ``ReplyFilter`` before it
passes only one thing: the complete answer of the asked unit, with the asked function and length.

Source of the frames: MODBUS Application Protocol V1.1b3 (6.1-6.4, 7), Messaging on
TCP/IP Implementation Guide V1.0b (MBAP header), Serial Line V1.02 (CRC).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple, TypeVar

from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU

from dewline.bus.plan import Block
from dewline.bus.session import CallerLock, Session, ShieldedLock
from dewline.config.plan import InstrumentPlan
from dewline.errors import BadFrame, BusError, LinkDown, NoReply, Refused

Client = TypeVar("Client", bound=ModbusBaseClient)

READ_FUNCTIONS: Final[Mapping[str, int]] = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
_READERS: Final = {
    "coil": ModbusBaseClient.read_coils,
    "discrete": ModbusBaseClient.read_discrete_inputs,
    "holding": ModbusBaseClient.read_holding_registers,
    "input": ModbusBaseClient.read_input_registers,
}
_MBAP_BYTES = 7
_LONGEST_PDU_BYTES = 253


class Question(NamedTuple):
    """What the answer to a request must match; ``payload_bytes`` are those of the values."""

    unit: int
    function: int
    payload_bytes: int


def question(instrument: InstrumentPlan, block: Block) -> Question:
    """What the answer to a read of ``block`` must match."""
    bits = block.table in ("coil", "discrete")
    size = (block.count + 7) // 8 if bits else 2 * block.count
    return Question(instrument.unit, READ_FUNCTIONS[block.table], size)


def payload_untrusted(pdu: bytes, asked: Question) -> bytes:
    """The data bytes of a reply PDU; Refused for an exception, BadFrame for anything else."""
    if len(pdu) == 2 and pdu[0] == asked.function | 0x80:
        raise Refused(pdu[1])
    if pdu[:1] != bytes([asked.function]):
        raise BadFrame(f"asked function {asked.function}, got {pdu[:1].hex() or 'nothing'}")
    if len(pdu) != 2 + asked.payload_bytes or pdu[1] != asked.payload_bytes:
        raise BadFrame(f"asked {asked.payload_bytes} bytes, got {len(pdu) - 2}")
    return pdu[2:]


def rtu_reply_untrusted(buffer: bytes, asked: Question, sent: bytes) -> bytes | None:
    """The first RTU frame in ``buffer`` that answers the question; None while there is none.

    A frame counts with its CRC; noise and other frames before it are passed over. ``sent`` is
    not needed: a frame bears no transaction id.
    """
    heads = (
        (bytes([asked.unit, asked.function, asked.payload_bytes]), 5 + asked.payload_bytes),
        (bytes([asked.unit, asked.function | 0x80]), 5),
    )
    for head, size in heads:
        at = buffer.find(head)
        while 0 <= at <= len(buffer) - size:
            frame = buffer[at : at + size]
            if FramerRTU.compute_CRC(frame[:-2]).to_bytes(2, "big") == frame[-2:]:
                return frame
            at = buffer.find(head, at + 1)
    return None


def tcp_reply_untrusted(buffer: bytes, asked: Question, sent: bytes) -> bytes | None:
    """The frame in ``buffer`` that answers the request ``sent``, None while it is not all there.

    Answers to other transactions are passed over. BadFrame for what is no frame or
    comes from another unit.
    """
    while len(buffer) >= _MBAP_BYTES:
        size = 6 + int.from_bytes(buffer[4:6], "big")
        if buffer[2:4] != b"\0\0" or not _MBAP_BYTES < size <= _MBAP_BYTES + _LONGEST_PDU_BYTES:
            raise BadFrame("no Modbus TCP frame")
        if len(buffer) < size:
            return None
        if buffer[:2] == sent[:2]:
            if buffer[6] != asked.unit:
                raise BadFrame(f"asked unit {asked.unit}, unit {buffer[6]} answered")
            return buffer[:size]
        buffer = buffer[size:]
    return None


class ReplyFilter:
    """Passes a client only the bytes of the answer it waits for, and keeps the payload.

    Hooked into the client as ``trace_packet`` and ``trace_connect``. ``find`` gives the frame
    that answers, ``pdu`` where its PDU stands in it. ``rejected`` counts what came when nothing
    was asked; ``heard`` is what was received since the request, ``heard_at`` the loop time of
    the last byte.
    """

    def __init__(self, find: Callable[[bytes, Question, bytes], bytes | None], pdu: slice) -> None:
        self._find = find
        self._pdu = pdu
        self._asked: Question | None = None
        self._deadline: asyncio.Timeout | None = None
        self._sent = b""
        self._outcome: bytes | BusError | None = None
        self._stray = False
        self.rejected = 0
        self.heard = b""
        self.heard_at = 0.0

    def begin(self, asked: Question, deadline: asyncio.Timeout) -> None:
        """A request is about to be sent: pass its answer, or end the wait at ``deadline``."""
        self._asked, self._deadline = asked, deadline
        self._outcome, self._stray, self.heard = None, False, b""

    def end(self) -> None:
        """The exchange is over: whatever comes from now on is late and counted as rejected."""
        self._asked = self._deadline = None

    def trace_packet(self, sending: bool, data: bytes) -> bytes:
        """Called by the client with what it sends, and with all it has received so far.

        Returns what the client may see: its own request, the frame that answers, or nothing.
        """
        if sending:
            self._sent = data
            return data
        self.heard, self.heard_at = data, asyncio.get_running_loop().time()
        if self._asked is None:
            self.rejected += not self._stray
            self._stray = True
            return b""
        try:
            frame = self._find(data, self._asked, self._sent) or b""
            if frame:
                self._outcome = payload_untrusted(frame[self._pdu], self._asked)
        except Refused as refusal:
            self._outcome = refusal
        except BadFrame as error:
            self._give_up(error)
            return b""
        return frame

    def trace_connect(self, connected: bool) -> None:
        """Called by the client; a lost connection ends the exchange under way at once."""
        if not connected:
            self._give_up(LinkDown("the connection was lost"))

    def _give_up(self, error: BusError) -> None:
        self._outcome = error
        if self._deadline is not None and not self._deadline.expired():
            self._deadline.reschedule(asyncio.get_running_loop().time())

    def answer(self, timeout_ms: int) -> bytes:
        """The payload of the exchange that has ended.

        Refused, BadFrame or LinkDown as it was found; BadFrame too for the bare echo of the
        request and for bytes that are no answer; NoReply where nothing came.
        """
        if isinstance(self._outcome, bytes):
            return self._outcome
        if self._outcome is not None:
            raise self._outcome
        if self.heard and self.heard == self._sent:
            raise BadFrame("only the echo of the request came back")
        if self.heard:
            raise BadFrame(f"{len(self.heard)} bytes that are no answer")
        raise NoReply(f"no reply within {timeout_ms} ms")


async def ask(
    client: ModbusBaseClient, reply_filter: ReplyFilter, instrument: InstrumentPlan, block: Block
) -> bytes:
    """Send one read request and return the checked payload of its answer.

    NoReply, BadFrame, Refused or LinkDown. The whole exchange takes at most the instrument's
    timeout.
    """
    read = _READERS[block.table]
    try:
        async with asyncio.timeout(instrument.timeout_ms / 1000) as deadline:
            reply_filter.begin(question(instrument, block), deadline)
            await read(client, block.address, count=block.count, device_id=instrument.unit)
    except TimeoutError:
        pass  # the filter has what was heard until then
    except ModbusException as error:
        raise LinkDown(str(error)) from None
    finally:
        reply_filter.end()
    return reply_filter.answer(instrument.timeout_ms)


class ModbusSession(Session[Client]):
    """A link that pymodbus carries; ``reply_filter`` stands before its client."""

    def __init__(self, lock: ShieldedLock | CallerLock, reply_filter: ReplyFilter) -> None:
        super().__init__(lock)
        self._reply_filter = reply_filter

    @property
    def rejected(self) -> int:
        """Answers dropped; see ``Session``."""
        return self._reply_filter.rejected
