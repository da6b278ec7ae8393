"""One register decoded alone, in a block of its own."""

from __future__ import annotations

import struct
from collections.abc import Sequence

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block
from dewline.config.plan import InstrumentPlan, RegisterPlan
from dewline.readings import Reading


def decode_register(
    register: RegisterPlan, words: Sequence[int], *, read_twice: bool = False
) -> Reading:
    """The reading of a register from its 16-bit words, or of a coil from its one bit.

    ``read_twice`` has the block read it a second time, which rules out that a block of single
    words is unpacked in one go.
    """
    registers = (register, register) if read_twice else (register,)
    plan = InstrumentPlan(
        name="i", bus="b", profile="p", registers=registers, feeds={register.name: ("heron.v",)}
    )
    block = Block(register.table, register.address, register.words, registers)
    payload = struct.pack(f">{len(words)}H", *words)
    if register.table in ("coil", "discrete"):
        payload = bytes(words)
    return compile_block(plan, block)(payload)[0]
