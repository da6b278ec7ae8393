"""One suite that every kind of session passes, and what each does on its own."""

from __future__ import annotations

import asyncio
import itertools
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, NamedTuple

import crcmod.predefined
import pytest

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block, plan_reads
from dewline.bus.session import Link, Session
from dewline.config.plan import (
    AsciiPlan,
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    SerialPortPlan,
    Table,
)
from dewline.errors import BadFrame, BusError, LinkDown, NoReply, Refused
from tests.patience import least_s

PATIENCE_S = 30.0  # far more than any exchange here takes, far less than what it must not wait for
crc = crcmod.predefined.mkCrcFun("modbus")


class Rig(NamedTuple):
    """A session with its far side. ``mute`` and ``speak`` switch the far side's answers."""

    session: Session[Link]
    instrument: InstrumentPlan
    block: Block
    values: list[float]
    mute: Callable[[], None]
    speak: Callable[[], None]
    vanish: Callable[[], Any]
    come_back: Callable[[], Any]

    async def read(self) -> list[float | None]:
        payload = await self.session.exchange(self.instrument, self.block)
        readings = compile_block(self.instrument, self.block)(payload)
        return [reading.value for reading in readings]


def _modbus_rig(session: Any, bus: Any, far: Any, plan: Any, truth: Any, links: Any) -> Rig:
    right = far.respond
    return Rig(
        session(bus),
        plan,
        plan_reads(plan)[0],
        [truth(plan.unit, a) for a in range(4)],
        lambda: setattr(far, "respond", lambda *_: []),
        lambda: setattr(far, "respond", right),
        *links,
    )


@pytest.fixture(params=["tcp", "rtu", "ascii"])
def rig(request: pytest.FixtureRequest, session: Any, instrument: Any, words: Any) -> Rig:
    """The same questions to all three kinds."""
    get = request.getfixturevalue
    if request.param == "ascii":
        far, plan = get("far_lines"), get("line_instrument")()
        right = far.answer
        return Rig(
            session(get("ascii_bus")),
            plan,
            plan_reads(plan)[0],
            [21.5],
            lambda: setattr(far, "answer", list),
            lambda: setattr(far, "answer", right),
            far.unplug,
            far.plug,
        )
    far, bus = get(f"far_{request.param}"), get(f"{request.param}_bus")
    plan = instrument(bus.name, *words(4), unit=7)
    links = (far.stop, far.start) if request.param == "tcp" else (far.unplug, far.plug)
    return _modbus_rig(session, bus, far, plan, get("truth"), links)


async def _settle(result: Any) -> None:
    if asyncio.iscoroutine(result):
        await result
    await asyncio.sleep(0.05)


async def test_reads_what_is_there(rig: Rig) -> None:
    """An exchange gives the payload that decodes to what the far side holds."""
    await rig.session.open()
    assert await rig.read() == rig.values


async def test_opens_by_itself_and_twice_is_once(rig: Rig) -> None:
    """An exchange on a closed link opens it; opening an open one changes nothing."""
    assert await rig.read() == rig.values
    await rig.session.open()
    await rig.session.open()
    assert await rig.read() == rig.values


async def test_silence_is_no_reply(rig: Rig) -> None:
    """Silence ends with NoReply at the instrument's own timeout, and the next answer is right."""
    await rig.session.open()
    rig.mute()
    began = time.monotonic()
    with pytest.raises(NoReply):
        await rig.read()
    assert 0.14 < time.monotonic() - began < PATIENCE_S
    rig.speak()
    assert await rig.read() == rig.values


async def test_a_far_side_that_is_gone_is_link_down(rig: Rig) -> None:
    """Gone is LinkDown, said at once and with a reason; back is usable on the same object."""
    assert await rig.read() == rig.values
    await _settle(rig.vanish())
    began = time.monotonic()
    with pytest.raises(LinkDown, match=r"\S"):
        await rig.read()
    with pytest.raises(LinkDown, match=r"\S"):
        await rig.session.open()
    assert time.monotonic() - began < PATIENCE_S
    await _settle(rig.come_back())
    assert await rig.read() == rig.values


