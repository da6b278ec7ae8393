"""What comes down the wire is late, short, noisy, echoed or no number: no wrong value ever."""

from __future__ import annotations

import asyncio
import random
import struct
from collections.abc import Callable
from typing import Any

import crcmod.predefined
import pytest

from dewline.bus.modbus import (
    Question,
    payload_untrusted,
    rtu_reply_untrusted,
    tcp_reply_untrusted,
)
from dewline.bus.plan import Block
from dewline.config.plan import ModbusRtuPlan, RegisterPlan
from dewline.errors import BadFrame, BusError, NoReply, Refused
from dewline.readings import Quality, Reading
from tests.patience import PATIENCE_S

crc16 = crcmod.predefined.mkCrcFun("modbus")
Size = Callable[[str], int]
NO_ANSWER = Reading(None, Quality.NO_ANSWER)


def _block(address: int, count: int = 1) -> Block:
    return Block("holding", address, count, ())


@pytest.mark.long
async def test_b1_late_replies(
    size: Size,
    far_rtu: Any,
    rtu_bus: Any,
    session: Any,
    instrument: Any,
    truth: Any,
    right_pdu: Any,
) -> None:
    """5 % of replies late by up to quiet_after_timeout: none is taken for another's answer."""
    chance, link = random.Random(1), session(rtu_bus)
    plan = instrument("analyzers", timeout_ms=20)
    quiet_s = rtu_bus.quiet_after_timeout_ms / 1000

    def respond(unit: int, pdu: bytes, frame: Any) -> list[tuple[float, bytes]]:
        # A margin of 5 ms for this process itself, which also plays the instrument.
        late_s = 0.02 + chance.uniform(0.0, quiet_s - 0.005) if chance.random() < 0.05 else 0.0
        return [(late_s, frame(right_pdu(unit, pdu)))]

    far_rtu.respond = respond
    right = lost = 0
    for i in range(size("B1")):
        address = i * 7 % 50  # never the same as the one before
        try:
            (value,) = struct.unpack(">H", await link.exchange(plan, _block(address)))
        except NoReply:
            lost += 1
        else:
            assert value == truth(1, address), f"poll {i} got another's answer"
            right += 1
    await asyncio.sleep(quiet_s)
    print(f"B1: {right} right, {lost} lost, {link.rejected} late answers thrown away, 0 wrong")
    assert lost > 0
    assert link.rejected == lost


async def test_b1_beyond_the_quiet_time(
    far_rtu: Any, rtu_bus: Any, session: Any, instrument: Any, truth: Any, right_pdu: Any
) -> None:
    """What the rest cannot do: an equal answer later than timeout + quiet IS taken for the next.

    RTU frames bear no number, so only a quiet_after_timeout above the worst delay helps.
    """
    link, plan = session(rtu_bus), instrument("analyzers", timeout_ms=40)
    delays_s = iter([0.04 + 0.06 + 0.02, 0.035])
    far_rtu.respond = lambda unit, pdu, frame: [(next(delays_s), frame(right_pdu(unit, pdu)))]
    with pytest.raises(NoReply):
        await link.exchange(plan, _block(10))
    (value,) = struct.unpack(">H", await link.exchange(plan, _block(20)))
    assert value == truth(1, 10)


def _mutate(frame: bytes, chance: random.Random, close: Callable[[bytes], bytes]) -> bytes:
    """A reply that may be anything; ``close`` mends check sums and lengths as a device would."""
    kind = chance.randrange(9)
    at = chance.randrange(len(frame))
    if kind == 0:
        return frame[:at]
    if kind == 1:
        return frame[:at] + bytes([frame[at] ^ 1 << chance.randrange(8)]) + frame[at + 1 :]
    if kind == 2:
        return chance.randbytes(chance.randrange(1, 6)) + frame
    if kind == 3:
        return frame + chance.randbytes(chance.randrange(1, 6))
    if kind == 4:
        return chance.randbytes(chance.randrange(1, 40))
    if kind == 5:
        return frame[:at] + frame[at + 1 :]
    if kind == 6:
        return frame
    body = bytearray(frame)
    if kind == 7:
        body[at] = chance.randrange(256)
        return close(bytes(body))
    return close(frame[:at] or frame)


def _mend_rtu(frame: bytes) -> bytes:
    return frame[:-2] + struct.pack("<H", crc16(frame[:-2]))


