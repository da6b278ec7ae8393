"""Rows of the record as line protocol, for stores that speak it.

Few tags of few values; every field a float, because a store refuses a field
that changes type.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dewline.journal.reader import Row
from dewline.lineprotocol import line
from dewline.readings import LedgerRow, parse_iso_utc


def reading_line(row: Row) -> str:
    """A reading; ``code`` is the quality as a number, so that one without a value is seen too."""
    box, _, signal = row.signal.partition(".")
    tags = {
        "box": box,
        "signal": signal,
        "unit": row.unit,
        "origin": row.origin,
        "quality": row.quality.text,
    }
    fields = numbers({"value": row.value, "code": int(row.quality)})
    return line("reading", tags, fields, row.time_ms)


def event_line(event: Mapping[str, Any]) -> str:
    """An event document: what it was as tags, its numbers as fields."""
    tags = {
        "box": event["box"],
        "alarm": str(event["alarm"]).partition(".")[2],
        "transition": event["transition"],
        "priority": event["priority"],
        "cause": event["cause"]["name"],
    }
    fields = numbers({name: event[name] for name in ("seq", "value", "limit")})
    return line("event", tags, fields, parse_iso_utc(event["time"]))


def ledger_line(row: LedgerRow) -> str | None:
    """A closed ledger row at its end, with every number of its document; None while open."""
    if row.ended_ms is None:
        return None
    fields = {"duration_s": (row.ended_ms - row.started_ms) / 1000, **row.document}
    return line("ledger", {"box": row.box, "kind": row.kind}, numbers(fields), row.ended_ms)


def numbers(document: Mapping[str, Any]) -> dict[str, float]:
    """What of a document is a number, as floats: switches count, texts and lists do not."""
    return {name: float(v) for name, v in document.items() if isinstance(v, (int, float))}
