"""Saving and restoring the parts of the watch: one mechanism for all of them.

A part annotates the attributes that are its state in the class body, as in ``since_ms: int | None
= None``; all others it annotates in ``__init__``. An attribute holds a value that ``typed_json``
can write, a part of its own, or a dict of parts by name. Where a property is part of the state
too, ``KEPT`` names all of it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from functools import cache
from typing import ClassVar, cast, get_args, get_type_hints

from dewline.errors import DewlineError
from dewline.events import EventDocument, completed
from dewline.typed_json import Json, TypedJson

_JSON = TypedJson()
State = Mapping[str, Json]


class Kept:
    """A part of the watch. Its state is the attributes of ``KEPT``, those of its bases first.

    In a saved state an attribute stands under its name without the leading underscore.
    """

    __slots__ = ()
    KEPT: ClassVar[tuple[str, ...]] = ()

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        if "KEPT" not in cls.__dict__ and "__annotations__" in cls.__dict__:
            cls.KEPT = (*cls.KEPT, *cls.__annotations__)

    def save(self) -> dict[str, Json]:
        """Everything, ready for JSON; a copy."""
        return {_key(name): _saved(getattr(self, name)) for name in self.KEPT}

    def restore(self, state: State) -> None:
        """Take over a saved state; what it does not name stays as it is.

        A part is restored in place, and of a dict of parts those that are in both.
        """
        hints = _hints(type(self))
        for name in self.KEPT:
            if _key(name) in state:
                self._restore_one(name, hints.get(name, object), state[_key(name)])

    def _restore_one(self, name: str, kind: object, value: Json) -> None:
        now = getattr(self, name)
        if _has_parts(kind) or _is_part(now):
            _restore_parts(now, value)
            return
        read = _JSON.read(kind, value)
        if isinstance(now, deque) and isinstance(read, deque | list):
            read = deque(read, now.maxlen)
        setattr(self, name, read)


def _key(name: str) -> str:
    return name.lstrip("_")


_HINTS: dict[type, dict[str, object]] = {}


def _hints(kind: type[Kept]) -> dict[str, object]:
    """The types of what a class keeps. NameError names a type that is not importable."""
    if kind not in _HINTS:
        hints = get_type_hints(kind)
        for name in kind.KEPT:
            stand_in = getattr(kind, name, None)
            if isinstance(stand_in, property):
                hints[name] = get_type_hints(stand_in.fget)["return"]
        _HINTS[kind] = hints
    return _HINTS[kind]


@cache
def _has_parts(kind: object) -> bool:
    """Whether a type is a part, or a dict of parts, or one of these or None."""
    if isinstance(kind, type) and issubclass(kind, Kept):
        return True
    return any(_has_parts(inner) for inner in get_args(kind))


def _is_part(value: object) -> bool:
    if isinstance(value, dict):
        return any(_is_part(inner) for inner in value.values())
    return isinstance(value, Kept)


def _restore_parts(part: object, state: Json) -> None:
    if not isinstance(state, dict):
        return
    if isinstance(part, Kept):
        part.restore(state)
    elif isinstance(part, dict):
        for name, inner in part.items():
            _restore_parts(inner, state.get(name))


def _saved(value: object) -> Json:
    if isinstance(value, Kept):
        return value.save()
    if _is_part(value) and isinstance(value, dict):
        return {name: _saved(inner) for name, inner in value.items()}
    return _JSON.plain(value)


def part_of(state: State, name: str) -> State:
    """The saved state of a part; an empty one where ``state`` has none."""
    found = state.get(name)
    return found if isinstance(found, dict) else {}


# ---------------------------------------------------------------- versions

SAVED_VERSION = 2


def current(state: State) -> State:
    """A saved state in the form of this version. DewlineError for a version nobody knows."""
    match state.get("version"):
        case 1:
            return _from_version_1(state)
        case 2:
            return state
        case version:
            raise DewlineError(f"a watch state of version {version!r} cannot be read")


# Keys of version 1 that have another name now, by the part that they are in.
_OLD_KEYS: dict[str, dict[str, str]] = {
    "alarms": {
        "judge": "evaluator",
        "told": "last_event",
        "seen_by": "acknowledged_by",
        "seen_ms": "acknowledged_ms",
        "unseen_since_ms": "unacknowledged_since_ms",
    },
    "derive": {"_told": "forecasts", "_retell": "republish"},
    "sensors": {"level": "doubt", "sunk": "sudden_zero", "doubts": "gases"},
    "signals": {"windows": "windows_by_span"},
    "writer": {"told": "written", "told_at_ms": "written_at_ms"},
}


def _from_version_1(state: State) -> State:
    """Rename the keys, and complete the event documents (see ``events.completed``)."""
    parts = {**state, "writer": state["scribe"], "signals": state["slots"]}
    parts |= {name: _renamed(parts.get(name), keys) for name, keys in _OLD_KEYS.items()}
    rate = {"times_ms": state["rate"], "published": state["rate_told"]}
    alarms, orphans = part_of(parts, "alarms"), part_of(state, "orphans")
    return {
        **{
            name: part
            for name, part in parts.items()
            if name not in ("scribe", "slots", "rate_told")
        },
        "version": SAVED_VERSION,
        "rate": rate,
        "alarms": {
            name: {**part_of(alarms, name), "last_event": _completed(alarms, name, "last_event")}
            for name in alarms
        },
        "orphans": {name: _completed(orphans, name) for name in orphans},
    }


def _completed(state: State, *path: str) -> Json:
    event = state
    for name in path:
        event = part_of(event, name)
    return _JSON.plain(completed(cast("EventDocument", event))) if event else None


def _renamed(state: Json, keys: Mapping[str, str]) -> Json:
    """A state with new keys; some parts had saved the underscores of their attributes."""
    if isinstance(state, dict):
        return {
            keys.get(name) or name.lstrip("_"): _renamed(inner, keys)
            for name, inner in state.items()
        }
    return state


def last_events(state: State) -> dict[str, EventDocument]:
    """The last event of every alarm in a saved state that was not normal."""
    alarms = part_of(state, "alarms")
    found = {name: part_of(alarms, name).get("last_event") for name in alarms}
    return {n: cast("EventDocument", event) for n, event in found.items() if event}
