"""Typed values as plain JSON and back: what plans and saved states are written with.

A value is a number, a text, a bool, None, an enum, or a list, tuple, set, deque, dict, named
tuple or dataclass of such values. ``read`` needs the type, because JSON knows neither tuples
nor enums; a type comes from the annotation of the field or attribute that holds the value.
"""

from __future__ import annotations

import types
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import MISSING, Field, fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Literal, TypeAlias, TypeGuard, Union, get_args, get_origin, get_type_hints

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"


class TypedJson:
    """One way of writing. ``kinds``: dataclasses that bear a name, since they stand in unions.

    With ``omit_defaults`` a field that has its default is left out, so that a field added later
    changes no document that does not use it.
    """

    def __init__(
        self, kinds: Mapping[str, type] | None = None, *, omit_defaults: bool = False
    ) -> None:
        self._kinds = dict(kinds or {})
        self._names = {kind: name for name, kind in self._kinds.items()}
        self._omit_defaults = omit_defaults

    def plain(self, value: object) -> Json:
        """``value`` as JSON, a copy.

        Sets are sorted. TypeError for a value of no known type.
        """
        if isinstance(value, Enum):
            return self.plain(value.value)
        if value is None or isinstance(value, bool | int | float | str):
            return value
        if is_dataclass(value) and not isinstance(value, type):
            return self._plain_dataclass(value)
        if isinstance(value, Mapping):
            return {str(key): self.plain(item) for key, item in value.items()}
        if isinstance(value, Set):
            return [self.plain(item) for item in sorted(value)]
        if isinstance(value, Sequence | deque):
            # Histories are long lists of numbers.
            return list(value) if _all_scalars(value) else [self.plain(item) for item in value]
        raise TypeError(f"{type(value).__name__} cannot be written as JSON")

    def read(self, kind: object, value: Json) -> object:
        """``value`` as the type ``kind``; KeyError, TypeError or ValueError where it is none.

        A field that the document leaves out takes its default.
        """
        if value is None or _is_scalar(kind):
            return value
        if is_dataclass(kind) and isinstance(kind, type) and isinstance(value, dict):
            return self._read_dataclass(kind, value)
        if isinstance(kind, type) and issubclass(kind, Enum):
            return kind(value)
        if _is_named_tuple(kind) and isinstance(value, list):
            hints = _hints(kind)
            names = list(hints)[: len(value)]
            return kind(*(self.read(hints[n], v) for n, v in zip(names, value, strict=True)))
        if kind is float and isinstance(value, int) and not isinstance(value, bool):
            return value  # 1.0 and 1 are one number, and an int stays the int that was saved
        return self._read_container(kind, value)

    def _plain_dataclass(self, value: object) -> dict[str, Json]:
        kind: type = type(value)
        document: dict[str, Json] = {"kind": self._names[kind]} if kind in self._names else {}
        for field in _fields(kind):
            item = getattr(value, field.name)
            if not (self._omit_defaults and _default(field) == item):
                document[field.name] = self.plain(item)
        return document

    def _read_dataclass(self, kind: type, value: Mapping[str, Json]) -> object:
        hints = _hints(kind)
        known = {
            f.name: self.read(hints[f.name], value[f.name])
            for f in _fields(kind)
            if f.name in value or _default(f) is MISSING
        }
        return kind(**known)

    def _read_container(self, kind: object, value: Json) -> object:
        origin, inner = get_origin(kind), get_args(kind)
        if origin in (Union, types.UnionType):
            return self.read(self._named_member(inner, value) or _member(inner, value), value)
        if isinstance(value, dict) and inner:
            number = inner[0] is int  # JSON has but texts for keys
            return {int(k) if number else k: self.read(inner[1], v) for k, v in value.items()}
        return self._read_list(origin, inner, value) if isinstance(value, list) else value

    def _named_member(self, members: tuple[object, ...], value: Json) -> type | None:
        """The member of a union that the document names; ValueError for a name of none."""
        if not isinstance(value, dict) or not any(kind in members for kind in self._names):
            return None
        named = self._kinds.get(str(value.get("kind")))
        if named not in members:
            raise ValueError(f"{value.get('kind')!r} is no kind known here")
        return named

    def _read_list(self, origin: object, inner: tuple[object, ...], value: list[Json]) -> object:
        if origin is tuple:
            kinds = [inner[0]] * len(value) if inner[-1] is Ellipsis else list(inner)
            return tuple(self.read(k, v) for k, v in zip(kinds, value, strict=True))
        of = inner[0] if inner else object
        items = list(value) if _is_scalar(of) else [self.read(of, item) for item in value]
        if origin is deque:
            return deque(items)
        return set(items) if origin is set else frozenset(items) if origin is frozenset else items


_SCALARS = frozenset((bool, int, float, str, type(None)))


def _all_scalars(values: Iterable[object]) -> TypeGuard[Iterable[Json]]:
    return _SCALARS.issuperset(map(type, values))


@cache
def _is_scalar(kind: object) -> bool:
    """Whether JSON has a value of this type as it is, so that nothing has to be converted."""
    if get_origin(kind) in (Union, types.UnionType):
        return all(_is_scalar(member) for member in get_args(kind))
    return kind is object or kind in _SCALARS or get_origin(kind) is Literal


def _member(members: tuple[object, ...], value: Json) -> object:
    """The member of a union that a value of JSON belongs to; its first one in doubt."""
    wanted = [kind for kind in members if kind is not type(None)]
    for kind in wanted:
        origin = get_origin(kind) or kind
        if isinstance(value, dict):
            fits = is_dataclass(kind) or (isinstance(origin, type) and issubclass(origin, Mapping))
        elif isinstance(value, list):
            fits = origin in (list, tuple, set, frozenset, deque) or _is_named_tuple(kind)
        else:
            fits = isinstance(kind, type) and isinstance(value, kind)
        if fits:
            return kind
    return wanted[0]


def _is_named_tuple(kind: object) -> TypeGuard[type]:
    return isinstance(kind, type) and issubclass(kind, tuple) and hasattr(kind, "_fields")


@cache
def _hints(kind: Callable[..., object]) -> dict[str, object]:
    return get_type_hints(kind)


@cache
def _fields(kind: object) -> tuple[Field[object], ...]:
    return tuple(f for f in fields(kind) if f.init) if is_dataclass(kind) else ()


def _default(field: Field[object]) -> object:
    """The default of a field; ``MISSING`` where it has none."""
    return field.default if field.default_factory is MISSING else field.default_factory()