async def test_cancelling_the_caller_does_not_shift_answers(rig: Rig) -> None:
    """After a cancelled exchange the next one still gets its own answer."""
    assert await rig.read() == rig.values
    for delay_s in (0.0, 0.0005, 0.002):
        reading = asyncio.ensure_future(rig.read())
        await asyncio.sleep(delay_s)
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        assert await rig.read() == rig.values


async def test_callers_queue(rig: Rig) -> None:
    """Exchanges asked for at the same time are done one after the other, each with its answer."""
    results = await asyncio.gather(*(rig.read() for _ in range(5)))
    assert results == [rig.values] * 5


async def test_close_ends_what_is_under_way(rig: Rig) -> None:
    """Closing waits for no timeout and leaves no task behind; the session can be used again."""
    await rig.session.open()
    rig.mute()
    patient = rig._replace(instrument=replace(rig.instrument, timeout_ms=240_000))
    reading = asyncio.ensure_future(patient.read())
    await asyncio.sleep(0.02)
    before = time.monotonic()
    await rig.session.close()
    assert time.monotonic() - before < PATIENCE_S
    assert isinstance((await asyncio.gather(reading, return_exceptions=True))[0], BaseException)
    await asyncio.sleep(0.01)  # the far side's own task sees the end a moment later
    assert asyncio.all_tasks() == {asyncio.current_task()}
    rig.speak()
    assert await rig.read() == rig.values


@pytest.fixture(params=["tcp", "rtu"])
def modbus(request: pytest.FixtureRequest, session: Any, instrument: Any, words: Any) -> Any:
    """(session, far side, read) of both Modbus links, unit 7, four holding registers."""
    far = request.getfixturevalue(f"far_{request.param}")
    bus = request.getfixturevalue(f"{request.param}_bus")
    plan = instrument(bus.name, *words(4), unit=7)
    link = session(bus)

    async def read(table: Table = "holding") -> bytes:
        data: bytes = await link.exchange(plan, Block(table, 0, 4, plan.registers))
        return data

    return link, far, read


@pytest.mark.parametrize(
    ("pdu", "error"),
    [
        (b"\x83\x02", Refused),
        (b"\x83\x06", Refused),
        (b"\x03\x02\x00\x01", BadFrame),  # one register for four: pymodbus alone takes it
        (b"\x03\x08\0\1\0\2\0\3", BadFrame),  # byte count says four, three came
        (b"\x03\x07\0\1\0\2\0\3\0\4", BadFrame),  # odd byte count
        (b"\x03\x0a\0\1\0\2\0\3\0\4\0\5", BadFrame),
        (b"\x04\x08\0\1\0\2\0\3\0\4", BadFrame),  # another function: pymodbus alone takes it
        (b"\x84\x02", BadFrame),  # exception of another function
        (b"\x55\x01", BadFrame),  # a function pymodbus does not know, and chokes on
        (b"\x03", BadFrame),
        (b"\x2b\x0e\x01\x01", BadFrame),
    ],
)
async def test_only_the_answer_is_an_answer(modbus: Any, pdu: bytes, error: Any) -> None:
    """Unit, function and length of every reply are checked: a value or a typed error."""
    link, far, read = modbus
    await link.open()
    right = far.respond
    far.respond = lambda unit, request, frame: [(0.0, frame(pdu))]
    with pytest.raises(error) as caught:
        await read()
    if isinstance(caught.value, Refused):
        assert caught.value.code == pdu[1]
    far.respond = lambda unit, request, frame: [(0.0, frame(b"\x03\x08\0\1\0\2\0\3\0\4", unit=9))]
    with pytest.raises(BadFrame):
        await read()
    far.respond = right
    assert len(await read()) == 8


async def test_all_four_tables(modbus: Any, right_pdu: Any) -> None:
    """Coils, discrete inputs, holding and input registers go out as functions 1 to 4."""
    _, far, read = modbus
    for function, table in enumerate(("coil", "discrete", "holding", "input"), start=1):
        assert await read(table) == right_pdu(7, struct.pack(">BHH", function, 0, 4))[2:]
    assert [pdu[0] for _, _, pdu in far.requests] == [1, 2, 3, 4]


