"""YAML reads some words as something else; each of these is refused with its place.

The four traps are those of YAML 1.1 (yaml.org/type: bool, int, merge) as PyYAML reads it.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline.config.nodes import SourceFile, read_text
from dewline.errors import Problem


@pytest.fixture(name="read")
def read_fixture() -> Callable[[str], SourceFile]:
    def read(text: str) -> SourceFile:
        source = SourceFile("f.yaml", [], [])
        read_text(source, text)
        return source

    return read


TRAPS = [
    ("a: no", 1, 4, "a", "read as false"),
    ("a: Yes", 1, 4, "a", "read as true"),
    ("a: {b: on}", 1, 8, "a.b", "read as true"),
    ("a: [x, OFF]", 1, 8, "a[1]", "read as false"),
    ("on: 3", 1, 1, "on", "read as true"),
    ("a: 010", 1, 4, "a", "octal"),
    ("a: -017", 1, 4, "a", "octal"),
    ("a: {010: x}", 1, 5, "a.010", "octal"),
    ("a: 12:30:00", 1, 4, "a", "base sixty"),
    ("a: 190:20:30.15", 1, 4, "a", "base sixty"),
    ("a: 12:30", 1, 4, "a", "base sixty"),
    ("a: 2026-03-02", 1, 4, "a", "read as timestamp"),
    ("a: .inf", 1, 4, "a", "no number"),
    ("a: .nan", 1, 4, "a", "no number"),
    ("a: 123456789012345678901", 1, 4, "a", "no number"),
    ("a:", 1, 3, "a", "is empty"),
    ("a: ~", 1, 4, "a", "is empty"),
    ("a: {<<: 3}", 1, 4, "a", "merges what is no mapping"),
    ("a: {<<: {[b]: c}}", 1, 4, "a", "a key that is no text"),
    ("a: &x {<<: *x}", 1, 4, "a", "merges what is no mapping"),
    ("a: 1\nb: 2\na: 3", 3, 1, "a", "written twice, first in line 1"),
    ("a:\n  b: 1\n  b: 2", 3, 3, "a.b", "written twice, first in line 2"),
    ("a: !!python/object:os.system x", 1, 4, "a", "read as python"),
    ("a: !mine {b: 1}", 1, 4, "a", "bears the tag"),
    ("a: &x [*x]", 1, 4, "a[0]", "refers to itself"),
    ('a: "\\ud800"', 1, 4, "a", "half a character"),
    ('{"\\ud800": x}', 1, 1, "file", "half a character"),
    ("? [a, b]\n: c", 1, 1, "file", "a key that is no text"),
]


@pytest.mark.parametrize(("text", "line", "column", "key", "words"), TRAPS)
def test_trap(
    read: Callable[[str], SourceFile], text: str, line: int, column: int, key: str, words: str
) -> None:
    """Each trap gives one problem at its own place."""
    problems = read(text).problems
    assert [(p.line, p.column, p.key) for p in problems] == [(line, column, key)]
    assert words in problems[0].problem
    assert problems[0].remedy


FINE = [
    ('a: "no"', {"a": "no"}),
    ("a: true", {"a": True}),
    ("a: 0", {"a": 0}),
    ("a: 0x1F", {"a": 31}),
    ("a: '010'", {"a": "010"}),
    ('a: "12:30"', {"a": "12:30"}),
    ("a: -1.5e+3", {"a": -1500.0}),
    ("a: 1_000", {"a": 1000}),
    ("x: &b {c: 1, d: 2}\na: {<<: *b, d: 3}", {"x": {"c": 1, "d": 2}, "a": {"d": 3, "c": 1}}),
    (
        "x: &b {c: 1}\ny: &d {<<: *b}\na: {<<: [*d, {e: 2}]}",
        {"x": {"c": 1}, "y": {"c": 1}, "a": {"c": 1, "e": 2}},
    ),
    ("{32767: over}", {"32767": "over"}),
    ("", {}),
]


@pytest.mark.parametrize(("text", "data"), FINE)
def test_what_means_what_it_says(
    read: Callable[[str], SourceFile], text: str, data: dict[str, object]
) -> None:
    """What is quoted or plain is taken as it stands."""
    source = read(text)
    assert source.problems == []
    assert source.data == data


@pytest.mark.long
@pytest.mark.parametrize(
    "text",
    ["a: [", "a: {b: c", "a: b: c", "\ta: 1", "a: 'x", "a: 1\n---\nb: 2", "[" * 3000, "a: \x00"],
)
def test_what_is_no_yaml(read: Callable[[str], SourceFile], text: str) -> None:
    """Text that is no YAML gives one problem with a place, whatever its fault."""
    problems = read(text).problems
    assert len(problems) == 1
    assert problems[0].line >= 1


def test_aliases_of_aliases_end(read: Callable[[str], SourceFile]) -> None:
    """A kilobyte of aliases cannot become a terabyte of values."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    problems = read("\n".join(lines)).problems
    assert any("far too many values" in p.problem for p in problems)


def test_a_trap_does_not_hide_the_rest(small: str, wrong: Callable[[str], list[Problem]]) -> None:
    """A trapped value is reported once, and the keys beside it are still checked."""
    text = small.replace("unit: 11, profile: trace-gas", "unit: 011, profile: trace-gaz")
    assert [p.key for p in wrong(text)] == ["instruments.trace.unit", "instruments.trace.profile"]
