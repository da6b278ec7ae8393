"""Decoding and qualifying one register, at its own width."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block, plan_reads
from dewline.config.plan import AsciiProfile, InstrumentPlan, RegisterPlan
from dewline.errors import BadFrame
from dewline.readings import Quality, Reading
from tests.bus.one_register import decode_register

ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
FORMATS = {"int32": ">i", "uint32": ">I", "float32": ">f", "float64": ">d"}
NAN = Reading(None, Quality.NOT_A_NUMBER)


def _register(**changes: Any) -> RegisterPlan:
    shape: dict[str, Any] = {"name": "r", "table": "input", "address": 0}
    return RegisterPlan(**(shape | changes))


def _as_sent(raw: bytes, order: str) -> list[int]:
    """The words of a big-endian value in a word order, by the letters: A is the first byte."""
    pairs = [raw[i : i + 2] for i in range(0, len(raw), 2)]
    if order in ("CDAB", "DCBA"):
        pairs.reverse()
    if order in ("BADC", "DCBA"):
        pairs = [pair[::-1] for pair in pairs]
    return [int.from_bytes(pair, "big") for pair in pairs]


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("kind", FORMATS)
@given(data=st.data())
def test_every_order_of_every_wide_type(kind: str, order: str, data: Any) -> None:
    """ABCD as sent, CDAB words reversed, BADC bytes swapped in each word, DCBA all reversed."""
    size = struct.calcsize(FORMATS[kind])
    raw = data.draw(st.binary(min_size=size, max_size=size))
    (value,) = struct.unpack(FORMATS[kind], raw)
    reading = decode_register(_register(type=kind, word_order=order), _as_sent(raw, order))
    least = {"float32": 2.0**-126, "float64": 2.0**-1022}.get(kind, 0)
    if math.isfinite(value) and not 0 < abs(value) < least:
        assert reading == Reading(float(value), Quality.GOOD)
    else:
        assert reading == NAN


@pytest.mark.parametrize(
    ("changes", "word", "value"),
    [
        ({"type": "uint16"}, 0xFFFE, 65534),
        ({"type": "int16"}, 0xFFFE, -2),
        ({"type": "int16", "scale": 0.1}, 0xFF38, -20.0),
        ({"type": "uint16", "scale": 0.1, "offset": -273.15}, 2951, 21.95),
        # 68 degF in tenths: 20 degC by (F - 32) x 5/9
        ({"type": "int16", "scale": 0.1, "factor": 5 / 9, "shift": -160 / 9}, 680, 20.0),
        ({"type": "bit", "bit": 0}, 0b1010, 0),
        ({"type": "bit", "bit": 3}, 0b1010, 1),
        ({"type": "uint16", "bit": 15}, 0x8000, 1),
        ({"type": "bit", "table": "coil"}, 1, 1),
        ({"type": "bit", "table": "discrete"}, 0, 0),
    ],
)
def test_raw_to_canonical(changes: dict[str, Any], word: int, value: float) -> None:
    """value = raw x scale + offset, then x factor + shift; a bit is 0 or 1."""
    reading = decode_register(_register(**changes), [word])
    assert reading.quality is Quality.GOOD
    assert reading.value == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "key", "words"),
    [
        ("int16", 32767, [0x7FFF]),
        ("int16", -32768, [0x8000]),
        ("int16", 0x8000, [0x8000]),
        ("uint16", 65535, [0xFFFF]),
        ("int32", -2147483648, [0x8000, 0]),
        ("int32", 0x80000000, [0x8000, 0]),
        ("float32", 0x7FC00000, [0x7FC0, 0]),  # its bits
        ("float32", 9999, [0x461C, 0x3C00]),  # its value
        ("float32", -999, [0xC479, 0xC000]),
    ],
)
def test_sentinels_are_judged_on_the_raw_value(kind: Any, key: int, words: list[int]) -> None:
    """A sentinel speaks before scaling, and an ordinary neighbour does not."""
    register = _register(
        type=kind, word_order="ABCD", scale=0.1, sentinels={key: Quality.INSTRUMENT_FAULT}
    )
    assert decode_register(register, words) == Reading(None, Quality.INSTRUMENT_FAULT)
    calm = decode_register(register, [*words[:-1], words[-1] ^ 2])
    assert calm.quality is not Quality.INSTRUMENT_FAULT


def test_range_sentinels_stand_at_the_end_of_the_range() -> None:
    """A saturated cell shouts: over-range carries the top, under-range the bottom."""
    sentinels = {32767: Quality.OVER_RANGE, -32768: Quality.UNDER_RANGE, 5: Quality.LOW}
    sentinels[6] = Quality.INSTRUMENT_FAULT
    register = _register(type="int16", valid=(-2.0, 1000.0), floor=0.1, sentinels=sentinels)
    assert decode_register(register, [0x7FFF]) == Reading(1000.0, Quality.OVER_RANGE)
    assert decode_register(register, [0x8000]) == Reading(-2.0, Quality.UNDER_RANGE)
    assert decode_register(register, [5]) == Reading(0.1, Quality.LOW)
    assert decode_register(register, [6]) == Reading(None, Quality.INSTRUMENT_FAULT)


def test_range_sentinels_of_a_loop_stand_at_the_ends_of_its_span() -> None:
    """A loop without ``valid`` ranges over its span, also where 4 mA is the higher end."""
    sentinels = {65535: Quality.OVER_RANGE, 65534: Quality.UNDER_RANGE}
    register = _register(scale=0.001, loop="4-20mA", span=(30.0, 10.0), sentinels=sentinels)
    assert decode_register(register, [65535]) == Reading(30.0, Quality.OVER_RANGE)
    assert decode_register(register, [65534]) == Reading(10.0, Quality.UNDER_RANGE)


@pytest.mark.parametrize(
    ("raw", "reading"),
    [
        (-3, Reading(-2.0, Quality.UNDER_RANGE)),
        (-2, Reading(-2.0, Quality.GOOD)),
        (-1, Reading(-1.0, Quality.GOOD)),
        (0, Reading(0.5, Quality.LOW)),
        (1, Reading(1.0, Quality.GOOD)),
        (1000, Reading(1000.0, Quality.GOOD)),
        (1001, Reading(1000.0, Quality.OVER_RANGE)),
    ],
)
def test_valid_and_floor(raw: int, reading: Reading) -> None:
    """Outside ``valid`` is uncertain at that end; within ``floor`` of zero is low, at the floor."""
    register = _register(type="int16", valid=(-2.0, 1000.0), floor=0.5)
    assert decode_register(register, [raw & 0xFFFF]) == reading


@pytest.mark.parametrize("shape", [{}, {"scale": 0.001, "loop": "4-20mA", "span": (5.0, 25.0)}])
def test_the_ends_belong_to_the_valid_range_and_the_floor_to_low(shape: dict[str, Any]) -> None:
    """On the top or the bottom is good, on the floor is low, by a number and by a loop alike."""
    low, middle, top = (4000, 12000, 20000) if shape else (5, 15, 25)
    register = _register(**shape, valid=(5.0, 25.0))
    assert decode_register(register, [low]) == Reading(5.0, Quality.GOOD)
    assert decode_register(register, [top]) == Reading(25.0, Quality.GOOD)
    register = _register(**shape, floor=15.0)
    assert decode_register(register, [middle]) == Reading(15.0, Quality.LOW)
    assert decode_register(register, [middle + 1]).quality is Quality.GOOD


@pytest.mark.parametrize("kind", ["float32", "float64"])
def test_only_what_is_smaller_than_every_normal_number_is_none(kind: str) -> None:
    """The smallest normal number of IEEE 754 is one, its lower neighbour is not."""
    register = _register(type=kind, word_order="ABCD")
    words, significand = (2, 23) if kind == "float32" else (4, 52)
    smallest = 1 << significand  # an exponent of 1, and no fraction
    for bits, good in ((smallest, True), (smallest - 1, False)):
        sent = list(struct.unpack(f">{words}H", bits.to_bytes(2 * words, "big")))
        assert (decode_register(register, sent).quality is Quality.GOOD) == good


@pytest.mark.parametrize(
    ("microamperes", "value", "quality"),
    [
        (0, None, Quality.LOOP_FAULT),
        (3600, None, Quality.LOOP_FAULT),
        (3601, -20.0, Quality.UNDER_RANGE),
        (3799, -20.0, Quality.UNDER_RANGE),
        (3800, -20.5, Quality.GOOD),
        (4000, -20.0, Quality.GOOD),
        (12000, 0.0, Quality.GOOD),
        (20000, 20.0, Quality.GOOD),
        (20500, 21.25, Quality.GOOD),
        (20501, 20.0, Quality.OVER_RANGE),
        (20999, 20.0, Quality.OVER_RANGE),
        (21000, None, Quality.LOOP_FAULT),
        (65535, None, Quality.LOOP_FAULT),
    ],
)
def test_loop_bands(microamperes: int, value: float | None, quality: Quality) -> None:
    """Bands of NAMUR NE 43 (from memory) on a loop read in microamperes, span -20 to 20 mbar."""
    register = _register(type="uint16", scale=0.001, loop="4-20mA", span=(-20.0, 20.0))
    reading = decode_register(register, [microamperes])
    assert reading.quality is quality
    assert reading.value == (None if value is None else pytest.approx(value, abs=1e-9))


def test_a_loop_in_counts() -> None:
    """``scale`` and ``offset`` make mA of counts: here 0 is 4 mA and 4000 is 20 mA."""
    register = _register(scale=0.004, offset=4.0, loop="4-20mA", span=(0.0, 1.0))
    assert decode_register(register, [1000]) == Reading(0.25, Quality.GOOD)
    assert decode_register(register, [4250]) == Reading(None, Quality.LOOP_FAULT)


@given(st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2), st.sampled_from(ORDERS))
def test_no_bytes_make_anything_but_a_reading(words: list[int], order: str) -> None:
    """Whatever comes: a finite value in range, or none with a bad quality; never an exception."""
    register = _register(type="float32", word_order=order, valid=(-2.0, 1e6), scale=1e30)
    reading = decode_register(register, words)
    if reading.value is None:
        assert reading.quality >= Quality.NO_ANSWER
    else:
        assert -2.0 <= reading.value <= 1e6


def test_scale_overflow_is_no_number() -> None:
    """Infinity out of a scale is as little a number as one from the wire."""
    register = _register(type="float64", word_order="ABCD", scale=1e10)
    words = list(struct.unpack(">4H", struct.pack(">d", 1e305)))
    assert decode_register(register, words) == NAN


def _line(text: str, *registers: RegisterPlan, pattern: str) -> tuple[Reading, ...]:
    feeds: dict[str, tuple[str, ...]] = {r.name: (f"heron.{r.name}",) for r in registers}
    plan = InstrumentPlan(
        name="i", bus="b", profile="p", registers=registers, feeds=feeds,
        ascii=AsciiProfile(pattern=pattern),
    )  # fmt: skip
    return compile_block(plan, plan_reads(plan)[0])(text.encode("latin-1"))


def test_lines_give_named_fields() -> None:
    """Named groups are registers, in whatever order; labels of ``states`` are their codes."""
    frost = _register(name="frost", valid=(-120.0, 40.0))
    mode = _register(name="mode", states={0: "IDLE", 2: "REGEN"})
    pattern = r"(?P<mode>\w+) FP (?P<frost>\S+)"
    good = (Reading(-76.2, Quality.GOOD), Reading(2.0, Quality.GOOD))
    assert _line("REGEN FP -076.2", frost, mode, pattern=pattern) == good
    near = (Reading(-0.01, Quality.GOOD), Reading(0.0, Quality.GOOD))
    assert _line("IDLE FP -0.01", frost, mode, pattern=pattern) == near
    assert _line("IDLE FP -150", frost, mode, pattern=pattern)[0] == Reading(
        -120.0, Quality.UNDER_RANGE
    )


@pytest.mark.parametrize("text", ["nan", "inf", "-Infinity", "----", "1_0", "0x10", "1,5"])
def test_a_field_that_is_no_number(text: str) -> None:
    """Only a plain decimal number is one."""
    assert _line(text, _register(name="v"), pattern="(?P<v>.*)") == (NAN,)


@pytest.mark.parametrize("text", ["", "FP", "FP 1 x", "FP \xff"])
def test_a_line_that_does_not_fit_is_a_bad_frame(text: str) -> None:
    """The whole line must fit the pattern."""
    with pytest.raises(BadFrame, match=r"^a line that does not fit the pattern$"):
        _line(text, _register(name="v"), pattern=r"FP (?P<v>\d+)")


def _block_of(registers: Iterable[RegisterPlan]) -> tuple[InstrumentPlan, Block]:
    registers = tuple(registers)
    feeds: dict[str, tuple[str, ...]] = {r.name: (f"heron.{r.name}",) for r in registers}
    plan = InstrumentPlan(name="panel", bus="b", profile="p", registers=registers, feeds=feeds)
    (block,) = plan_reads(plan)
    return plan, block


SINGLE: list[dict[str, Any]] = [
    {"type": "uint16", "scale": 0.01, "valid": (0.0, 500.0), "floor": 0.05},
    {"type": "int16", "sentinels": {0x7FFF: Quality.OVER_RANGE}, "valid": (-50.0, 50.0)},
    {"type": "uint16", "scale": 0.001, "loop": "4-20mA", "span": (0.0, 100.0)},
    {"type": "int16", "floor": -3.0, "offset": 1.5, "factor": 0.5, "shift": -2.0},
    {"type": "uint16"},
]
MIXED: list[dict[str, Any]] = [
    {"type": "float32", "word_order": "CDAB"},
    {"type": "uint32", "word_order": "ABCD"},
    {"type": "float64", "word_order": "DCBA"},
    {"type": "bit", "bit": 3},
    {"type": "int16"},
]


@pytest.mark.parametrize("shapes", [SINGLE, MIXED], ids=["single", "mixed"])
@given(data=st.data())
def test_a_block_reads_each_register_as_if_alone(shapes: list[dict[str, Any]], data: Any) -> None:
    """Whatever lies beside it, holes too: every register as from its own words."""
    picked = data.draw(st.lists(st.sampled_from(shapes), min_size=1, max_size=8))
    gaps = data.draw(st.lists(st.integers(0, 4), min_size=len(picked), max_size=len(picked)))
    registers, address = [], 40
    for number, (shape, gap) in enumerate(zip(picked, gaps, strict=True)):
        registers.append(_register(name=f"r{number}", address=address, **shape))
        address += registers[-1].words + gap
    plan, block = _block_of(registers)
    word = st.one_of(st.integers(0, 9), st.integers(3500, 21500), st.integers(0, 0xFFFF))
    words = data.draw(st.lists(word, min_size=block.count, max_size=block.count))
    starts = [r.address - block.address for r in block.registers]
    alone = [
        decode_register(r, words[start : start + r.words], read_twice=True)
        for r, start in zip(block.registers, starts, strict=True)
    ]
    assert list(compile_block(plan, block)(struct.pack(f">{block.count}H", *words))) == alone


def test_coils_are_packed_from_the_least_significant_bit() -> None:
    """The example of Modbus Application Protocol V1.1b3, 6.1 (from memory): outputs 20 to 38."""
    states = "1011001111010110101"  # in their order, the first one is that of output 20
    plan, block = _block_of(
        _register(name=f"o{20 + i}", table="coil", type="bit", address=19 + i)
        for i in range(len(states))
    )
    readings = compile_block(plan, block)(bytes.fromhex("CD6B05"))
    assert [reading.value for reading in readings] == [int(state) for state in states]
