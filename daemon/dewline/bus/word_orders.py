"""Whether the floats of an instrument make sense in the word order of its profile.

A wrong word order gives a number all the same, such as -1.6e-24 ppm, which is in range and looks
like clean gas. So the first answers of an instrument are read in every order: where the profile's
makes no sense and another one does, somebody has to look into the manual.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from math import isfinite, isnan

from dewline.bus.decode import byte_order
from dewline.bus.plan import Block
from dewline.config.plan import InstrumentPlan, RegisterPlan, WordOrder

# Of so many answers another order has to make sense in all, and the profile's in no more than half:
# by accident a wrong one makes sense now and then, the right one always.
ANSWERS = 10
MOST_ANSWERS = 5000  # then what is all zeros so far, as of an instrument warming up, is left alone
ORDERS: tuple[WordOrder, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
# Values that instruments show, by canonical unit; common practice, no source. Nearer to zero than
# LEAST, other than zero, is nothing that an instrument measures.
USUAL = {
    "ppm": (-1e3, 1e6),
    "mbar": (-1.1e3, 1e6),
    "degC": (-274.0, 2e3),
    "%": (-50.0, 250.0),
}
MOST = 1e9
LEAST = 1e-6
CLEARLY = 1e-4  # how far from zero the value of another order has to be to count


@dataclass(slots=True)
class _Float:
    """One register: how many answers counted, and in how many each order made sense."""

    register: RegisterPlan
    answers: int = 0
    fits: dict[WordOrder, int] = field(default_factory=lambda: dict.fromkeys(ORDERS, 0))
    last: dict[WordOrder, float] = field(default_factory=dict)

    def observe(self, raw: bytes) -> None:
        """Count one answer; zeros and sentinels say nothing."""
        register = self.register
        own = register.word_order or "ABCD"
        if not any(raw) or int.from_bytes(_picked(raw, own), "big") in register.sentinels:
            return
        self.answers += 1
        for order in ORDERS:
            value = _value(register, _picked(raw, order))
            self.last[order] = value
            self.fits[order] += (
                _own_fits(register, value) if order == own else _other_fits(register, value)
            )

    def misread(self) -> str | None:
        """What is wrong with the word order, in words; None where nothing is."""
        own, unit = self.register.word_order or "ABCD", self.register.canonical_unit
        others = [order for order in ORDERS if self.fits[order] == self.answers]
        if self.answers < ANSWERS or self.fits[own] > ANSWERS // 2 or not others:
            return None
        shown = ", ".join(f"{self.last[order]:.3g} {unit} as {order}".strip() for order in others)
        return f"{self.register.name} is {self.last[own]:.3g} {unit} as {own}, but {shown}"


class WordOrderCheck:
    """Compares the floats of one instrument in its first answers; ``done`` when it has."""

    def __init__(self, instrument: InstrumentPlan) -> None:
        self._floats = {r.name: _Float(r) for r in instrument.floats}
        self._seen = 0

    @property
    def done(self) -> bool:
        """Whether every float was seen often enough, or none is going to be."""
        return self._seen >= MOST_ANSWERS or all(
            one.answers >= ANSWERS for one in self._floats.values()
        )

    def observe(self, block: Block, payload: bytes) -> None:
        """Take in a checked answer to ``block``."""
        self._seen += 1
        for register in block.registers:
            one = self._floats.get(register.name)
            if one is not None and one.answers < ANSWERS:
                start = 2 * (register.address - block.address)
                one.observe(payload[start : start + 2 * register.words])

    def misread(self) -> list[str]:
        """The registers that make sense only in another word order, each with its values."""
        found = (one.misread() for one in self._floats.values())
        return [text for text in found if text is not None]


def _picked(raw: bytes, order: WordOrder) -> bytes:
    return bytes(raw[i] for i in byte_order(order, len(raw)))


def _value(register: RegisterPlan, raw: bytes) -> float:
    number: float = struct.unpack(">f" if len(raw) == 4 else ">d", raw)[0]
    return (number * register.scale + register.offset) * register.factor + register.shift


def _bounds(register: RegisterPlan) -> tuple[float, float]:
    return USUAL.get(register.canonical_unit, (-MOST, MOST))


def _own_fits(register: RegisterPlan, value: float) -> bool:
    """Whether the profile's own order makes any sense, also past the valid range."""
    low, high = _bounds(register)
    return isfinite(value) and low <= value <= high and not 0.0 < abs(value) < LEAST


def _other_fits(register: RegisterPlan, value: float) -> bool:
    """Whether another order gives what the instrument could well show."""
    low, high = register.valid or _bounds(register)
    return not isnan(value) and low <= value <= high and abs(value) >= CLEARLY
