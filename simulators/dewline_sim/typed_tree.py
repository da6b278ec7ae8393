"""Typed values from the plain mappings and lists that YAML and JSON give.

``build`` turns a mapping into a dataclass or a ``TypedDict`` by the hints of
its fields, and names by path what does not fit.
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import is_dataclass
from enum import StrEnum
from functools import cache
from importlib.resources.abc import Traversable
from typing import Literal, TypeVar, Union, get_args, get_origin, get_type_hints, is_typeddict

import yaml

Tree = dict[str, object]
T = TypeVar("T")


def build(kind: Callable[..., T], tree: object, where: str) -> T:
    """A ``kind`` (dataclass or ``TypedDict``) with the values of ``tree``.

    What is left out keeps its default. Integers become floats where a float is
    wanted. Raises ValueError for a key that is unknown (naming the known ones)
    or missing, and for a value of another type; ``where`` begins its path.
    """
    entries, hints = _mapping(tree, where), _hints(kind)
    for key in entries:
        if key not in hints:
            raise ValueError(f"{where}.{key}: unknown; known are {', '.join(sorted(hints))}")
    for key in sorted(getattr(kind, "__required_keys__", ())):
        if key not in entries:
            raise ValueError(f"{where}.{key}: missing")
    return kind(**{k: value_of(hints[k], v, f"{where}.{k}") for k, v in entries.items()})


@cache
def _hints(kind: Callable[..., object]) -> Mapping[str, object]:
    return get_type_hints(kind)


def value_of(hint: object, value: object, where: str) -> object:
    """One value as its type hint has it: integers become floats where floats are wanted.

    Raises ValueError where it is of another type; ``where`` is its path in the message.
    """
    origin, options = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return _one_of(options, value, where)
    if origin is Literal:
        return _one_word(options, value, where)
    if origin in (tuple, list):
        if not isinstance(value, list | tuple):
            raise ValueError(f"{where}: {value!r} is not a list")
        return origin(value_of(options[0], v, f"{where}[{i}]") for i, v in enumerate(value))
    if origin is dict:
        return {
            value_of(options[0], k, where): value_of(options[1], v, f"{where}.{k}")
            for k, v in _mapping(value, where).items()
        }
    if isinstance(hint, type) and (is_dataclass(hint) or is_typeddict(hint)):
        return build(hint, value, where)
    return _scalar(hint, value, where)


def _one_of(options: tuple[object, ...], value: object, where: str) -> object:
    """The value as the first of these hints that it fits; None where that is among them."""
    if value is None and types.NoneType in options:
        return None
    *others, last = (o for o in options if o is not types.NoneType)
    for option in others:
        try:
            return value_of(option, value, where)
        except ValueError:
            continue
    return value_of(last, value, where)


def _one_word(words: tuple[str, ...], value: object, where: str) -> str:
    if not isinstance(value, str) or value not in words:
        raise ValueError(f"{where}: {value!r} is not one of {', '.join(words)}")
    return value


def _scalar(hint: object, value: object, where: str) -> object:
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(_one_word(tuple(hint), value, where))
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if isinstance(hint, type) and isinstance(value, hint) and (hint, type(value)) != (int, bool):
        return value
    raise ValueError(f"{where}: {value!r} is not a {getattr(hint, '__name__', hint)}")


def _mapping(value: object, where: str) -> Tree:
    if not isinstance(value, dict):
        raise ValueError(f"{where}: {value!r} is not a mapping")
    return value


def tree_of(value: object, where: str) -> Tree:
    """A mapping that may be left out (None: empty); ValueError where it is something else."""
    return {} if value is None else _mapping(value, where)


def read_yaml(file: Traversable) -> Tree:
    """The mapping in a YAML file; ValueError where it is none."""
    with file.open(encoding="utf-8") as stream:
        document = yaml.load(stream, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    return _mapping(document, file.name)
