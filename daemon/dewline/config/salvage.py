"""Validate a piece of config, report every mistake, and keep what is right.

What is wrong is cut out and the rest validated again, so that the checks across sections still
run and are reported beside the mistakes in single fields.
"""

from __future__ import annotations

import copy
import types
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Annotated, TypeGuard, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from dewline.config.nodes import KeyPath, SourceFile, choice, value_at
from dewline.typed_json import Json

M = TypeVar("M", bound=BaseModel)
_ROUNDS = 20  # every round cuts at least one part out; deeper nesting than this has no model


def salvage(
    model: type[M],
    source: SourceFile,
    *,
    data: object = None,
    base: KeyPath = (),
    stand_ins: Mapping[str, Json] | None = None,
) -> M | None:
    """The model of what is right in ``data`` (else the source's), or None if nothing is.

    ``base`` is where ``data`` stands in the source; ``stand_ins`` fills
    required keys at the top, so that the rest can still be checked.
    """
    left = copy.deepcopy(source.data if data is None else data)
    if not isinstance(left, dict):
        source.report(base, "is no mapping", "write keys and values: `key: value`")
        return None
    for turn in range(_ROUNDS):
        try:
            return model.model_validate(left)
        except ValidationError as error:
            every = error.errors(include_url=False)
            for found in every:
                if turn == 0 or found["type"] != "missing":
                    _report(source, model, base, left, found)
            cut = [_cut(left, found, stand_ins or {}) for found in every]
            if not all(cut):
                return None
    return None


def _report(
    source: SourceFile, model: type[BaseModel], base: KeyPath, data: Json, found: ErrorDetails
) -> None:
    loc, kind = tuple(found["loc"]), found["type"]
    path = _real(data, loc)
    if kind in ("missing", "extra_forbidden"):
        path = (*_real(data, loc[:-1]), loc[-1])
        if kind == "missing" and source.broken(base + path):
            return  # the key is there; what it held was refused before
    problem, remedy = _words(model, path, found)
    on_key = kind in ("missing", "extra_forbidden") or "[key]" in loc
    source.report(base + path, problem, remedy, on_key=on_key)


def _real(data: Json, loc: Sequence[int | str]) -> KeyPath:
    """The part of a pydantic location that exists in the data: no tags, no ``[key]``."""
    path: list[str | int] = []
    for part in loc:
        inside = isinstance(data, dict) and part in data
        if inside or (isinstance(data, list) and isinstance(part, int) and part < len(data)):
            data = value_at(data, (part,))
            path.append(part)
    return tuple(path)


def _cut(data: dict[str, Json], found: ErrorDetails, stand_ins: Mapping[str, Json]) -> bool:
    """Take the wrong part out, lists whole, for places count in them. False if nothing is left."""
    loc = tuple(found["loc"])
    path = _real(data, loc)
    if found["type"] == "missing" and len(loc) == 1:
        data.update({k: copy.deepcopy(v) for k, v in stand_ins.items() if k == loc[0]})
        return loc[0] in stand_ins
    whole = next((i for i, part in enumerate(path) if isinstance(part, int)), len(path))
    path = path[:whole]
    around = value_at(data, path[:-1])  # None: cut with another mistake
    if path and isinstance(around, dict):
        around.pop(str(path[-1]), None)
    return bool(path)


_TYPES = {
    "int_type": "a whole number",
    "float_type": "a number",
    "string_type": "text",
    "bool_type": "true or false",
    "list_type": "a list: [a, b]",
    "dict_type": "a mapping: key: value",
    "model_type": "a mapping: key: value",
    "tuple_type": "a list: [a, b]",
}
_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


def _words(model: type[BaseModel], path: KeyPath, found: ErrorDetails) -> tuple[str, str]:
    """Problem and remedy of one pydantic error."""
    kind, context, value = found["type"], found.get("ctx", {}), found.get("input")
    if kind == "dewline":
        return (str(context["problem"]), str(context["remedy"]))
    if kind == "missing":
        return ("is missing", f"add `{path[-1]}:`")
    if kind == "extra_forbidden":
        return ("is no key of this place", _instead(model, path))
    if kind in ("too_short", "too_long"):
        return (f"has {context['actual_length']} items", str(found["msg"]).partition(" after")[0])
    secret = any(str(part).endswith("_file") for part in path)
    return _value_words(kind, context, _Hidden() if secret else value, str(found["msg"]))


class _Hidden:
    """Printed in place of what may be a secret, written where its file's name belongs."""

    def __repr__(self) -> str:
        return "the value"


def _value_words(
    kind: str, context: Mapping[str, object], value: object, said: str
) -> tuple[str, str]:
    if kind in _TYPES:
        return (f"{_shown(value)} is not {_TYPES[kind]}", f"write {_TYPES[kind]}")
    if kind == "literal_error":
        expected = str(context["expected"]).replace(" or ", ", ").split(", ")
        return (f"{_shown(value)} is not allowed", choice([w.strip("'") for w in expected], value))
    if kind in _BOUNDS:
        key, word = _BOUNDS[kind]
        return (f"{_shown(value)} is out of range", f"write {word} {context[key]}")
    return (f"{_shown(value)}: {said}", "`dewline schema` says what may stand here")


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _instead(model: type[BaseModel], path: KeyPath) -> str:
    known = _keys_at(model, path[:-1])
    near = get_close_matches(str(path[-1]), known, n=1, cutoff=0.6)
    if near:
        return f"did you mean `{near[0]}`?"
    return f"known here: {', '.join(known)}" if known else "leave it out"


def _keys_at(model: object, path: KeyPath) -> list[str]:
    """The keys a model knows at a path into it."""
    for part in path:
        model = _bare(model)
        if get_origin(model) in (dict, list):
            model = get_args(model)[-1]
        elif _is_model(model) and part in model.model_fields:
            model = model.model_fields[part].annotation
        else:
            return []
    model = _bare(model)
    return list(model.model_fields) if _is_model(model) else []


def _bare(kind: object) -> object:
    """A type without Annotated, without None; of a union the model in it."""
    while get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    if get_origin(kind) in (Union, types.UnionType):
        members = [_bare(m) for m in get_args(kind) if m is not type(None)]
        return next((m for m in members if _is_model(m)), members[0])
    return kind


def _is_model(kind: object) -> TypeGuard[type[BaseModel]]:
    return isinstance(kind, type) and issubclass(kind, BaseModel)
