"""The watch plan as JSON and back, for the journal: what the night was judged by.

Conditions of different kinds have the same fields, so each bears its kind.
"""

from __future__ import annotations

import hashlib
import json
import types
from dataclasses import MISSING, Field, fields, is_dataclass
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from dewline.watch_plan import ConditionPlan, WatchPlan

KINDS: dict[str, type] = {kind.__name__: kind for kind in get_args(ConditionPlan)}


def watch_plan_to_json(plan: WatchPlan) -> str:
    """One line of canonical JSON: the order of the plan, no spaces, shortest floats."""
    return json.dumps(_plain(plan), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def watch_plan_from_json(text: str) -> WatchPlan:
    """The very plan that was written; ValueError or KeyError on anything else."""
    plan = _read(WatchPlan, json.loads(text))
    assert isinstance(plan, WatchPlan)
    return plan


def plan_hash(plan: WatchPlan) -> str:
    """16 hex digits that name a watch plan in journal and snapshots."""
    return hashlib.sha256(watch_plan_to_json(plan).encode()).hexdigest()[:16]


def _plain(value: Any) -> Any:
    if is_dataclass(value):
        kind = type(value).__name__
        content = {f.name: _plain(getattr(value, f.name)) for f in fields(value)}
        return {"kind": kind, **content} if kind in KINDS else content
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _has_default(field: Field[Any]) -> bool:
    return field.default is not MISSING or field.default_factory is not MISSING


def _read(kind: Any, value: Any) -> Any:
    """``value`` of JSON as the type ``kind``."""
    if value is None or kind is Any or get_origin(kind) is Literal:
        return value
    if isinstance(value, dict) and value.get("kind") in KINDS:
        kind = KINDS[value["kind"]]
        return kind(**{n: _read(t, value[n]) for n, t in _hints(kind).items()})
    if is_dataclass(kind):
        assert isinstance(kind, type)
        # What an older version did not know yet is as if it had not been written.
        optional = {f.name for f in fields(kind) if f.name not in value and _has_default(f)}
        hints = {n: t for n, t in _hints(kind).items() if n not in optional}
        return kind(**{n: _read(t, value[n]) for n, t in hints.items()})
    return _read_container(kind, value)


def _read_container(kind: Any, value: Any) -> Any:
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        members = [k for k in inner if k is not type(None)]
        return _read(members[0], value) if len(members) == 1 else value
    if origin is dict:
        return {key: _read(inner[1], item) for key, item in value.items()}
    if origin is tuple:
        of = [inner[0]] * len(value) if inner[-1] is Ellipsis else list(inner)
        return tuple(_read(k, item) for k, item in zip(of, value, strict=True))
    return value
