"""From the bytes of a reply to qualified readings.

Each register is judged in this order: sentinel on the raw value at the register's own width,
not a number, scale and offset, loop current by NAMUR NE 43, canonical unit, valid range, floor.
A reading ``good/low`` has the value of the floor; ``over-range`` and ``under-range`` have the
value of that end of the range. All functions here are pure and raise nothing but BadFrame.
"""

from __future__ import annotations

import re
import struct
import sys
from collections.abc import Callable
from math import inf, isfinite, nextafter
from operator import itemgetter

from dewline.bus.plan import Block
from dewline.config.plan import AsciiProfile, InstrumentPlan, RegisterPlan
from dewline.errors import BadFrame
from dewline.readings import Quality, Reading

Raw = int | float
Qualify = Callable[[Raw], Reading]
Decode = Callable[[bytes], Reading]
DecodeBlock = Callable[[bytes], tuple[Reading, ...]]

_FORMATS = {
    "int16": "h",
    "uint16": "H",
    "int32": "i",
    "uint32": "I",
    "float32": "f",
    "float64": "d",
    "bit": "H",
}
_SMALLEST_NORMAL = {"float32": 2.0**-126, "float64": sys.float_info.min}  # IEEE 754
_BAD_NUMBER = Reading(None, Quality.NOT_A_NUMBER)
_BAD_LOOP = Reading(None, Quality.LOOP_FAULT)


def compile_block(instrument: InstrumentPlan, block: Block) -> DecodeBlock:
    """A function from a checked payload to the readings of ``block.registers``, in their order.

    The payload has the length that ``block`` asks for. Compiled once for each block, because the
    function runs at every poll. The function raises BadFrame only for a line of text that does
    not fit its pattern.
    """
    if instrument.ascii is not None:
        return _compile_line(instrument.ascii, block.registers)
    if block.table in ("coil", "discrete"):
        decoders = [_compile_coil(r, r.address - block.address) for r in block.registers]
    elif (plain := _compile_plain(block)) is not None:
        return plain
    else:
        decoders = [_compile_words(r, 2 * (r.address - block.address)) for r in block.registers]

    def decode(payload: bytes) -> tuple[Reading, ...]:
        return tuple([one(payload) for one in decoders])

    return decode


def _compile_plain(block: Block) -> DecodeBlock | None:
    """Unpacks a block of single words in one go, as most blocks are; None for any other one."""
    form, end = ">", block.address
    for register in block.registers:
        if register.type not in ("int16", "uint16") or register.bit is not None:
            return None
        if register.address < end:  # one word that is read twice
            return None
        form += f"{2 * (register.address - end)}x{_FORMATS[register.type]}"
        end = register.address + 1
    unpack = struct.Struct(form).unpack  # a block ends with its last register
    qualifiers = [compile_qualify(register) for register in block.registers]

    def decode(payload: bytes) -> tuple[Reading, ...]:
        raws = unpack(payload)
        return tuple([one(raw) for one, raw in zip(qualifiers, raws, strict=True)])

    return decode


def byte_order(word_order: str | None, size: int) -> tuple[int, ...]:
    """Place, among ``size`` bytes as sent, of each byte of the big-endian value.

    ABCD as sent, CDAB words reversed, BADC bytes swapped within each word, DCBA all reversed.
    """
    sent = tuple(range(size))
    if word_order == "DCBA":
        return sent[::-1]
    if word_order == "BADC":
        return tuple(i ^ 1 for i in sent)
    if word_order == "CDAB":
        return tuple(i ^ 1 for i in sent[::-1])
    return sent


def _compile_words(register: RegisterPlan, start: int) -> Decode:
    number = struct.Struct(">" + _FORMATS[register.type])
    qualify = compile_qualify(register)
    if number.size == 2:
        unpack_from = number.unpack_from
        if (bit := register.bit) is not None:
            return lambda payload: qualify(unpack_from(payload, start)[0] >> bit & 1)
        return lambda payload: qualify(unpack_from(payload, start)[0])
    pick = itemgetter(*(start + i for i in byte_order(register.word_order, number.size)))
    unpack = number.unpack
    if register.type.startswith("float") and register.sentinels:
        return _float_with_sentinels(register, pick, number, qualify)
    return lambda payload: qualify(unpack(bytes(pick(payload)))[0])


def _float_with_sentinels(
    register: RegisterPlan,
    pick: Callable[[bytes], tuple[int, ...]],
    number: struct.Struct,
    qualify: Qualify,
) -> Decode:
    """A sentinel of a float may be written as its bits or as its value."""

    def decode(payload: bytes) -> Reading:
        raw = bytes(pick(payload))
        quality = register.sentinels.get(int.from_bytes(raw, "big"))
        if quality is not None:
            return _at_end(register, quality)
        return qualify(number.unpack(raw)[0])

    return decode


def _compile_coil(register: RegisterPlan, index: int) -> Decode:
    qualify = compile_qualify(register)
    byte, bit = divmod(index, 8)  # least significant first: Application Protocol V1.1b3, 6.1
    return lambda payload: qualify(payload[byte] >> bit & 1)