def _mend_tcp(frame: bytes) -> bytes:
    return frame[:4] + struct.pack(">H", max(0, len(frame) - 6)) + frame[6:]


def _truth_of_rtu(data: bytes, unit: int, size: int) -> bytes | int | None:
    """Payload, exception code or None, found the slow way: every window of the bytes."""
    for length, is_reply in ((5 + size, True), (5, False)):
        for i in range(len(data) - length + 1):
            window = data[i : i + length]
            if crc16(window) == 0 and window[0] == unit:
                if is_reply and window[1:3] == bytes([3, size]):
                    return window[3:-2]
                if not is_reply and window[1] == 0x83:
                    return window[2]
    return None


def _truth_of_tcp(data: bytes, unit: int, size: int) -> bytes | int | None:
    """The same for TCP: the first whole frames, one after the other, of transaction 0007."""
    while len(data) >= 7:
        tid, protocol, length = struct.unpack(">HHH", data[:6])
        if protocol or not 2 <= length <= 254 or len(data) < 6 + length:
            return None
        pdu, data, sender = data[7 : 6 + length], data[6 + length :], data[6]
        if tid == 7:
            if sender == unit and len(pdu) == 2 and pdu[0] == 0x83:
                return pdu[1]
            fits = sender == unit and pdu[:2] == bytes([3, size]) and len(pdu) == size + 2
            return pdu[2:] if fits else None
    return None


def test_b2_fuzzed_replies(size: Size) -> None:
    """A value or a typed error, and a value exactly where a slow independent reading finds it."""
    chance = random.Random(2)
    counts = {"value": 0, "refused": 0, "nothing": 0}
    for _ in range(size("B2")):
        words = chance.randrange(1, 9)
        asked = Question(17, 3, 2 * words)
        pdu = bytes([3, 2 * words]) + chance.randbytes(2 * words)
        if chance.random() < 0.1:
            pdu = bytes([0x83, chance.randrange(1, 12)])
        if chance.random() < 0.5:
            data = _mutate(_mend_rtu(bytes([17]) + pdu + b"\0\0"), chance, _mend_rtu)
            found, cut = rtu_reply_untrusted(data, asked, b""), slice(1, -2)
            truth = _truth_of_rtu(data, 17, 2 * words)
        else:
            head = struct.pack(">HHHB", 7, 0, len(pdu) + 1, 17)
            data = _mutate(head + pdu, chance, _mend_tcp)
            cut, truth = slice(7, None), _truth_of_tcp(data, 17, 2 * words)
            try:
                found = tcp_reply_untrusted(data, asked, b"\0\7")
            except BadFrame:
                found = None
        seen: bytes | int | None = None
        if found is not None:
            try:
                seen = payload_untrusted(found[cut], asked)
            except Refused as refusal:
                seen = refusal.code
            except BadFrame:
                seen = None
        assert seen == truth, data.hex(" ")
        counts["nothing" if seen is None else "refused" if isinstance(seen, int) else "value"] += 1
    print(f"B2: {counts}")
    assert min(counts.values()) > 0


