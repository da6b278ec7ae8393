"""Frames, CRC, word orders and wire times against published Modbus figures.

Sources: MODBUS Application Protocol V1.1b3, 6.1-6.12 and 7 (the PDU examples, from
full-text transcriptions); MODBUS over Serial Line V1.02, 2.5.1 (characters, silences,
CRC-16). CRCs and MBAP headers in the tables were computed with crcmod 1.7 and
cross-checked with pymodbus; word orders with struct and numpy. That the guide's CRC
example 1241 belongs to the message 02 07 is from memory.
"""

from __future__ import annotations

import asyncio
import csv
import math
import os
import struct
import tty
from pathlib import Path
from typing import Any

import crcmod.predefined
import minimalmodbus
import pytest

from dewline.bus.modbus import (
    Question,
    payload_untrusted,
    rtu_reply_untrusted,
    tcp_reply_untrusted,
)
from dewline.bus.plan import Block
from dewline.bus.sessions import new_session
from dewline.clock import RealClock
from dewline.config.plan import (
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    RegisterPlan,
    SerialPortPlan,
)
from dewline.config.wire import silence_ms, wire_time_ms
from dewline.errors import BadFrame, Refused
from dewline.readings import Quality
from tests.bus.one_register import decode_register

DATA = Path(__file__).parent / "data"
UNIT = 17


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


FRAMES = rows("modbus_frames.csv")
READS = [row for row in FRAMES if row["fc"] in ("01", "02", "03", "04")]
WRITES = [row for row in FRAMES if row["fc"] in ("05", "06", "15", "16")]


def octets(row: dict[str, str], column: str) -> bytes:
    return bytes.fromhex(row[column])


