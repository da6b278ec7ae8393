"""The watch plan as JSON and back, for the journal: the rules a record was judged by.

A document leaves out every field that has its default, and names the kind of a condition by
the table ``KINDS``. So neither a field added later nor a renamed class changes the document, or
the hash, of a plan that does not use it. Documents of older versions hold all fields; they are
read to the same plan, which has another hash today: ``same_plan`` compares plans, not hashes.

Until hours could name days they were one span of every day, written as its two minutes.

A default of a field, once released, must not change: a document that leaves the field out
means the default of its time.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import get_args

from dewline.typed_json import Json, TypedJson
from dewline.watch_plan import ConditionPlan, WatchPlan

# Names in recorded documents: a class that is renamed keeps its old name here.
KINDS: dict[str, type] = {kind.__name__: kind for kind in get_args(ConditionPlan)}
_JSON = TypedJson(KINDS, omit_defaults=True)


def watch_plan_to_json(plan: WatchPlan) -> str:
    """One line of canonical JSON: the order of the plan, no spaces, shortest floats."""
    return json.dumps(_JSON.plain(plan), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def watch_plan_from_json(text: str) -> WatchPlan:
    """The plan that was written, by this version or an older one.

    A field that the document does not name has its default. ValueError on a text that holds
    no plan.
    """
    try:
        plan = _JSON.read(WatchPlan, _with_spans(json.loads(text)))
    except (KeyError, TypeError) as error:
        raise ValueError(f"no watch plan: {error!r}") from error
    if not isinstance(plan, WatchPlan):
        raise ValueError("no watch plan: not a JSON object")
    return plan


def _with_spans(document: Json) -> Json:
    """A document of a plan in which every ``hours`` is a list of spans."""
    if not isinstance(document, dict):
        return document
    holders = [document, *_dicts(document.get("escalations")), *_dicts(document.get("on_call"))]
    for holder in holders:
        for key in ("staffed", "hours"):
            span = holder.get(key)
            if isinstance(span, list) and span and not isinstance(span[0], list):
                holder[key] = [span]
    return document


def _dicts(rows: Json) -> list[dict[str, Json]]:
    return [row for row in rows if isinstance(row, dict)] if isinstance(rows, list) else []


def plan_hash(plan: WatchPlan) -> str:
    """16 hex digits that name a watch plan in journal and snapshots: SHA-256 of its document."""
    return hashlib.sha256(watch_plan_to_json(plan).encode()).hexdigest()[:16]


def same_plan(recorded: WatchPlan, today: WatchPlan) -> bool:
    """Whether a recorded plan judges as the plan of today's config does, in the same order.

    ``when_over`` does not count where the recorded rule has none: records older than this key
    cannot hold it, and it is no part of any judgement.
    """
    rules = {
        name: rule
        if rule.when_over is not None or name not in today.rules
        else replace(rule, when_over=today.rules[name].when_over)
        for name, rule in recorded.rules.items()
    }
    return plan_hash(replace(recorded, rules=rules)) == plan_hash(today)