async def test_b2_fuzzed_replies_over_real_links(
    size: Size, side: Any, session: Any, instrument: Any, right_pdu: Any, caplog: Any
) -> None:
    """On a socket and on a pty: a value or a BusError, no traceback, and the link stays usable."""
    far, bus = side
    tcp = not isinstance(bus, ModbusRtuPlan)
    if not tcp:
        bus = ModbusRtuPlan(name=bus.name, line=bus.line, quiet_after_timeout_ms=5)
    link, plan, chance = session(bus), instrument(bus.name, timeout_ms=8), random.Random(22)
    mend = _mend_tcp if tcp else _mend_rtu
    truth_of = _truth_of_tcp if tcp else _truth_of_rtu
    sent = b""

    def respond(unit: int, pdu: bytes, frame: Any) -> list[tuple[float, bytes]]:
        nonlocal sent
        whole = frame(right_pdu(unit, pdu))
        sent = _mutate(whole, chance, mend)
        if tcp:  # for the slow reading, which knows only transaction 7
            own = whole[:2]
            pieces = [(0.0, sent)] if sent else []
            sent = sent.replace(own, b"\0\7", 1) if sent.startswith(own) else b""
            return pieces
        return [(0.0, sent)] if sent else []

    right, good = far.respond, 0
    far.respond = respond
    for i in range(size("B2") // 50):
        seen: bytes | int | None = None
        try:
            seen = await link.exchange(plan, _block(i % 60, 4))
            good += 1
        except Refused as refusal:
            seen = refusal.code
        except BusError:
            pass
        if seen is not None:
            assert seen == truth_of(sent, 1, 8)
    far.respond = right
    await asyncio.sleep(0.02)
    assert await link.exchange(plan, _block(0, 4)) == right_pdu(1, struct.pack(">BHH", 3, 0, 4))[2:]
    assert good > 0
    assert caplog.records == []


@pytest.mark.long
async def test_b8_noise(
    size: Size, far_rtu: Any, rtu_bus: Any, poll: Any, instrument: Any, words: Any, truth: Any,
    right_pdu: Any,
) -> None:  # fmt: skip
    """Noise before, in and after frames, and frames split anywhere: few lost, none wrong."""
    chance, corrupted = random.Random(8), 0

    def respond(unit: int, pdu: bytes, frame: Any) -> list[tuple[float, bytes]]:
        nonlocal corrupted
        whole = frame(right_pdu(unit, pdu))
        if chance.random() > 0.2:
            return [(0.0, whole)]
        corrupted += 1
        at, noise = chance.randrange(1, len(whole)), chance.randbytes(chance.randrange(1, 4))
        return chance.choice(
            [
                [(0.0, noise + whole)],
                [(0.0, noise), (0.002, whole)],
                [(0.0, whole[:at] + noise + whole[at:])],
                [(0.0, whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])],
                [(0.0, whole + noise)],
                [(0.0, whole[:at])],
                [(0.0, whole[:at]), (0.003, whole[at:])],
            ]
        )

    far_rtu.respond = respond
    bus = ModbusRtuPlan(name="analyzers", line=rtu_bus.line, quiet_after_timeout_ms=50)
    plan = instrument("analyzers", *words(4), every_ms=150, timeout_ms=100)
    polling, polls = poll(bus, plan), size("B8")
    await polling.until(lambda: len(polling.scans) >= polls, within_s=PATIENCE_S + polls)
    lost = polling.poller.statistics().missed_slots
    for scan in polling.scans:
        for address in range(4):
            reading = scan.readings[f"heron.w{address}"]
            assert reading in (NO_ANSWER, Reading(float(truth(1, address)), Quality.GOOD))
        lost += scan.readings["heron.w0"] == NO_ANSWER
    print(f"B8: {len(polling.scans)} polls, {corrupted} frames corrupted, {lost} polls lost")
    assert lost <= 2 * corrupted
    assert corrupted > 0.1 * polls


