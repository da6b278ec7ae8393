"""The blocks of registers that are read from an instrument, and the pieces of a refused one.

A block spans registers that feed a signal and the addresses between them: at most ``max_gap``
unused addresses in a row, and ``max_registers`` in all.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import Literal

from dewline.config.plan import InstrumentPlan, RegisterPlan, Table
from dewline.config.wire import fed, runs

_TABLES: tuple[Table, ...] = ("holding", "input", "coil", "discrete")


@dataclass(frozen=True, slots=True)
class Block:
    """One request: ``count`` addresses from ``address`` on, and the fed registers within.

    A line instrument has a single block with the table ``line``.
    """

    table: Table | Literal["line"]
    address: int
    count: int
    registers: tuple[RegisterPlan, ...]

    def __str__(self) -> str:
        if self.table == "line":
            return "line"
        return f"{self.table} {self.address}-{self.address + self.count - 1}"


def plan_reads(instrument: InstrumentPlan) -> tuple[Block, ...]:
    """The blocks that read every register of ``instrument`` that feeds a signal.

    Table by table (holding, input, coil, discrete), by address; as few as ``max_gap`` and
    ``max_registers`` allow. A line instrument has one block; one that feeds nothing has none.
    """
    used = fed(instrument)
    if not used:
        return ()
    if instrument.ascii is not None:
        return (Block("line", 0, 1, tuple(used)),)
    return tuple(
        Block(table, *run)
        for table in _TABLES
        for run in runs(used, table, instrument.max_gap, instrument.max_registers)
    )


def split(block: Block) -> tuple[Block, ...]:
    """The pieces of a block that an instrument refuses: cut at its gaps, else at each register.

    Empty for a single register and for a line, which cannot be cut.
    """
    if block.table == "line":
        return ()
    table, registers = block.table, block.registers
    pieces = [Block(table, *run) for run in runs(registers, table, 0, block.count)]
    if len(pieces) == 1:
        spans = groupby(registers, key=attrgetter("address", "words"))
        pieces = [Block(table, *place, tuple(group)) for place, group in spans]
    return tuple(pieces) if len(pieces) > 1 or pieces[0] != block else ()
