"""Frames, check sums and word orders against published values."""

from __future__ import annotations

import struct
from typing import Literal, get_args

import pytest

from dewline_sim.instruments.registers import Register, State, ordered_words
from dewline_sim.modbus import Unit, Words, crc16, packed_words, rtu_frame, tcp_frame

Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]


def bits_of(start: int, count: int, data: str) -> dict[int, int]:
    """Addresses and bits of a published reply."""
    raw = int.from_bytes(bytes.fromhex(data), "little")
    return {start + i: raw >> i & 1 for i in range(count)}


BANK: Words = {
    "coil": bits_of(0x13, 0x13, "CD6B05"),
    "discrete": bits_of(0xC4, 0x16, "ACDB35"),
    "holding": {0x6B: 0x022B, 0x6C: 0x0000, 0x6D: 0x0064},
    "input": {0x08: 0x000A},
}
# MODBUS Application Protocol V1.1b3, examples of the clauses named.
EXAMPLES = [
    ("6.1", "01 00 13 00 13", "01 03 CD 6B 05"),
    ("6.2", "02 00 C4 00 16", "02 03 AC DB 35"),
    ("6.3", "03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    ("6.4", "04 00 08 00 01", "04 02 00 0A"),
    ("7", "01 04 A1 00 01", "81 02"),
]


@pytest.mark.parametrize(("clause", "request_pdu", "response_pdu"), EXAMPLES)
def test_published_requests_get_their_published_replies(
    clause: str, request_pdu: str, response_pdu: str
) -> None:
    """The examples of MODBUS Application Protocol V1.1b3 §6 and §7 are answered byte for byte."""
    unit = Unit(lambda: BANK)
    assert unit.answer(bytes.fromhex(request_pdu)) == bytes.fromhex(response_pdu)


@pytest.mark.parametrize(
    "request_pdu",
    [
        "05 00 AC FF 00",
        "06 00 01 00 03",
        "0F 00 13 00 0A 02 CD 01",
        "10 00 01 00 02 04 00 0A 01 02",
    ],
)
def test_every_write_is_refused(request_pdu: str) -> None:
    """The write examples of V1.1b3 §6.5, 6.6, 6.11, 6.12 get exception 1, and are counted."""
    unit = Unit(lambda: BANK)
    pdu = bytes.fromhex(request_pdu)
    assert unit.answer(pdu) == bytes((pdu[0] | 0x80, 1))
    assert unit.counts[pdu[0]] == 1


@pytest.mark.parametrize(
    ("request_pdu", "code"),
    [
        ("2B 0E 01 00", 1),  # a function that is not there, before anything else
        ("03 00 00 00 00", 3),  # no registers, at an address that is not there
        ("03 00 00 00 7E", 3),  # 126 registers
        ("01 00 00 07 D1", 3),  # 2001 coils
        ("03 00 00 00 01", 2),  # an address that is not there
        ("03 00 6C 00 03", 2),  # running out of the bank
    ],
)
def test_checks_come_in_the_published_order(request_pdu: str, code: int) -> None:
    """V1.1b3 state diagrams: function (1), then quantity (3), then address (2)."""
    pdu = bytes.fromhex(request_pdu)
    answer = Unit(lambda: BANK).answer(pdu)
    assert answer == bytes((pdu[0] | 0x80, code))


@pytest.mark.parametrize(
    ("data", "on_wire"),
    [
        (b"123456789", "37 4B"),  # the catalogue's check value 4B37 of CRC-16/MODBUS
        (b"\x02\x07", "41 12"),  # serial line guide V1.02, §6.2.2
        (b"\xff\xff", "00 00"),
        (b"", "FF FF"),
    ],
)
def test_check_sum(data: bytes, on_wire: str) -> None:
    """CRC-16 of the serial line guide V1.02 §6.2.2, low byte first."""
    assert crc16(data) == bytes.fromhex(on_wire)


def test_frames() -> None:
    """RTU and TCP forms of the §6.3 example for unit 17; CRC checked with crcmod."""
    pdu = bytes.fromhex("03 06 02 2B 00 00 00 64")
    assert rtu_frame(17, pdu) == bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
    assert tcp_frame(b"\0\1", 17, pdu) == bytes.fromhex(
        "00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64"
    )


@pytest.mark.parametrize(
    ("value", "order", "sent"),
    [
        # IEEE 754 bytes by Python's struct and numpy alike.
        (123.456, "ABCD", "42 F6 E9 79"),
        (123.456, "CDAB", "E9 79 42 F6"),
        (123.456, "BADC", "F6 42 79 E9"),
        (123.456, "DCBA", "79 E9 F6 42"),
        (20.946, "CDAB", "91 68 41 A7"),
        (-35.0, "BADC", "0C C2 00 00"),
        (1013.25, "DCBA", "00 50 7D 44"),
    ],
)
def test_word_orders(value: float, order: Order, sent: str) -> None:
    """A float leaves in the word order of its register."""
    register = Register(name="x", table="input", address=0, type="float32", order=order)
    assert packed_words(register.words(value, State.SOUND)) == bytes.fromhex(sent)


def test_a_double_reversed_is_little_endian() -> None:
    """DCBA of four words is the little-endian IEEE 754 double."""
    register = Register(name="x", table="input", address=0, type="float64", order="DCBA")
    assert packed_words(register.words(1234.5, State.SOUND)) == struct.pack("<d", 1234.5)


def test_orders_of_an_integer() -> None:
    """The four orders of one double word, written out."""
    sent = {o: packed_words(ordered_words(0x0A0B0C0D, 2, o)).hex() for o in get_args(Order)}
    assert sent == {
        "ABCD": "0a0b0c0d",
        "CDAB": "0c0d0a0b",
        "BADC": "0b0a0d0c",
        "DCBA": "0d0c0b0a",
    }


def test_a_code_never_comes_up_by_chance() -> None:
    """A value beyond the type's range stops short of the words that stand for a state."""
    register = Register(
        name="x", table="holding", address=0, type="int16", per=0.01, codes={State.OVER: 0x7FFF}
    )
    assert register.words(1e6, State.SOUND) == [0x7FFE]
    assert register.words(0.0, State.OVER) == [0x7FFF]
    assert register.words(-1e6, State.SOUND) == [0x8000]


@pytest.mark.parametrize(
    ("value", "state", "counts", "quality"),
    [
        (0.0, State.SOUND, 4_000, "good"),
        (50.0, State.SOUND, 12_000, "good"),
        (100.0, State.SOUND, 20_000, "good"),
        (130.0, State.SOUND, 20_700, "uncertain/over-range"),
        (-9.0, State.SOUND, 3_700, "uncertain/under-range"),
        (50.0, State.FAULT, 21_600, "bad/loop-fault"),
        (50.0, State.OFF, 0, "bad/loop-fault"),
    ],
)
def test_current_loop(value: float, state: State, counts: int, quality: str) -> None:
    """4-20 mA in microamperes; saturation and failure levels after NAMUR NE 43 (from memory)."""
    register = Register(name="f", table="input", address=0, per=0.001, loop=(0.0, 100.0))
    assert register.words(value, state) == [counts]
    assert register.shown(value, state)[1] == quality
