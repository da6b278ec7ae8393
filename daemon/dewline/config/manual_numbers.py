"""Addresses that look copied from a manual as they stand there.

A profile counts addresses from 0, as the wire does. Manuals mostly count from 1, and many write the
table as a leading digit: 40001 or 400001 is holding register 0, 30001 input register 0, 10001
discrete input 0. Up to 65535 the number itself cannot tell: these are hints, not mistakes. Common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from dewline.config.plan import WORDS
from dewline.config.profile_schema import RegisterConfig

_LEADING = {"discrete": 10_000, "input": 30_000, "holding": 40_000}


class Hint(NamedTuple):
    """What looks odd about the address of the register ``name``, and what it would have to be."""

    name: str
    problem: str
    remedy: str


def hints(registers: Iterable[RegisterConfig]) -> Iterator[Hint]:
    """The registers of one instrument whose addresses look like a manual's numbers."""
    by_table: dict[str, dict[str, int]] = {}
    doubles: dict[str, list[int]] = {}
    for register in registers:
        if register.table is not None and register.address is not None:
            by_table.setdefault(register.table, {})[register.name] = register.address
            if WORDS.get(register.type, 1) > 1:
                doubles.setdefault(register.table, []).append(register.address)
    for table, found in by_table.items():
        leading = _LEADING.get(table, 100_000)
        numbered = {n: a for n, a in found.items() if leading < a < leading + 10_000}
        for name, address in numbered.items():
            problem = f"{address} looks like a manual's number, with the table as its first digit"
            yield Hint(name, problem, f"if it is, write {address - leading - 1}")
        if not numbered and _counts_from_one(found.values(), doubles.get(table, [])):
            problem = f"the {table} registers look counted from 1: none of them stands at 0"
            remedy = "if the manual's first is 1, write every address one lower"
            yield Hint(min(found, key=found.__getitem__), problem, remedy)


def _counts_from_one(addresses: Iterable[int], doubles: list[int]) -> bool:
    """Whether the lowest address is 1 and every value of two words or more begins at an odd one.

    One single word at 1 says nothing: perhaps nobody wants what stands at 0.
    """
    found = list(addresses)
    return min(found) == 1 and all(a % 2 for a in doubles) and (len(found) > 1 or bool(doubles))