async def test_an_answer_in_pieces_is_an_answer(modbus: Any, right_pdu: Any) -> None:
    """A frame may be split anywhere."""
    _, far, read = modbus

    def pieces(unit: int, request: bytes, frame: Any) -> list[tuple[float, bytes]]:
        return [(0.001, bytes([byte])) for byte in frame(right_pdu(unit, request))]

    far.respond = pieces
    assert await read() == right_pdu(7, struct.pack(">BHH", 3, 0, 4))[2:]


async def test_tcp_ignores_transaction_zero(far_tcp: Any, session: Any, tcp_bus: Any) -> None:
    """A reply must bear the transaction it answers; pymodbus alone would take 0 for good."""
    plan = InstrumentPlan(name="i", bus="b", profile="p", registers=(), feeds={}, timeout_ms=50)
    link = session(tcp_bus)
    far_tcp.respond = lambda unit, pdu, frame: [(0.0, frame(b"\x03\x02\0\1", tid=b"\0\0"))]
    with pytest.raises(BadFrame):
        await link.exchange(plan, Block("holding", 0, 1, ()))
    far_tcp.respond = lambda unit, pdu, frame: [(0.0, frame(b"\x03\x02\0\1", protocol=1))]
    with pytest.raises(BadFrame):
        await link.exchange(plan, Block("holding", 0, 1, ()))


async def test_tcp_socket_notices_a_dead_peer(far_tcp: Any, session: Any, tcp_bus: Any) -> None:
    """Keepalive and TCP_USER_TIMEOUT are set on the socket."""
    link = session(tcp_bus)
    await link.open()
    peer = link._link.ctx.transport.get_extra_info("socket")
    assert peer.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
    assert peer.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000


@pytest.mark.long
async def test_rtu_echo_is_told_from_an_answer(
    far_rtu: Any, session: Any, rtu_bus: Any, instrument: Any, words: Any
) -> None:
    """A line that only echoes says so; silence and garbage have errors of their own."""
    plan = instrument("analyzers", *words(4), unit=7)
    link, block = session(rtu_bus), plan_reads(plan)[0]
    far_rtu.echo, far_rtu.respond = True, lambda *_: []
    with pytest.raises(BadFrame, match="echo"):
        await link.exchange(plan, block)
    far_rtu.echo = False
    with pytest.raises(NoReply):
        await link.exchange(plan, block)
    far_rtu.respond = lambda *_: [(0.0, b"\x00\xff\x13")]
    with pytest.raises(BadFrame, match="3 bytes"):
        await link.exchange(plan, block)


async def test_an_answer_to_whoever_came_before_is_not_ours(
    far_rtu: Any, session: Any, rtu_bus: Any, instrument: Any, right_pdu: Any
) -> None:
    """A daemon that was killed may have left a question open; its answer must not be the first."""
    link, plan = session(rtu_bus), instrument("analyzers", unit=7)
    await link.open()
    late = bytes([7]) + right_pdu(7, struct.pack(">BHH", 3, 10, 1))
    asyncio.get_running_loop().call_later(0.02, far_rtu.write, late + struct.pack("<H", crc(late)))
    payload = await link.exchange(plan, Block("holding", 20, 1, ()))
    assert payload == right_pdu(7, struct.pack(">BHH", 3, 20, 1))[2:]
    assert link.rejected == 1


async def test_pace_never_shorter_than_set(
    far_rtu: Any, session: Any, rtu_bus: Any, instrument: Any, words: Any
) -> None:
    """``gap_before`` and ``turnaround`` hold between the requests of a line."""
    slow = instrument("analyzers", *words(1), unit=1, turnaround_ms=40)
    shy = instrument("analyzers", *words(1), unit=2, gap_before_ms=25)
    link = session(rtu_bus)
    for plan in (shy, shy, slow, shy):
        await link.exchange(plan, plan_reads(plan)[0])
    times = [when for when, _, _ in far_rtu.requests]
    gaps_s = [after - before for before, after in itertools.pairwise(times)]
    assert gaps_s[0] >= 0.025
    assert gaps_s[2] >= 0.040


