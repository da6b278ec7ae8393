"""YAML text to plain data that remembers where every value stands.

PyYAML only composes the text to nodes; the data is built here, because PyYAML's constructor
accepts four traps of YAML 1.1 without a word: a key written twice, ``no`` read as false, ``010``
read as 8 and ``12:30:00`` read as 45000. Each is reported with its place, and reading goes on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import NamedTuple

import yaml

from dewline.errors import Problem
from dewline.typed_json import Json

KeyPath = tuple[str | int, ...]
_TAG = "tag:yaml.org,2002:"
# The parser in C, where PyYAML has one, takes a tenth of the time. It is for the files that come
# with dewline alone: somebody else's may be nested so deeply that it ends the whole process.
_SHIPPED = Path(__file__).parents[1] / "builtin"
_SHIPPED_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_BOOL_WORDS = {"yes", "no", "on", "off", "y", "n"}
_MOST_PROBLEMS = 500  # nobody reads more
_MOST_VALUES = 50_000  # aliases of aliases can make a terabyte of one line


class Place(NamedTuple):
    """Line and column, from 1, of a value and of its key."""

    line: int
    column: int
    key_line: int
    key_column: int

    @classmethod
    def of_key(cls, mark: yaml.Mark) -> Place:
        """The place of a key whose value is not known yet, or of what has no key."""
        return cls(*(mark.line + 1, mark.column + 1) * 2)


@dataclass(slots=True)
class SourceFile:
    """One YAML file: its data, where each part stands, and what is wrong with it.

    ``problems`` and ``warnings`` are shared by all files of one config.
    """

    file: str
    problems: list[Problem]
    warnings: list[Problem]
    data: Json = None
    places: dict[KeyPath, Place] = field(default_factory=dict)

    def at(self, path: KeyPath) -> Place:
        """The place of the nearest part of ``path`` that stands in the file."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, Place(1, 1, 1, 1))

    def report(self, path: KeyPath, problem: str, remedy: str, *, on_key: bool = False) -> None:
        """Add a problem; the same one twice counts once."""
        _add(self.problems, self._problem(path, problem, remedy, on_key))

    def warn(self, path: KeyPath, problem: str, remedy: str, *, grave: bool = False) -> None:
        """Add a warning; a grave one means that something is probably not watched."""
        warning = self._problem(path, problem, remedy, False)
        _add(self.warnings, replace(warning, grave=grave))

    def broken(self, path: KeyPath) -> bool:
        """Whether a problem was reported at ``path`` or under it."""
        key = dotted(path)
        mine = (p.key for p in self.problems if p.file == self.file)
        return any(k == key or k.startswith((f"{key}.", f"{key}[")) for k in mine)

    def _problem(self, path: KeyPath, problem: str, remedy: str, on_key: bool) -> Problem:
        place = self.at(path)
        on_key = on_key or path not in self.places
        line, column = place[2:] if on_key else place[:2]
        return Problem(self.file, line, column, dotted(path), problem, remedy)


def _add(problems: list[Problem], problem: Problem) -> None:
    if problem not in problems and len(problems) < _MOST_PROBLEMS:
        problems.append(problem)


def nearest(name: str, known: Iterable[str], otherwise: str) -> str:
    """The remedy for an unknown name: the known one that it looks like, else ``otherwise``."""
    near = get_close_matches(name, list(known), n=1)
    return f"did you mean {near[0]}?" if near else otherwise


def choice(words: Sequence[str], value: object) -> str:
    """The remedy for a value that is none of ``words``: the one that it looks like, else all."""
    near = get_close_matches(str(value), words, n=1)
    return f"write {near[0]}" if near else f"write one of: {', '.join(words)}"