def asked(row: dict[str, str]) -> Question:
    """The question of a row, from its request alone."""
    function, _, count = struct.unpack(">BHH", octets(row, "request_pdu"))
    return Question(UNIT, function, (count + 7) // 8 if function < 3 else 2 * count)


def test_the_tables_are_whole() -> None:
    """A lost row would be a lost check."""
    counts = [len(READS), len(WRITES), len(FRAMES)]
    assert counts == [4, 4, 9]
    assert len(rows("crc16_modbus.csv")) == 6
    assert len(rows("float_words.csv")) == 13
    assert len(rows("modbus_timing.csv")) == 20


@pytest.mark.parametrize("row", READS, ids=lambda row: row["description"])
def test_the_standard_s_answers_are_answers(row: dict[str, str]) -> None:
    """Each published reply, in both framings, yields the published data bytes."""
    data = octets(row, "response_pdu")[2:]
    rtu, tcp = octets(row, "rtu_response_unit17"), octets(row, "tcp_response_tid1_unit17")
    question = asked(row)
    assert rtu_reply_untrusted(rtu, question, b"") == rtu
    assert tcp_reply_untrusted(tcp, question, b"\0\1") == tcp
    assert payload_untrusted(rtu[1:-2], question) == data
    assert payload_untrusted(tcp[7:], question) == data


@pytest.mark.parametrize("row", READS, ids=lambda row: row["description"])
def test_no_altered_bit_passes(row: dict[str, str]) -> None:
    """Every single flipped bit of a published RTU reply is noticed by the CRC."""
    frame = octets(row, "rtu_response_unit17")
    for position in range(8 * len(frame)):
        bent = bytearray(frame)
        bent[position // 8] ^= 1 << position % 8
        assert rtu_reply_untrusted(bytes(bent), asked(row), b"") is None


@pytest.mark.parametrize("row", READS, ids=lambda row: row["description"])
def test_no_answer_answers_another_question(row: dict[str, str]) -> None:
    """The published replies do not pass for another unit, function, length or transaction."""
    rtu, tcp = octets(row, "rtu_response_unit17"), octets(row, "tcp_response_tid1_unit17")
    unit, function, size = asked(row)
    for other in (
        Question(unit + 1, function, size),
        Question(unit, function % 4 + 1, size),
        Question(unit, function, size + 2),
    ):
        assert rtu_reply_untrusted(rtu, other, b"") is None
    assert tcp_reply_untrusted(tcp, asked(row), b"\0\2") is None
    with pytest.raises(BadFrame):
        tcp_reply_untrusted(tcp, Question(unit + 1, function, size), b"\0\1")
    with pytest.raises(BadFrame):
        payload_untrusted(tcp[7:], Question(unit, function, size + 1))


def test_the_standard_s_exception() -> None:
    """81 02 is the refusal of an address, in both framings."""
    (row,) = (row for row in FRAMES if row["fc"] == "01 exc")
    question = asked(row)
    rtu, tcp = octets(row, "rtu_response_unit17"), octets(row, "tcp_response_tid1_unit17")
    assert rtu_reply_untrusted(rtu, question, b"") == rtu
    for pdu in (rtu[1:-2], tcp[7:]):
        with pytest.raises(Refused) as caught:
            payload_untrusted(pdu, question)
        assert caught.value.code == 2


@pytest.mark.parametrize("row", WRITES, ids=lambda row: row["description"])
def test_answers_to_writes_are_no_answers(row: dict[str, str]) -> None:
    """dewline asks only to read: the published replies to writes answer none of its questions."""
    rtu = octets(row, "rtu_response_unit17")
    for function in (1, 2, 3, 4):
        for size in range(1, 251):
            assert rtu_reply_untrusted(rtu, Question(UNIT, function, size), b"") is None


@pytest.mark.parametrize("row", rows("crc16_modbus.csv"), ids=lambda row: row["input"])
def test_crc(row: dict[str, str]) -> None:
    """The CRC that guards our frames is the published one; three libraries agree on it."""
    text = row["input"]
    message = bytes.fromhex(text[4:]) if text.startswith("hex:") else text.encode()
    if text == "hex:0207":
        assert row["wire_order_lo_hi"] == "41 12"
    wire = bytes.fromhex(row["wire_order_lo_hi"])
    number = int(row["crc_value_hex"], 16)
    assert crcmod.predefined.mkCrcFun("modbus")(message) == number
    assert minimalmodbus._calculate_crc(message) == wire
    # Seen through our own door: a reply that carries the message and this very CRC ...
    payload = message.rjust(len(message) + len(message) % 2, b"\0")
    head = bytes([UNIT, 3, len(payload)])
    crc = crcmod.predefined.mkCrcFun("modbus")(head + payload)
    frame = head + payload + struct.pack("<H", crc)
    question = Question(UNIT, 3, len(payload))
    assert rtu_reply_untrusted(frame, question, b"") == frame
    # ... passes, and with the bytes of the CRC swapped does not (but for equal bytes).
    swapped = frame[:-2] + frame[:-3:-1]
    assert (rtu_reply_untrusted(swapped, question, b"") is None) == (swapped != frame)


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("row", rows("float_words.csv"), ids=lambda row: row["value"])
def test_float_words(row: dict[str, str], order: Any) -> None:
    """Thirteen values in four word orders; NaN and Inf are no numbers."""
    (column,) = (name for name in row if name.startswith(order))
    words = list(struct.unpack(">HH", bytes.fromhex(row[column])))
    register = RegisterPlan(name="r", table="input", address=0, type="float32", word_order=order)
    reading = decode_register(register, words)
    expected = float(row["float32_roundtrip"])
    if math.isfinite(expected):
        assert (reading.value, reading.quality) == (expected, Quality.GOOD)
    else:
        assert (reading.value, reading.quality) == (None, Quality.NOT_A_NUMBER)


@pytest.mark.parametrize(
    "row", rows("modbus_timing.csv"), ids=lambda row: f"{row['baud']}-{row['n_registers']}"
)
def test_wire_time(row: dict[str, str]) -> None:
    """Characters of 11 bits and two silences of 3.5 characters (fixed above 19200 baud)."""
    baud, registers = int(row["baud"]), int(row["n_registers"])
    assert silence_ms(baud) == pytest.approx(float(row["t3_5_ms"]), abs=1e-4)
    whole_ms = wire_time_ms(baud, registers)
    assert whole_ms == pytest.approx(float(row["t_min_transaction_ms"]), abs=1e-4)
    assert 1000 / whole_ms == pytest.approx(float(row["max_polls_per_s"]), abs=0.01)
    assert whole_ms - 2 * silence_ms(baud) == pytest.approx(
        float(row["request_ms"]) + float(row["response_ms"]), abs=1e-3
    )


TABLES = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


async def exchange(bus: Any, row: dict[str, str]) -> bytes:
    """Ask the question of a row through a real session; the payload."""
    function, address, count = struct.unpack(">BHH", octets(row, "request_pdu"))
    plan = InstrumentPlan(
        name="i", bus="b", profile="p", registers=(), feeds={}, unit=UNIT, timeout_ms=2000
    )
    session = new_session(bus, RealClock())
    try:
        return await session.exchange(plan, Block(TABLES[function], address, count, ()))  # type: ignore[arg-type]
    finally:
        await session.close()


@pytest.mark.parametrize("row", READS, ids=lambda row: row["description"])
async def test_tcp_wire_carries_the_standard_s_frames(row: dict[str, str]) -> None:
    """Over a real socket: the published request goes out, byte by byte; its reply comes back."""
    heard: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        heard.append(await reader.readexactly(12))
        writer.write(octets(row, "tcp_response_tid1_unit17"))
        await reader.read()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    payload = await exchange(ModbusTcpPlan(name="b", host="127.0.0.1", port=port), row)
    assert payload == octets(row, "response_pdu")[2:]
    assert heard == [octets(row, "tcp_request_tid1_unit17")]
    server.close()
    await asyncio.sleep(0.01)


@pytest.mark.parametrize("row", READS, ids=lambda row: row["description"])
async def test_rtu_wire_carries_the_standard_s_frames(row: dict[str, str]) -> None:
    """Over a pty: the published request goes out, byte by byte; its reply comes back."""
    heard = b""
    master, slave = os.openpty()
    tty.setraw(slave)

    def readable() -> None:
        nonlocal heard
        heard += os.read(master, 256)
        if len(heard) == 8:
            os.write(master, octets(row, "rtu_response_unit17"))

    asyncio.get_running_loop().add_reader(master, readable)
    payload = await exchange(
        ModbusRtuPlan(name="b", line=SerialPortPlan(port=os.ttyname(slave))), row
    )
    asyncio.get_running_loop().remove_reader(master)
    os.close(slave)
    os.close(master)
    assert payload == octets(row, "response_pdu")[2:]
    assert heard == octets(row, "rtu_request_unit17")
