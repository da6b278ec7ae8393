"""From an indication to raw words: types, word orders, scales, codes, current loops.

Written from the instrument's side: a value is turned into what the instrument
would put into its registers. ``shown`` says what number and quality word those
very words mean to a reader who knows the map.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from dewline_sim.modbus import Table

Type = Literal["bit", "int16", "uint16", "int32", "uint32", "float32", "float64"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]


class State(StrEnum):
    """Whether an instrument's value can be used, and if not, why."""

    SOUND = "sound"
    OVER = "over"
    UNDER = "under"
    FAULT = "fault"
    WARMING = "warming"
    OFF = "off"


QUALITY_OF_STATE: Mapping[State, str] = {
    State.SOUND: "good",
    State.OVER: "uncertain/over-range",
    State.UNDER: "uncertain/under-range",
    State.FAULT: "bad/instrument-fault",
    State.WARMING: "uncertain/warming-up",
    State.OFF: "bad/off",
}
#: Width in bits, and whether it is signed.
_BITS = {"int16": (16, True), "uint16": (16, False), "int32": (32, True), "uint32": (32, False)}
# Currents of a two-wire transmitter after NAMUR NE 43 (from memory): saturated just
# outside 3.8-20.5 mA, failed at or beyond 3.6 and 21 mA.
LOOP_MA = {State.OVER: 20.7, State.UNDER: 3.7, State.FAULT: 21.6, State.OFF: 0.0}
LOOP_QUALITY = {
    **QUALITY_OF_STATE, State.FAULT: "bad/loop-fault", State.OFF: "bad/loop-fault",
    State.WARMING: "good",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Register:
    """One value in the bank. ``per`` is what one count is worth, in ``unit``.

    ``factor`` takes the lab's unit for this role (ppm, mbar, °C, m³/h, ...) to
    ``unit``: shown in unit = lab x factor + shift. ``codes`` are raw words that
    stand for a state; ``code_quality`` what a reader makes of them where that
    is not the plain word. ``top`` and ``bottom`` are the readable ends, in the
    lab's unit; ``floor`` the lowest value that the instrument tells from zero.
    ``role`` is the lab's role (and its place, where it has its own) behind a register of
    another name; ``plain``: a number without a sensor behind it.
    """

    name: str
    table: Table
    address: int
    type: Type = "uint16"
    order: Order = "ABCD"
    per: float = 1.0
    factor: float = 1.0
    shift: float = 0.0
    bit: int = 0
    codes: dict[State, int] = field(default_factory=dict)
    code_quality: dict[State, str] = field(default_factory=dict)
    loop: tuple[float, float] | None = None
    top: float = math.inf
    bottom: float = -math.inf
    floor: float | None = None
    role: str = ""
    plain: bool = False

    @property
    def width(self) -> int:
        """Addresses taken."""
        return {"int32": 2, "uint32": 2, "float32": 2, "float64": 4}.get(self.type, 1)

    def words(self, value: float, state: State) -> list[int]:
        """The words in the registers; for a bit the bit itself."""
        if self.type == "bit":
            return [1 if abs(value) > 0.5 else 0]
        if self.loop is not None:
            return [round(self.milliamperes(value, state) / self.per)]
        if state in self.codes:
            return ordered_words(self.codes[state], self.width, self.order)
        return ordered_words(self.raw(value), self.width, self.order)

    def raw(self, value: float) -> int:
        """The value as an unsigned integer of the register's width."""
        number = (value * self.factor + self.shift) / self.per
        if self.type == "float32":
            return int.from_bytes(struct.pack(">f", number), "big")
        if self.type == "float64":
            return int.from_bytes(struct.pack(">d", number), "big")
        return self._counts(number) & ((1 << _BITS[self.type][0]) - 1)

    def _counts(self, number: float) -> int:
        bits, signed = _BITS[self.type]
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
        # A code may not come up by chance: the ends next to it are the last plain counts.
        taken = self.codes.values()
        while high in taken:
            high -= 1
        while signed and low & ((1 << bits) - 1) in taken:
            low += 1
        return min(high, max(low, round(number)))

    def milliamperes(self, value: float, state: State) -> float:
        """The loop current; saturates outside the span as NE 43 has it."""
        if state in LOOP_MA:
            return LOOP_MA[state]
        assert self.loop is not None
        low, high = self.loop
        current = 4.0 + 16.0 * (value - low) / (high - low)
        return min(LOOP_MA[State.OVER], max(LOOP_MA[State.UNDER], current))

    def shown(self, value: float, state: State) -> tuple[float | None, str]:
        """The number (lab's unit) and quality word that a reader of these words gets.

        No number where the words stand for a state without one, or the loop current
        is outside its range. Written from the map, not by decoding ``words``.
        """
        if self.type == "bit":
            return (1.0 if abs(value) > 0.5 else 0.0), "good"
        if self.loop is not None:
            return self._shown_by_loop(value, state)
        if state in self.codes:
            quality = self.code_quality.get(state, QUALITY_OF_STATE[state])
            return {State.OVER: self.top, State.UNDER: self.bottom}.get(state), quality
        if self.type in ("float32", "float64"):
            number = value  # finer than any sensor here
        else:
            counts = self._counts((value * self.factor + self.shift) / self.per)
            number = (counts * self.per - self.shift) / self.factor
        # A value further below zero than the floor is no zero: the instrument has drifted.
        if (
            self.floor is not None
            and number <= self.floor
            and (self.floor < 0 or -number <= self.floor)
        ):
            return self.floor, "good/low"
        return number, "good"

    def _shown_by_loop(self, value: float, state: State) -> tuple[float | None, str]:
        assert self.loop is not None
        low, high = self.loop
        current = round(self.milliamperes(value, state) / self.per) * self.per
        if current > 20.5:
            state = State.OVER if current <= 21.0 else State.FAULT
        elif current < 3.8:
            state = State.UNDER if current >= 3.6 else State.FAULT
        else:
            return low + (current - 4.0) / 16.0 * (high - low), "good"
        ends = {State.OVER: high, State.UNDER: low}
        return ends.get(state), LOOP_QUALITY[state]


def ordered_words(raw: int, width: int, order: Order) -> list[int]:
    """An unsigned integer of ``width`` words in the order an instrument sends them."""
    if width == 1:
        return [raw]
    words = [raw >> 16 * i & 0xFFFF for i in reversed(range(width))]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [(w >> 8) | (w & 0xFF) << 8 for w in words]
    return words


def check_map(registers: tuple[Register, ...]) -> None:
    """ValueError where two registers of a map lie on each other (status bits may share)."""
    taken: dict[tuple[str, int], Register] = {}
    for register in registers:
        for address in range(register.address, register.address + register.width):
            other = taken.setdefault((register.table, address), register)
            bits = register.type == other.type == "bit" and register.bit != other.bit
            if other is not register and not bits:
                raise ValueError(f"{register.name} lies on {other.name}")
