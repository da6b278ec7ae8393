"""The grammar of an expression, read into a tree. It is no Python, and nothing in it is run.

    sum     = product (("+" | "-") product)*
    product = part (("*" | "/") part)*
    part    = "-" part | NUMBER [UNIT] | NAME | PLACE.NAME | call | "(" sum ")"
    call    = NAME "(" sum ("," sum)* ")"

A name stands for a signal, or for a function where a bracket follows. The signs of print, as in
``oxygen − outlet_oxygen``, are read like those of a keyboard.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from dewline.errors import FormulaError

MOST_LETTERS = 500
DEEPEST = 30  # brackets and signs inside each other
_PRINT = str.maketrans({"−": "-", "×": "*", "÷": "/", "\u00a0": " "})
_TOKEN = re.compile(
    r" *(?:(?P<number>(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)"
    r"(?: +(?P<unit>[A-Za-z%°℃][^\s()*,+-]*))?"
    r"|(?P<name>[a-z][a-z0-9-]*\.[a-z][a-z0-9_]*|[a-z][a-z0-9_]*)|(?P<sign>[-+*/(),]))"
)
EXAMPLE = "write an expression such as oxygen - outlet_oxygen"


@dataclass(frozen=True, slots=True)
class Constant:
    """A number with its unit; "" for a bare one."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Name:
    """A signal."""

    name: str


@dataclass(frozen=True, slots=True)
class Negated:
    """Minus something."""

    of: Node


@dataclass(frozen=True, slots=True)
class Operation:
    """Two parts with one of ``+ - * /`` between them."""

    sign: str
    left: Node
    right: Node


@dataclass(frozen=True, slots=True)
class Call:
    """A function of some parts."""

    function: str
    parts: tuple[Node, ...]


Node = Constant | Name | Negated | Operation | Call


def parse(text: str) -> Node:
    """The tree of an expression; FormulaError says what is wrong and what to write instead."""
    if len(text) > MOST_LETTERS:
        raise FormulaError(f"is longer than {MOST_LETTERS} letters", "define a part by itself")
    reader = _Reader(list(_tokens(text.translate(_PRINT))))
    tree = reader.sum(0)
    if reader.next is not None:
        raise FormulaError(f"goes on with {reader.next[0]!r}", f"join parts by + - * /: {EXAMPLE}")
    return tree


def names_of(node: Node) -> list[str]:
    """The names of the signals in an expression, each once, in the order written."""
    found: dict[str, None] = {}

    def visit(part: Node) -> None:
        match part:
            case Name(name):
                found[name] = None
            case Negated(of):
                visit(of)
            case Operation(_, left, right):
                visit(left)
                visit(right)
            case Call(_, parts):
                for inner in parts:
                    visit(inner)
            case _:
                return

    visit(node)
    return list(found)


def with_full_names(text: str, full: Callable[[str], str]) -> str:
    """The same expression with every signal under its full name."""

    def replaced(match: re.Match[str]) -> str:
        name, rest = match["name"], text[match.end() :].lstrip()
        if name is None or rest.startswith("("):
            return match[0]
        return match[0].replace(name, full(name))

    text = text.translate(_PRINT)
    return _TOKEN.sub(replaced, text)


Token = tuple[str, str, str]  # as written, its kind, the unit of a number


def _tokens(text: str) -> list[Token]:
    found: list[Token] = []
    at, text = 0, text.rstrip()
    while at < len(text):
        match = _TOKEN.match(text, at)
        if match is None:
            raise FormulaError(f"has {text[at:].strip()[:20]!r}, which is no part of one", EXAMPLE)
        kind = match.lastgroup if match["unit"] is None else "number"
        found.append((match[kind or "sign"], kind or "sign", match["unit"] or ""))
        at = match.end()
    return found


class _Reader:
    """Reads tokens from left to right; each method one rule of the grammar."""

    def __init__(self, tokens: list[Token]) -> None:
        self._tokens = tokens
        self._at = 0

    @property
    def next(self) -> Token | None:
        """The token that comes next; None at the end."""
        return self._tokens[self._at] if self._at < len(self._tokens) else None

    def _take(self, *signs: str) -> str | None:
        """The next token if it is one of these signs; else None, and it stays."""
        if self.next is None or self.next[1] != "sign" or self.next[0] not in signs:
            return None
        self._at += 1
        return self._tokens[self._at - 1][0]

    def sum(self, depth: int) -> Node:
        """Products, added and subtracted."""
        left = self._product(depth)
        while sign := self._take("+", "-"):
            left = Operation(sign, left, self._product(depth))
        return left

    def _product(self, depth: int) -> Node:
        left = self._part(depth)
        while sign := self._take("*", "/"):
            left = Operation(sign, left, self._part(depth))
        return left

    def _part(self, depth: int) -> Node:
        if depth > DEEPEST:
            raise FormulaError("has too many brackets in each other", "define a part by itself")
        if self._take("-"):
            return Negated(self._part(depth + 1))
        if self._take("("):
            inner = self.sum(depth + 1)
            self._close()
            return inner
        if self.next is None or self.next[1] == "sign":
            shown = "its end" if self.next is None else repr(self.next[0])
            raise FormulaError(f"has {shown} where a signal or a number should be", EXAMPLE)
        text, kind, unit = self.next
        self._at += 1
        if kind == "number":
            return Constant(float(text), unit)
        return self._call(text, depth) if self._take("(") else Name(text)

    def _call(self, function: str, depth: int) -> Node:
        parts = [self.sum(depth + 1)]
        while self._take(","):
            parts.append(self.sum(depth + 1))
        self._close()
        return Call(function, tuple(parts))

    def _close(self) -> None:
        if not self._take(")"):
            raise FormulaError("has a bracket that is not closed", "add )")
