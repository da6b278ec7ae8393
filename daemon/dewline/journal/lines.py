"""Rows of the record as line protocol, for stores that speak it.

Few tags of few values; every field a float, because a store refuses a field
that changes type.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dewline.events import LedgerRow, State
from dewline.journal.line_protocol import line
from dewline.journal.reader import Row
from dewline.readings import parse_iso_utc

# How soon somebody should look: the higher the sooner, 0 is over.
STATE_RANK: Mapping[State, int] = {
    "normal": 0,
    "out-of-service": 1,
    "suppressed": 2,
    "shelved": 3,
    "returned": 4,
    "latched-acknowledged": 5,
    "acknowledged": 6,
    "latched-unacknowledged": 7,
    "unacknowledged": 8,
}
_PARTS = ("antechamber", "gas", "of")  # what of a box a ledger row is about


def reading_line(row: Row, site: str) -> str:
    """A reading; ``code`` is the quality as a number, so that one without a value is seen too."""
    box, _, signal = row.signal.partition(".")
    tags = {
        "site": site,
        "box": box,
        "signal": signal,
        "unit": row.unit,
        "origin": row.origin,
        "quality": row.quality.text,
    }
    fields = numbers({"value": row.value, "code": int(row.quality)})
    return line("reading", tags, fields, row.time_ms)


def event_line(event: Mapping[str, Any]) -> str:
    """An event document: what it was as tags; its numbers and the state's rank as fields."""
    tags = {
        "site": event["site"],
        "box": event["box"],
        "alarm": str(event["alarm"]).partition(".")[2],
        "transition": event["transition"],
        "priority": event["priority"],
        "cause": event["cause"]["name"],
    }
    fields = numbers({name: event[name] for name in ("seq", "value", "limit")})
    fields["state"] = float(STATE_RANK[event["state"]])
    return line("event", tags, fields, parse_iso_utc(event["time"]))


def ledger_line(row: LedgerRow, site: str) -> str | None:
    """A closed ledger row at its end, with every number of its document; None while open.

    ``of`` tells rows apart that one box closes at one moment, such as the answers
    of two analyzers to the same transfer.
    """
    if row.ended_ms is None:
        return None
    of = next((row.document[name] for name in _PARTS if row.document.get(name)), "")
    tags = {"site": site, "box": row.box, "kind": row.kind, "of": str(of)}
    fields = {"duration_s": (row.ended_ms - row.started_ms) / 1000, **row.document}
    return line("ledger", tags, numbers(fields), row.ended_ms)


def numbers(document: Mapping[str, Any]) -> dict[str, float]:
    """What of a document is a number, as floats: switches count, texts and lists do not.

    A part of it gives its numbers with its own name before theirs: ``hold_class``.
    """
    found: dict[str, float] = {}
    for name, value in document.items():
        if isinstance(value, (int, float)):
            found[name] = float(value)
        elif isinstance(value, Mapping):
            found |= {f"{name}_{part}": number for part, number in numbers(value).items()}
    return found