def dotted(path: KeyPath) -> str:
    """``boxes.heron.rules`` or ``registers[3].address``; ``file`` for the whole of it."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".") or "file"


def value_at(data: Json, path: KeyPath) -> Json:
    """What stands at ``path`` in ``data``; None where there is nothing."""
    for part in path:
        if isinstance(data, dict) and isinstance(part, str):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def read_source(path: Path, problems: list[Problem], warnings: list[Problem]) -> SourceFile:
    """Read a YAML file.

    ``data`` of the result holds what is right, None where nothing is; what is wrong is added to
    ``problems``.
    """
    source = SourceFile(str(path), problems, warnings)
    try:
        shipped = path.is_relative_to(_SHIPPED)
        text = path.read_bytes().decode("utf-8")
        read_text(source, text, _SHIPPED_LOADER if shipped else yaml.SafeLoader)
    except UnicodeDecodeError as error:
        source.report((), f"is not UTF-8: byte {error.start}", "save it as UTF-8")
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path itself
        said = getattr(error, "strerror", error)
        source.report((), f"cannot be read: {said}", "name a file that is there")
    return source


def read_text(
    source: SourceFile, text: str, loader: type[yaml.SafeLoader] = yaml.SafeLoader
) -> None:
    """Fill ``source`` from YAML text, with problems for all that is wrong in it.

    An empty text is an empty mapping.
    """
    try:
        root = yaml.compose(text, Loader=loader)
        source.data = {} if root is None else _Walk(source).value(root, ())
    except yaml.MarkedYAMLError as error:
        _syntax(source, error)
    except (yaml.YAMLError, ValueError) as error:
        source.report((), f"is not YAML: {error}".replace("\n", " "), "remove what cannot be text")
    except RecursionError:
        source.report((), "is nested too deeply", "write it flatter")


def _syntax(source: SourceFile, error: yaml.MarkedYAMLError) -> None:
    mark = error.problem_mark or error.context_mark
    if mark is not None:
        source.places[()] = Place.of_key(mark)
    said = " ".join(str(part) for part in (error.context, error.problem) if part)
    source.report((), f"is not YAML: {said}", "check indentation, colons, brackets and quotes")


class _Drop(Exception):
    """A value that was reported and has no data."""


class _Walk:
    """Builds data from nodes and records places and problems on the way."""

    def __init__(self, source: SourceFile) -> None:
        self._source = source
        self._open: set[int] = set()
        self._count = 0

    def value(self, node: yaml.Node, path: KeyPath) -> Json:
        """Data of a node; None where nothing is left of it."""
        try:
            return self._value(node, path)
        except _Drop:
            return None

    def _value(self, node: yaml.Node, path: KeyPath) -> Json:
        here = Place.of_key(node.start_mark)
        key = self._source.places.get(path, here)
        self._source.places[path] = Place(*here[:2], *key[2:])
        self._count += 1
        if id(node) in self._open:
            self._refuse(path, "refers to itself", "write it out")
        if self._count > _MOST_VALUES:
            if self._count == _MOST_VALUES + 1:
                self._source.report((), "has far too many values", "use fewer aliases")
            raise _Drop
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        if node.tag not in (_TAG + "map", _TAG + "seq"):
            self._refuse(path, f"bears the tag {node.tag}", "write it without the tag")
        self._open.add(id(node))
        try:
            if isinstance(node, yaml.MappingNode):
                data: dict[str, Json] = {}
                self._pairs(node, path, data, merged=False)
                return data
            return [self.value(item, (*path, index)) for index, item in enumerate(node.value)]
        finally:
            self._open.discard(id(node))

    def _pairs(
        self, node: yaml.MappingNode, path: KeyPath, data: dict[str, Json], *, merged: bool
    ) -> None:
        """A mapping's own keys, then those it merges; of a merged one only what is not there."""
        others: list[yaml.Node] = []
        for key_node, value_node in node.value:
            if key_node.tag == _TAG + "merge":
                several = isinstance(value_node, yaml.SequenceNode)
                others += value_node.value if several else [value_node]
            elif not (merged and self._is_there(key_node, path)):
                try:
                    self._pair(key_node, value_node, path, data)
                except _Drop:
                    continue
        for other in others:
            self._merge(other, path, data)

    def _is_there(self, key_node: yaml.Node, path: KeyPath) -> bool:
        scalar = isinstance(key_node, yaml.ScalarNode)
        return scalar and (*path, key_node.value) in self._source.places

    def _pair(
        self, key_node: yaml.Node, value_node: yaml.Node, path: KeyPath, data: dict[str, Json]
    ) -> None:
        key = self._key(key_node, path)
        here = (*path, key)
        place = Place.of_key(key_node.start_mark)
        if key in data or here in self._source.places:
            where = (self._source.file, place.line, place.column, dotted(here))
            twice = f"is written twice, first in line {self._source.at(here).key_line}"
            _add(self._source.problems, Problem(*where, twice, "keep one of the two"))
            raise _Drop
        self._source.places[here] = place
        data[key] = self._value(value_node, here)

    def _merge(self, node: yaml.Node, path: KeyPath, data: dict[str, Json]) -> None:
        self._count += 1
        if not isinstance(node, yaml.MappingNode) or id(node) in self._open:
            self._source.report(path, "merges what is no mapping", "merge an anchored mapping")
        elif self._count <= _MOST_VALUES:
            self._open.add(id(node))
            self._pairs(node, path, data, merged=True)
            self._open.discard(id(node))

    def _key(self, node: yaml.Node, path: KeyPath) -> str:
        if not isinstance(node, yaml.ScalarNode) or node.tag == _TAG + "null":
            self._refuse(path, "has a key that is no text", "write a name before the colon")
        assert isinstance(node, yaml.ScalarNode)
        if _halved(node.value):
            self._refuse(path, "has a key with half a character", "write the character itself")
        here = (*path, node.value)
        if here not in self._source.places:
            self._source.places[here] = Place.of_key(node.start_mark)
            try:
                self._trap(node, here)
            finally:
                del self._source.places[here]
        return str(node.value)

    def _scalar(self, node: yaml.ScalarNode, path: KeyPath) -> Json:
        self._trap(node, path)
        kind, text = node.tag.removeprefix(_TAG), str(node.value)
        try:
            if kind in ("int", "float"):
                return _number(kind, text)
        except ValueError:
            self._refuse(path, f"{_short(text)} is no number", "write digits, fewer than 19")
        if kind == "bool":
            return text.lower() == "true"
        if kind == "null":
            self._refuse(path, "is empty", "give it a value or leave the key out")
        if kind not in ("str", "value"):
            self._refuse(path, f"{_short(text)} is read as {kind}", "put it in quotes")
        return text

    def _trap(self, node: yaml.ScalarNode, path: KeyPath) -> None:
        kind, text = node.tag.removeprefix(_TAG), node.value
        if _halved(text):
            self._refuse(path, "holds half a character", "write the character itself")
        digits = text.lstrip("+-")
        read_as = remedy = ""
        if kind == "bool" and text.lower() in _BOOL_WORDS:
            read_as = "true" if text.lower() in ("yes", "on", "y") else "false"
            remedy = f'write {read_as}, or "{text}" in quotes if the word is meant'
        elif kind in ("int", "float") and ":" in text:
            read_as = "a number of base sixty"
            remedy = f'write "{text}" in quotes if a time is meant'
        elif kind == "int" and len(digits) > 1 and digits[0] == "0" and digits[1] not in "xXb":
            read_as = "an octal number"
            remedy = f"write {digits.lstrip('0_') or '0'} without the leading zero"
        if read_as:
            self._refuse(path, f"{text} is read as {read_as} by YAML", remedy)

    def _refuse(self, path: KeyPath, problem: str, remedy: str) -> None:
        self._source.report(path, problem, remedy)
        raise _Drop


def _halved(text: str) -> bool:
    """Whether an escape made half of a surrogate pair, which no file can hold."""
    return any("\ud800" <= letter <= "\udfff" for letter in text)


def _number(kind: str, text: str) -> int | float:
    """ValueError for what is no number, is not finite, or is a whole one beyond 64 bits."""
    plain = text.replace("_", "")
    number = int(plain, 0) if kind == "int" else float(plain)
    beyond = abs(number) >= 1 << 63 if kind == "int" else not math.isfinite(number)
    if beyond:
        raise ValueError(text)
    return number


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."
