"""Typed values come back from JSON as they were written."""

from __future__ import annotations

import json
from collections import deque
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import Literal, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.typed_json import TypedJson

JSON = TypedJson()


class Colour(Enum):
    """Written by its value."""

    RED = "red"
    BLUE = "blue"


class Level(IntEnum):
    """An int that is not written as a number of its own."""

    LOW = 1
    HIGH = 2


class Point(NamedTuple):
    """Written as a list."""

    at_ms: int
    value: float | None


@dataclass(frozen=True)
class Part:
    """A dataclass with one of everything."""

    name: str
    mode: Literal["day", "night"] = "day"
    level: Level = Level.LOW
    colours: tuple[Colour, ...] = ()
    pair: tuple[int, Colour] = (0, Colour.RED)
    points: list[Point] = field(default_factory=list)
    by_number: dict[int, list[float]] = field(default_factory=dict)
    ring: deque[float | None] = field(default_factory=deque)
    seen: frozenset[str] = frozenset()
    inner: Part | None = None
    either: int | Point = 0


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
PARTS = st.recursive(
    st.builds(
        Part,
        name=st.text(max_size=5),
        mode=st.sampled_from(("day", "night")),
        level=st.sampled_from(Level),
        colours=st.lists(st.sampled_from(Colour), max_size=3).map(tuple),
        pair=st.tuples(st.integers(), st.sampled_from(Colour)),
        points=st.lists(st.builds(Point, st.integers(), NUMBERS | st.none()), max_size=3),
        by_number=st.dictionaries(st.integers(), st.lists(NUMBERS, max_size=3), max_size=3),
        ring=st.lists(NUMBERS | st.none(), max_size=5).map(deque),
        seen=st.frozensets(st.text(max_size=3), max_size=3),
        either=st.integers() | st.builds(Point, st.integers(), NUMBERS),
    ),
    lambda inner: st.builds(Part, name=st.text(max_size=5), inner=inner),
    max_leaves=3,
)


@pytest.mark.long
@given(PARTS)
def test_a_value_comes_back_as_it_was(part: Part) -> None:
    """Through text: every number, tuple, enum, named tuple and inner part, each of its type."""
    again = JSON.read(Part, json.loads(json.dumps(JSON.plain(part), allow_nan=False)))
    assert again == part
    assert isinstance(again, Part)
    assert [type(point) for point in again.points] == [Point] * len(part.points)
    assert type(again.level) is Level
    assert type(again.ring) is deque


def test_what_is_written_is_a_copy() -> None:
    """A list that goes on growing changes nothing that was written before."""
    values = [1.0]
    written = JSON.plain(values)
    values.append(2.0)
    assert written == [1.0]


@pytest.mark.parametrize("value", [object(), 1j, [1.0, 1j], lambda: 0])
def test_what_json_has_no_form_for_is_refused(value: object) -> None:
    """TypeError, and not some text that nothing reads back."""
    with pytest.raises(TypeError):
        JSON.plain(value)


def test_a_field_that_a_document_lacks_takes_its_default() -> None:
    """One that has no default is missed by name."""
    assert JSON.read(Part, {"name": "a"}) == Part("a")
    with pytest.raises(KeyError, match="name"):
        JSON.read(Part, {})