def compile_qualify(register: RegisterPlan) -> Qualify:
    """A function from the raw number of a register to its reading in the canonical unit.

    Not a number: NaN, infinities, and floats too small to be normal, which a wrong word order
    makes.
    """
    sentinels: dict[Raw, Quality] = {
        _signed(register, key): quality for key, quality in register.sentinels.items()
    }
    smallest = _SMALLEST_NORMAL.get(register.type, 0.0)
    measure = _compile_loop(register) if register.loop else _compile_scale(register)
    if not sentinels and not smallest:
        return measure  # an integer is finite and never too small; a scale is checked after it

    def qualify(raw: Raw) -> Reading:
        if sentinels and (quality := sentinels.get(raw)) is not None:
            return _at_end(register, quality)
        if not isfinite(raw) or 0.0 < abs(raw) < smallest:  # a denormal is a wrong word order
            return _BAD_NUMBER
        return measure(raw)

    return qualify


def _signed(register: RegisterPlan, key: int) -> int:
    """A sentinel written as unsigned bits, as the signed number it decodes to."""
    bits = 16 * register.words
    if register.type in ("int16", "int32") and key >= 1 << (bits - 1):
        return key - (1 << bits)
    return key


def _compile_scale(register: RegisterPlan) -> Callable[[Raw], Reading]:
    scale, offset = register.scale, register.offset
    factor, shift = register.factor, register.shift
    judge, make, good = _compile_range(register), tuple.__new__, Quality.GOOD
    # Nearly every reading lies between the ends; it is made here, without a further call.
    bottom, top = register.valid or (-sys.float_info.max, sys.float_info.max)
    if register.floor is not None:
        bottom = max(bottom, nextafter(register.floor, inf))

    def measure(raw: Raw) -> Reading:
        value = (raw * scale + offset) * factor + shift
        if bottom <= value <= top:
            return make(Reading, (value, good))
        return judge(value)

    return measure


def _compile_loop(register: RegisterPlan) -> Callable[[Raw], Reading]:
    """4-20 mA with the bands of NAMUR NE 43 (from memory); failure at 3.6 and 21.0 themselves."""
    scale, offset = register.scale, register.offset
    low, high = register.span or (0.0, 1.0)
    judge = _compile_range(register)

    def measure(raw: Raw) -> Reading:
        current_ma = round(raw * scale + offset, 6)  # 3600 x 0.001 is 3.6, not a hair above
        if not 3.6 < current_ma < 21.0:
            return _BAD_LOOP
        if current_ma < 3.8:
            return Reading(low, Quality.UNDER_RANGE)
        if current_ma > 20.5:
            return Reading(high, Quality.OVER_RANGE)
        return judge(low + (high - low) * (current_ma - 4.0) / 16.0)

    return measure


def _compile_range(register: RegisterPlan) -> Callable[[float], Reading]:
    floor, floor_from = register.floor, register.floor_from
    bottom, top = register.valid or (float("-inf"), float("inf"))

    def judge(value: float) -> Reading:
        if not isfinite(value):  # a scale can overflow a float64
            return _BAD_NUMBER
        if value > top:
            return Reading(top, Quality.OVER_RANGE)
        if value < bottom:
            return Reading(bottom, Quality.UNDER_RANGE)
        if floor is not None and floor_from <= value <= floor:
            return Reading(floor, Quality.LOW)
        return Reading(value, Quality.GOOD)

    return judge


def _at_end(register: RegisterPlan, quality: Quality) -> Reading:
    """What a sentinel says; one of the range says it with the value at that end."""
    ends = register.valid or (register.span if register.loop else None)
    if ends is not None and quality is Quality.OVER_RANGE:
        return Reading(max(ends), quality)
    if ends is not None and quality is Quality.UNDER_RANGE:
        return Reading(min(ends), quality)
    if quality is Quality.LOW and register.floor is not None:
        return Reading(register.floor, quality)
    return Reading(None, quality)


def _compile_line(profile: AsciiProfile, registers: tuple[RegisterPlan, ...]) -> DecodeBlock:
    pattern = re.compile(profile.pattern)
    fields = [(r.name, _compile_field(r)) for r in registers]

    def decode(line: bytes) -> tuple[Reading, ...]:
        match = pattern.fullmatch(line.decode("ascii", "replace"))
        if match is None:
            raise BadFrame("a line that does not fit the pattern")
        groups = match.groupdict()
        return tuple([field(groups.get(name)) for name, field in fields])

    return decode


def _compile_field(register: RegisterPlan) -> Callable[[str | None], Reading]:
    qualify = compile_qualify(register)
    labels = {text: float(code) for code, text in register.states.items()}

    def field(text: str | None) -> Reading:
        word = (text or "").strip()
        if word in labels:
            return qualify(labels[word])
        try:
            return qualify(float(word)) if "_" not in word else _BAD_NUMBER
        except ValueError:
            return _BAD_NUMBER

    return field
