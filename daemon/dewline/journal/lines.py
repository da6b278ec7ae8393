"""Rows of the record as line protocol, for stores that speak it.

Syntax: InfluxData, "Line protocol", docs v2 (measurement, tags, fields,
nanoseconds; commas, spaces and equals signs escaped in names). Few tags of few
values; every field a float, because a store refuses a field that changes type.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from dewline.journal.reader import Row
from dewline.readings import LedgerRow, parse_iso_utc

_ESCAPED = str.maketrans({",": r"\,", " ": r"\ ", "=": r"\=", "\n": r"\ ", "\\": "/"})


def line(
    measurement: str, tags: Mapping[str, str | None], fields: Mapping[str, Any], time_ms: int
) -> str | None:
    """One line, or None where no field is a finite number. Empty tags are left out."""
    numbers = {
        name: float(value)
        for name, value in fields.items()
        if isinstance(value, (int, float)) and math.isfinite(value)
    }
    if not numbers:
        return None
    head = [measurement, *(f"{name}={_name(text)}" for name, text in sorted(tags.items()) if text)]
    body = ",".join(f"{_name(name)}={value!r}" for name, value in numbers.items())
    return f"{','.join(head)} {body} {time_ms * 1_000_000}"


def _name(text: str) -> str:
    return text.translate(_ESCAPED)


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
    made = line("reading", tags, {"value": row.value, "code": int(row.quality)}, row.time_ms)
    assert made is not None  # code is always a number
    return made


def event_line(event: Mapping[str, Any]) -> str:
    """An event document: what it was as tags, its numbers as fields."""
    tags = {
        "box": event["box"],
        "alarm": str(event["alarm"]).partition(".")[2],
        "transition": event["transition"],
        "priority": event["priority"],
        "cause": event["cause"]["name"],
    }
    fields = {"seq": event["seq"], "value": event["value"], "limit": event["limit"]}
    made = line("event", tags, fields, parse_iso_utc(event["time"]))
    assert made is not None  # seq is always a number
    return made


def ledger_line(row: LedgerRow) -> str | None:
    """A closed ledger row at its end, with every number of its document; None while open."""
    if row.ended_ms is None:
        return None
    fields = {"duration_s": (row.ended_ms - row.started_ms) / 1000, **row.document}
    return line("ledger", {"box": row.box, "kind": row.kind}, fields, row.ended_ms)