@pytest.mark.parametrize("echo", ["strip", "none"])
async def test_b11_local_echo(
    echo: Any, size: Size, far_rtu: Any, rtu_bus: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """A line that hands every request back is read as if it did not."""
    far_rtu.echo = True
    bus = ModbusRtuPlan(name="analyzers", line=rtu_bus.line, echo=echo)
    polling, polls = poll(bus, instrument("analyzers", *words(4), every_ms=10)), size("B11")
    await polling.until(lambda: len(polling.scans) >= polls, within_s=PATIENCE_S + polls)
    assert {r.quality for scan in polling.scans for r in scan.readings.values()} == {Quality.GOOD}


async def test_b12_a_hole_in_the_map(
    size: Size, side: Any, poll: Any, instrument: Any, words: Any, right_pdu: Any
) -> None:
    """Exception 2 cuts the block once, in the same turn, and the cut is remembered."""
    far, bus = side
    hole = set(range(2, 6)) | {9}

    def respond(unit: int, pdu: bytes, frame: Any) -> list[tuple[float, bytes]]:
        start, count = struct.unpack(">HH", pdu[1:])
        refused = not hole.isdisjoint(range(start, start + count))
        return [(0.0, frame(b"\x83\x02" if refused else right_pdu(unit, pdu)))]

    far.respond = respond
    plan = instrument(bus.name, *words(2, 0), *words(3, 6), *words(2, 9), every_ms=20)
    polling, polls = poll(bus, plan), size("B12")
    await polling.until(lambda: len(polling.scans) >= polls, within_s=PATIENCE_S + polls)
    for scan in polling.scans:
        assert {name: r.quality for name, r in scan.readings.items()} == {
            **{f"heron.w{a}": Quality.GOOD for a in (0, 1, 6, 7, 8, 10)},
            "heron.w9": Quality.EXCEPTION,  # it alone does not exist
        }
    refusals = polling.poller.statistics().exceptions
    assert refusals == 2 + len(polling.scans)  # two blocks cut, then register 9 each turn


async def test_b13_no_number_is_never_a_number(
    size: Size, far_tcp: Any, tcp_bus: Any, poll: Any, instrument: Any
) -> None:
    """NaN, Inf, fault codes and saturation on the wire: bad without a value, or at the end."""
    swapped: dict[str, Any] = {"table": "input", "type": "float32", "word_order": "CDAB"}
    registers = (
        RegisterPlan(name="nan", address=0, **swapped),
        RegisterPlan(name="inf", address=2, **swapped),
        RegisterPlan(name="order", address=4, **swapped),
        RegisterPlan(
            name="fault", table="input", address=6, type="int16",
            sentinels={-32768: Quality.INSTRUMENT_FAULT},
        ),
        RegisterPlan(
            name="cell", table="input", address=7, type="int16", scale=0.1, valid=(0.0, 1000.0),
            sentinels={32767: Quality.OVER_RANGE},
        ),
        RegisterPlan(name="high", address=8, valid=(-2.0, 1000.0), **swapped),
        RegisterPlan(
            name="loop", table="input", address=10, scale=0.001, loop="4-20mA", span=(0.0, 1.0)
        ),
    )  # fmt: skip
    words = (
        *(0x0000, 0x7FC0),  # NaN
        *(0x0000, 0xFF80),  # -Inf
        *(0x41A7, 0x9168),  # 20.946 in the other order: 9168 41A7, a tiny normal number
        0x8000,
        0x7FFF,
        *(0x2400, 0x4974),  # 1e6
        2000,
    )
    far_tcp.respond = lambda unit, pdu, frame: [
        (0.0, frame(bytes([4, 22]) + struct.pack(">11H", *words)))
    ]
    polling = poll(tcp_bus, instrument("panel-bus", *registers, every_ms=10))
    polls = size("B13")
    await polling.until(lambda: len(polling.scans) >= polls, within_s=PATIENCE_S + polls)
    for scan in polling.scans:
        readings = {name.removeprefix("heron."): r for name, r in scan.readings.items()}
        assert abs(readings.pop("order").value or 1.0) < 1e-20
        assert readings == {
            "nan": Reading(None, Quality.NOT_A_NUMBER),
            "inf": Reading(None, Quality.NOT_A_NUMBER),
            "fault": Reading(None, Quality.INSTRUMENT_FAULT),
            "cell": Reading(1000.0, Quality.OVER_RANGE),
            "high": Reading(1000.0, Quality.OVER_RANGE),
            "loop": Reading(None, Quality.LOOP_FAULT),
        }


async def test_b14_word_order_over_the_wire(side: Any, poll: Any, instrument: Any) -> None:
    """1013.25 sent in four orders is 1013.25; in a wrong one it is never a plausible pressure.

    Vector: 1013.25 is 44 7D 50 00 by IEEE 754, here worked with struct.
    """
    far, bus = side
    raw = struct.pack(">f", 1013.25)
    assert raw == bytes.fromhex("447D5000")
    as_sent = [raw, raw[2:] + raw[:2], raw[1::-1] + raw[:1:-1], raw[::-1]]
    far.respond = lambda unit, pdu, frame: [(0.0, frame(b"\x03\x10" + b"".join(as_sent)))]
    registers = tuple(
        RegisterPlan(
            name=f"{right.lower()}_as_{read.lower()}",
            table="holding",
            address=2 * i,
            type="float32",
            word_order=read,
            valid=(900.0, 1100.0),
        )
        for i, right in enumerate(("ABCD", "CDAB", "BADC", "DCBA"))
        for read in ("ABCD", "CDAB", "BADC", "DCBA")
    )
    polling = poll(bus, instrument(bus.name, *registers, every_ms=50))
    await polling.until(lambda: polling.scans)
    for name, reading in polling.scans[0].readings.items():
        right, read = name.removeprefix("heron.").split("_as_")
        if right == read:
            assert reading == Reading(1013.25, Quality.GOOD)
        else:
            assert reading.quality is not Quality.GOOD
