"""The currency of the house: readings, the inputs of the watch, and what follows from them.

Every value that moves between rooms is one of these frozen things. Times are
integer milliseconds: ``time_ms`` is wall time (a label, UTC epoch), ``at_ms``
is the watch's own time, which never goes back (see ``drive``).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import IntEnum
from typing import Any, Literal, NamedTuple

Priority = Literal["critical", "high", "medium", "low"]
PRIORITIES: tuple[Priority, ...] = ("critical", "high", "medium", "low")

State = Literal[
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned",
    "latched-unacknowledged",
    "latched-acknowledged",
    "shelved",
    "suppressed",
    "out-of-service",
]
Transition = Literal[
    "raised",
    "acknowledged",
    "returned",
    "cleared",
    "reset",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "removed-from-service",
    "returned-to-service",
    "escalated",
    "reminded",
    "cause-changed",
    "chattering",
]
CommandName = Literal[
    "acknowledge",
    "shelve",
    "unshelve",
    "out-of-service",
    "return-to-service",
    "reset",
    "note",
]
ClockWord = Literal["synchronised", "unsynchronised"]
ResumeReason = Literal["start", "restart", "reload"]


class Quality(IntEnum):
    """OPC UA quality words with one reason. 0-9 good, 10-19 uncertain, 20-29 bad."""

    GOOD = 0
    LOW = 1
    OVER_RANGE = 10
    UNDER_RANGE = 11
    WARMING_UP = 12
    UNPROVEN = 13
    NO_ANSWER = 20
    EXCEPTION = 21
    NOT_A_NUMBER = 22
    LOOP_FAULT = 23
    INSTRUMENT_FAULT = 24
    FROZEN = 25
    OFF = 26

    @property
    def text(self) -> str:
        """The word used in topics, CSV and pages, e.g. ``bad/no-answer``."""
        return QUALITY_TEXT[self]


QUALITY_TEXT: Mapping[Quality, str] = {
    Quality.GOOD: "good",
    Quality.LOW: "good/low",
    Quality.OVER_RANGE: "uncertain/over-range",
    Quality.UNDER_RANGE: "uncertain/under-range",
    Quality.WARMING_UP: "uncertain/warming-up",
    Quality.UNPROVEN: "uncertain/unproven",
    Quality.NO_ANSWER: "bad/no-answer",
    Quality.EXCEPTION: "bad/exception",
    Quality.NOT_A_NUMBER: "bad/not-a-number",
    Quality.LOOP_FAULT: "bad/loop-fault",
    Quality.INSTRUMENT_FAULT: "bad/instrument-fault",
    Quality.FROZEN: "bad/frozen",
    Quality.OFF: "bad/off",
}
QUALITY_BY_TEXT: Mapping[str, Quality] = {text: q for q, text in QUALITY_TEXT.items()}


class Reading(NamedTuple):
    """A value with its quality; ``value`` is None exactly when there is no number.

    A NamedTuple, not a dataclass, because a night holds half a million of them.
    """

    value: float | None
    quality: Quality


@dataclass(frozen=True, slots=True)
class Scan:
    """What one turn of one instrument gave, or one row group of a CSV.

    ``readings`` is keyed by full signal name (``heron.moisture``). A signal
    that was asked for and not got stands there with a bad quality and no value.
    """

    time_ms: int
    at_ms: int
    source: str
    readings: Mapping[str, Reading]


@dataclass(frozen=True, slots=True)
class Tick:
    """A whole second of watch time. Derived from item times, never stored."""

    at_ms: int


@dataclass(frozen=True, slots=True)
class Command:
    """What a person said. ``alarm`` for alarm commands; ``box``/``kind``/``why`` for a note."""

    time_ms: int
    at_ms: int
    source: str
    command: CommandName
    by: str
    alarm: str | None = None
    for_s: float | None = None
    why: str | None = None
    box: str | None = None
    kind: str | None = None


@dataclass(frozen=True, slots=True)
class Resumed:
    """The watch goes on after a start, a restart or a reload, under the plan of this hash.

    ``gap_ms`` is how long nothing was watched; 0 for a start and a reload.
    """

    time_ms: int
    at_ms: int
    reason: ResumeReason
    gap_ms: int
    plan_hash: str


Item = Scan | Tick | Command | Resumed


@dataclass(frozen=True, slots=True)
class Cause:
    """Why, as a set: ``name`` first, ``also`` what could not be told from it."""

    name: str
    confidence: float
    also: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    tell_apart: str | None = None

    def document(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "or": list(self.also),
            "confidence": self.confidence,
            "evidence": list(self.evidence),
            "tell_apart": self.tell_apart,
        }


UNKNOWN_CAUSE = Cause("unknown", 0.0)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Seconds until ``limit`` is reached, with a range; None where it never is."""

    limit: float
    unit: str
    in_s: float | None
    low_s: float | None
    high_s: float | None

    def document(self) -> dict[str, Any]:
        return {
            "limit": self.limit,
            "unit": self.unit,
            "in_s": self.in_s,
            "low_s": self.low_s,
            "high_s": self.high_s,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One alarm transition. ``seq`` counts events from 1 without a hole."""

    id: str
    seq: int
    time_ms: int
    at_ms: int
    site: str
    box: str
    alarm: str
    transition: Transition
    state: State
    priority: Priority
    signal: str
    value: float | None = None
    unit: str | None = None
    quality: str | None = None
    limit: float | None = None
    limit_unit: str | None = None
    since_ms: int | None = None
    by: str | None = None
    why: str | None = None
    until_ms: int | None = None
    under: str | None = None
    clock: ClockWord = "synchronised"
    mode: str | None = None
    cause: Cause = UNKNOWN_CAUSE
    outlook: Outlook | None = None
    advice: str | None = None
    caution: str | None = None

    def document(self) -> dict[str, Any]:
        """The event document: every key always present, null where there is none."""
        return {
            "id": self.id,
            "seq": self.seq,
            "time": iso_utc(self.time_ms),
            "at_ms": self.at_ms,
            "site": self.site,
            "box": self.box,
            "alarm": self.alarm,
            "transition": self.transition,
            "state": self.state,
            "priority": self.priority,
            "signal": self.signal,
            "value": self.value,
            "unit": self.unit,
            "quality": self.quality,
            "limit": self.limit,
            "limit_unit": self.limit_unit,
            "since": None if self.since_ms is None else iso_utc(self.since_ms),
            "by": self.by,
            "why": self.why,
            "until": None if self.until_ms is None else iso_utc(self.until_ms),
            "under": self.under,
            "clock": self.clock,
            "mode": self.mode,
            "cause": self.cause.document(),
            "outlook": None if self.outlook is None else self.outlook.document(),
            "advice": self.advice,
            "caution": self.caution,
        }


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """A closed (or still open: ``ended_ms`` None) entry of a ledger, e.g. one transfer."""

    id: str
    box: str
    kind: str
    started_ms: int
    ended_ms: int | None
    document: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Reply:
    """The answer to a Command."""

    ok: bool
    message: str
    event_id: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What follows from one item. ``readings`` holds derived signals only."""

    events: tuple[Event, ...] = ()
    readings: Mapping[str, Reading] = field(default_factory=dict)
    ledger: tuple[LedgerRow, ...] = ()
    reply: Reply | None = None


NOTHING = Outcome()


class Entry(NamedTuple):
    """What goes to the record in one piece. ``item`` is None for what a tick brought about.

    ``seq`` counts recorded items from 1; what a tick brought about bears the
    ``seq`` of the item before it.
    """

    seq: int
    item: Scan | Command | Resumed | None
    outcome: Outcome


def iso_utc(time_ms: int) -> str:
    """``2026-03-02T02:14:09.250Z`` for a UTC epoch in ms."""
    stamp = datetime.fromtimestamp(time_ms // 1000, UTC)
    return f"{stamp:%Y-%m-%dT%H:%M:%S}.{time_ms % 1000:03d}Z"


def parse_iso_utc(text: str) -> int:
    """UTC epoch in ms of an ISO 8601 time; ValueError where it is none or has no zone."""
    stamp = datetime.fromisoformat(text)
    if stamp.tzinfo is None:
        raise ValueError(f"{text!r} has no time zone; write it in UTC, ending in Z")
    return round(stamp.timestamp() * 1000)


def compact_json(document: Any) -> str:
    """One line of JSON. NaN is refused: a reading without a number has value None."""
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
