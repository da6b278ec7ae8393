"""Saving and restoring the parts of the watch: one mechanism for all of them.

A part annotates the attributes that are its state in the class body, as in ``since_ms: int | None
= None``; all others it annotates in ``__init__``. An attribute holds a value that ``typed_json``
can write, a part of its own, or a dict of parts by name. ``KEPT`` names the attributes where the
annotations are not the state: a property may stand in for an attribute.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import ClassVar, cast, get_args, get_type_hints

from dewline.errors import DewlineError
from dewline.events import EventDocument
from dewline.typed_json import Json, TypedJson

_JSON = TypedJson()
State = Mapping[str, Json]


class Kept:
    """A part of the watch whose whole state is the attributes of ``KEPT``.

    In the saved state an attribute stands under its name without the leading underscore, or
    under the key that ``KEYS`` gives it. States saved by older versions bear some names with
    the underscore; both are read.
    """

    __slots__ = ()
    KEPT: ClassVar[tuple[str, ...]] = ()
    KEYS: ClassVar[Mapping[str, str]] = {}

    def __init_subclass__(cls) -> None:
        super().__init_subclass__()
        if "KEPT" not in cls.__dict__ and "__annotations__" in cls.__dict__:
            cls.KEPT = tuple(cls.__annotations__)

    def save(self) -> dict[str, Json]:
        """Everything, ready for JSON; a copy."""
        return {self._key(name): _saved(getattr(self, name)) for name in self.KEPT}

    def restore(self, state: State) -> None:
        """Take over a saved state; what it does not name stays as it is.

        A part is restored in place, and of a dict of parts those that are in both.
        """
        hints = _hints(type(self))
        for name in self.KEPT:
            key = self._key(name)
            if key not in state:
                key = name
            if key in state:
                self._restore_one(name, hints.get(name, object), state[key])

    def _restore_one(self, name: str, kind: object, value: Json) -> None:
        now = getattr(self, name)
        if _has_parts(kind) or _is_part(now):
            _restore_parts(now, value)
            return
        read = _JSON.read(kind, value)
        if isinstance(now, deque) and isinstance(read, deque | list):
            read = deque(read, now.maxlen)
        setattr(self, name, read)

    def _key(self, name: str) -> str:
        return self.KEYS.get(name) or name.lstrip("_")


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

# Keys of version 1 that have another name now.
_WATCH_KEYS = {"scribe": "writer", "slots": "signals"}
_ALARM_KEYS = {
    "judge": "evaluator",
    "told": "last_event",
    "seen_by": "acknowledged_by",
    "seen_ms": "acknowledged_ms",
    "unseen_since_ms": "unacknowledged_since_ms",
}
# Fields that event documents have had since version 2.
_NEW_IN_EVENTS: State = {"occurrence": None, "to": None, "off_duty": False, "when_over": None}


def current(state: State) -> State:
    """A saved state in the form of this version. DewlineError for a version nobody knows."""
    match state.get("version"):
        case 1:
            return _from_version_1(state)
        case 2:
            return state
        case version:
            raise DewlineError(f"a watch state of version {version!r} cannot be read")


def _from_version_1(state: State) -> State:
    """Rename the keys, and give event documents the fields they lacked.

    Where a document says what remains to be done after the end of its alarm, that stays in
    its ``advice``. ``occurrence`` stays unknown until the alarm begins anew.
    """
    alarms = part_of(state, "alarms")
    orphans = part_of(state, "orphans")
    return {
        **_renamed(state, _WATCH_KEYS),
        "version": SAVED_VERSION,
        "alarms": {name: _alarm(part_of(alarms, name)) for name in alarms},
        "orphans": {name: _document(part_of(orphans, name)) for name in orphans},
        "rate": {"times_ms": state["rate"], "published": state["rate_told"]},
    }


def _alarm(state: State) -> dict[str, Json]:
    found = _renamed(state, _ALARM_KEYS)
    if state["told"] is not None:
        found["last_event"] = _document(part_of(state, "told"))
    return found


def _document(event: State) -> dict[str, Json]:
    return {**_NEW_IN_EVENTS, **event}


def _renamed(state: State, keys: Mapping[str, str]) -> dict[str, Json]:
    return {keys.get(name, name): value for name, value in state.items()}


def last_events(state: State) -> dict[str, EventDocument]:
    """The last event of every alarm in a saved state that was not normal."""
    alarms = part_of(state, "alarms")
    found = {name: part_of(alarms, name).get("last_event") for name in alarms}
    return {n: cast("EventDocument", event) for n, event in found.items() if event}
