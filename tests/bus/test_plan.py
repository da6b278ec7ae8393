"""The read plan: few blocks, none across a wide hole, and what a refused block falls into."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.bus.plan import Block, plan_reads, split
from dewline.config.plan import AsciiProfile, InstrumentPlan, RegisterPlan

WIDTHS = {"uint16": 1, "float32": 2, "float64": 4}
Words = Callable[..., tuple[RegisterPlan, ...]]


def _plan(*registers: RegisterPlan, fed: list[str] | None = None, **changes: Any) -> InstrumentPlan:
    names = [r.name for r in registers] if fed is None else fed
    feeds: dict[str, tuple[str, ...]] = {name: (f"heron.{name}",) for name in names}
    return InstrumentPlan(
        name="i", bus="b", profile="p", registers=registers, feeds=feeds, **changes
    )


def _spans(blocks: tuple[Block, ...]) -> list[tuple[str, int, int]]:
    return [(block.table, block.address, block.count) for block in blocks]


def _at(*places: tuple[str, int, str]) -> tuple[RegisterPlan, ...]:
    return tuple(
        RegisterPlan(name=f"{table[0]}{address}", table=table, address=address, type=kind)  # type: ignore[arg-type]
        for table, address, kind in places
    )


def test_neighbours_are_one_block_and_tables_are_apart() -> None:
    """Registers of a table within max_gap are read at once; tables never mix."""
    registers = _at(
        ("holding", 0, "uint16"),
        ("holding", 3, "float32"),
        ("input", 3, "float64"),
        ("coil", 1, "bit"),
        ("coil", 9, "bit"),
        ("discrete", 0, "bit"),
    )
    assert _spans(plan_reads(_plan(*registers))) == [
        ("holding", 0, 5),
        ("input", 3, 4),
        ("coil", 1, 9),
        ("discrete", 0, 1),
    ]


@pytest.mark.parametrize(("gap", "blocks"), [(8, 1), (7, 2), (0, 2)])
def test_never_across_more_than_max_gap(gap: int, blocks: int) -> None:
    """Eight unused addresses between two registers are crossed at max_gap 8, not at 7."""
    registers = _at(("input", 10, "float32"), ("input", 20, "uint16"))
    assert len(plan_reads(_plan(*registers, max_gap=gap))) == blocks


def test_unfed_registers_ask_for_nothing() -> None:
    """A register that feeds no signal is read only where it lies between others."""
    registers = _at(*(("holding", a, "uint16") for a in (0, 2, 4, 30)))
    blocks = plan_reads(_plan(*registers, fed=["h0", "h4"]))
    assert _spans(blocks) == [("holding", 0, 5)]
    assert [r.name for r in blocks[0].registers] == ["h0", "h4"]
    assert plan_reads(_plan(*registers, fed=[])) == ()


def test_a_line_instrument_has_one_block() -> None:
    """All fields of a line come at once."""
    registers = _at(("input", 0, "uint16"), ("input", 99, "uint16"))
    blocks = plan_reads(_plan(*registers, ascii=AsciiProfile(pattern="x")))
    assert _spans(blocks) == [("line", 0, 1)]
    assert split(blocks[0]) == ()


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["holding", "input", "coil"]),
            st.integers(0, 300),
            st.sampled_from(list(WIDTHS)),
        ),
        min_size=1,
        max_size=30,
        unique_by=lambda place: place[:2],
    ),
    st.integers(0, 12),
    st.integers(4, 125),
)
def test_every_register_is_read_once_within_the_bounds(
    places: list[tuple[str, int, str]], gap: int, most: int
) -> None:
    """Whatever the map: each register in one block, no block too long, no hole too wide."""
    registers = _at(*((t, a, "bit" if t == "coil" else kind) for t, a, kind in places))
    blocks = plan_reads(_plan(*registers, max_gap=gap, max_registers=most))
    assert sorted(r.name for b in blocks for r in b.registers) == sorted(r.name for r in registers)
    for block in blocks:
        used = {a for r in block.registers for a in range(r.address, r.address + r.words)}
        assert block.count <= most
        assert min(used) == block.address
        assert max(used) == block.address + block.count - 1
        inside = sorted(used)
        assert all(b - a - 1 <= gap for a, b in itertools.pairwise(inside))


def test_split_at_holes_first_then_register_by_register() -> None:
    """A refused block falls at its holes; one without holes falls into its registers."""
    registers = _at(*(("holding", a, "uint16") for a in (0, 1, 4)), ("holding", 5, "float32"))
    (block,) = plan_reads(_plan(*registers))
    pieces = split(block)
    assert _spans(pieces) == [("holding", 0, 2), ("holding", 4, 3)]
    assert _spans(split(pieces[1])) == [("holding", 4, 1), ("holding", 5, 2)]
    assert split(split(pieces[1])[1]) == ()


def test_two_readings_of_one_register_stay_together(words: Words) -> None:
    """Bits of one word are one address: there is nothing to cut."""
    bits = tuple(
        RegisterPlan(name=f"b{i}", table="holding", address=4, type="bit", bit=i) for i in range(3)
    )
    (block,) = plan_reads(_plan(*bits))
    assert split(block) == ()
    assert [len(b.registers) for b in split(plan_reads(_plan(*bits, *words(1, 5)))[0])] == [3, 1]
