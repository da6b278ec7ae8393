"""Saving and restoring the parts of the watch: one mechanism for all of them.

A part names the attributes that are its state in ``KEPT`` and annotates each of them in the
class body, as in ``since_ms: int | None``. An attribute holds a value that ``typed_json`` can
write, a part of its own, or a dict of parts by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, get_type_hints

from dewline.typed_json import Json, TypedJson

_JSON = TypedJson()
State = Mapping[str, Json]


class Kept:
    """A part of the watch whose whole state is the attributes named in ``KEPT``.

    In the saved state an attribute stands under its name without the leading underscore, or
    under the key that ``KEYS`` gives it. States saved by older versions bear some names with
    the underscore; both are read.
    """

    __slots__ = ()
    KEPT: ClassVar[tuple[str, ...]] = ()
    KEYS: ClassVar[Mapping[str, str]] = {}

    def save(self) -> dict[str, Json]:
        """Everything, ready for JSON; a copy."""
        return {self._key(name): _saved(getattr(self, name)) for name in self.KEPT}

    def restore(self, state: State) -> None:
        """Take up a saved state; what it does not name stays as it is.

        Parts are restored in place: of a dict of parts those that both know.
        """
        hints = _hints(type(self))
        for name in self.KEPT:
            key = self._key(name)
            if key not in state:
                key = name
            if key not in state:
                continue
            part, value = getattr(self, name), state[key]
            if isinstance(part, Kept):
                if isinstance(value, dict):
                    part.restore(value)
            elif _are_parts(part):
                _restore_parts(part, value)
            else:
                setattr(self, name, _JSON.read(hints.get(name, object), value))

    def _key(self, name: str) -> str:
        return self.KEYS.get(name) or name.lstrip("_")


_HINTS: dict[type, dict[str, object]] = {}


def _hints(kind: type) -> dict[str, object]:
    """The annotations of a class and its bases. NameError names a type that is not importable."""
    if kind not in _HINTS:
        _HINTS[kind] = get_type_hints(kind)
    return _HINTS[kind]


def _are_parts(value: object) -> bool:
    return isinstance(value, dict) and any(isinstance(part, Kept) for part in value.values())


def _restore_parts(parts: Mapping[str, Kept], states: Json) -> None:
    if isinstance(states, dict):
        for name, part in parts.items():
            state = states.get(name)
            if isinstance(state, dict):
                part.restore(state)


def _saved(value: object) -> Json:
    if isinstance(value, Kept):
        return value.save()
    if isinstance(value, dict) and _are_parts(value):
        return {name: _saved(part) for name, part in value.items()}
    return _JSON.plain(value)
