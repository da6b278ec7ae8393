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
    fed = tuple(r for r in instrument.registers if instrument.feeds.get(r.name))
    if not fed:
        return ()
    if instrument.ascii is not None:
        return (Block("line", 0, 1, fed),)
    return tuple(
        block
        for table in _TABLES
        for block in _merge(table, fed, instrument.max_gap, instrument.max_registers)
    )


def split(block: Block) -> tuple[Block, ...]:
    """The pieces of a block that an instrument refuses: cut at its gaps, else at each register.

    Empty for a single register and for a line, which cannot be cut.
    """
    if block.table == "line":
        return ()
    pieces = _merge(block.table, block.registers, max_gap=0, max_count=block.count)
    if len(pieces) == 1:
        spans = groupby(block.registers, key=attrgetter("address", "words"))
        pieces = [_block(block.table, tuple(group)) for _, group in spans]
    return tuple(pieces) if len(pieces) > 1 or pieces[0] != block else ()


def _merge(
    table: Table, registers: tuple[RegisterPlan, ...], max_gap: int, max_count: int
) -> list[Block]:
    inside = sorted((r for r in registers if r.table == table), key=attrgetter("address", "words"))
    runs: list[list[RegisterPlan]] = []
    start = end = 0
    for register in inside:
        last = register.address + register.words
        if runs and register.address - end <= max_gap and max(end, last) - start <= max_count:
            runs[-1].append(register)
        else:
            runs.append([register])
            start = end = register.address
        end = max(end, last)
    return [_block(table, tuple(run)) for run in runs]


def _block(table: Table, registers: tuple[RegisterPlan, ...]) -> Block:
    start = min(r.address for r in registers)
    end = max(r.address + r.words for r in registers)
    return Block(table, start, end - start, registers)
