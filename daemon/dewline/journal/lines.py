"""Rows of the record as InfluxDB line protocol.

Few tags with few values each; every field is a float, because a store refuses a field that
changes its type.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewline.events import EventDocument, LedgerRow, State
from dewline.journal.line_protocol import line
from dewline.journal.reader import Row
from dewline.readings import Quality, Verdict, parse_iso_utc, shown_value

# How urgent a state is, as the field ``state``: 0 is normal.
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
_PARTS = ("antechamber", "gas", "of")  # keys that name the part of a box in a ledger row


def reading_line(row: Row, site: str) -> str:
    """A reading as one line.

    Its quality under the verdicts is a tag in words and the field ``code`` as a number, so that a
    reading without a value makes a line too. ``raw``: the code of the quality that the bus gave,
    where it was another one.
    """
    box, _, signal = row.signal.partition(".")
    tags = {
        "site": site,
        "box": box,
        "signal": signal,
        "unit": row.unit,
        "origin": row.origin,
        "quality": row.quality.text,
    }
    fields = numbers({"value": shown_value(row.value, row.quality), "code": int(row.quality)})
    if row.raw is not row.quality:
        fields["raw"] = float(row.raw)
    return line("reading", tags, fields, row.time_ms)


def verdict_lines(verdict: Verdict, site: str) -> list[str]:
    """A verdict as a point at its beginning and, once it is over, one at its end.

    The field ``code`` is that of its quality, and 0 at the end. ``reading`` lines that were
    written before the watch found out keep their quality; this says since when they were wrong.
    """
    box, _, signal = verdict.signal.partition(".")
    tags = {"site": site, "box": box, "signal": signal, "quality": verdict.quality.text}
    lines = [line("verdict", tags, {"code": float(verdict.quality)}, verdict.time_ms)]
    if verdict.until_ms is not None:
        ended_ms = verdict.time_ms + verdict.until_ms - verdict.since_ms
        lines.append(line("verdict", tags, {"code": float(Quality.GOOD)}, ended_ms))
    return lines


def event_line(event: EventDocument) -> str:
    """An event as one line.

    Tags: site, box, alarm, transition, priority and the name of the cause. Fields: ``seq``,
    ``value``, ``limit`` and the rank of the state. ValueError for a time that is none.
    """
    tags = {
        "site": event["site"],
        "box": event["box"],
        "alarm": event["alarm"].partition(".")[2],
        "transition": event["transition"],
        "priority": event["priority"],
        "cause": event["cause"]["name"],
    }
    fields = numbers({"seq": event["seq"], "value": event["value"], "limit": event["limit"]})
    fields["state"] = float(STATE_RANK[event["state"]])
    return line("event", tags, fields, parse_iso_utc(event["time"]))


def ledger_line(row: LedgerRow, site: str) -> str | None:
    """A closed ledger row as one line at its end, with every number of its document.

    None for an open row. The tag ``of`` tells rows apart that one box closes at one moment, such
    as the answers of two analyzers to the same transfer.
    """
    if row.ended_ms is None:
        return None
    of = next((row.document[name] for name in _PARTS if row.document.get(name)), "")
    tags = {"site": site, "box": row.box, "kind": row.kind, "of": str(of)}
    fields = {"duration_s": (row.ended_ms - row.started_ms) / 1000, **row.document}
    return line("ledger", tags, numbers(fields), row.ended_ms)


def numbers(document: Mapping[str, object]) -> dict[str, float]:
    """The numbers in a document, as floats; truth values are 0 and 1, texts and lists left out.

    The numbers of an inner document bear its name before theirs: ``hold_class``.
    """
    found: dict[str, float] = {}
    for name, value in document.items():
        if isinstance(value, (int, float)):
            found[name] = float(value)
        elif isinstance(value, Mapping):
            found |= {f"{name}_{part}": number for part, number in numbers(value).items()}
    return found