@pytest.mark.parametrize(
    "said",
    [
        [(0.0, b"1.5\r\nT +021.5\r\n")],  # the end of an older line comes first
        [(0.0, b"\0\0\r\n\r\nT +021.5\r\n")],  # blank lines
        [(0.001, bytes([byte])) for byte in b"T +021.5\r\n"],
    ],
)
async def test_streams_are_picked_up_in_step(
    far_lines: Any, session: Any, ascii_bus: Any, line_instrument: Any, said: Any
) -> None:
    """A stream is joined at the next line that begins after listening did."""
    plan, link = line_instrument(ask=None), session(ascii_bus)
    await link.open()
    far_lines.write(b"9.9\r\n")
    loop = asyncio.get_running_loop()
    for i, (delay_s, piece) in enumerate(said):
        loop.call_later(0.05 + delay_s * (i + 1), far_lines.write, piece)
    loop.call_later(0.2, far_lines.write, b"T +021.5\r\n")
    line = b""
    while line != b"T +021.5":
        line = await link.exchange(plan, plan_reads(plan)[0])
    assert compile_block(plan, plan_reads(plan)[0])(line)[0].value == 21.5


@pytest.mark.long
@pytest.mark.parametrize(
    ("said", "error"),
    [
        ([(0.0, b"T +021.5")], BadFrame),  # no end
        ([(0.04, b"T")] * 60, BadFrame),  # trickles on for 2.4 s
        ([(0.0, b"T" * 5000)], BadFrame),  # more than the buffer
        ([], NoReply),
    ],
)
async def test_one_deadline_for_a_line(
    far_lines: Any, session: Any, ascii_bus: Any, line_instrument: Any, said: Any, error: Any
) -> None:
    """Whatever trickles in, an exchange is over at its deadline, and the next one is right."""
    plan, link = replace(line_instrument(), timeout_ms=200), session(ascii_bus)
    await link.exchange(plan, plan_reads(plan)[0])
    right = far_lines.answer

    async def trickle() -> float:
        far_lines.answer = lambda: said
        began = time.monotonic()
        with pytest.raises(error):
            await link.exchange(plan, plan_reads(plan)[0])
        took_s = time.monotonic() - began
        far_lines.answer = right
        assert await link.exchange(plan, plan_reads(plan)[0]) == b"T +021.5"
        return took_s

    # The deadline is 0.2 s, and what trickles lasts 2.4 s.
    assert await least_s(trickle, 1.2) < 1.2


@pytest.mark.parametrize(
    ("line", "body"),
    [
        # XOR worked by hand: 'T' 54, ' ' 20, '1' 31 -> 45; Kn with its own checksum 'A' 41.
        (b"T 1*45", b"T 1"),
        (b"T 1*46", None),
        (b"T 1", None),
        (b"*00", b""),
        (b"A*41", b"A"),
        (b"A*4", None),
    ],
)
async def test_line_checksum(
    far_lines: Any, session: Any, ascii_bus: Any, line_instrument: Any, line: bytes, body: Any
) -> None:
    """``xor-hex``: a line with a wrong or missing checksum is a bad frame."""
    plan, link = line_instrument(checksum="xor-hex"), session(ascii_bus)
    far_lines.answer = lambda: [(0.0, line + b"\r\n")]
    if body is None:
        with pytest.raises(BadFrame):
            await link.exchange(plan, plan_reads(plan)[0])
    else:
        assert await link.exchange(plan, plan_reads(plan)[0]) == body


async def test_every_failure_is_a_bus_error(session: Any) -> None:
    """Ports and hosts that cannot be are LinkDown, whatever the library makes of them."""
    nowhere = SerialPortPlan(port="/nowhere/at/all")
    no_tty = SerialPortPlan(port="/dev/null")
    buses = [
        ModbusTcpPlan(name="b", host="127.0.0.1", port=1),
        ModbusTcpPlan(name="b", host="no.such.host.invalid"),
        *(ModbusRtuPlan(name="b", line=line) for line in (nowhere, no_tty)),
        *(AsciiPlan(name="b", line=line) for line in (nowhere, no_tty)),
    ]
    for bus in buses:
        with pytest.raises(BusError) as caught:
            await session(bus).open()
        assert isinstance(caught.value, LinkDown), bus
