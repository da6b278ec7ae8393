"""What follows from the inputs of the watch: events, ledger rows, replies, outcomes.

Times are integer milliseconds: ``time_ms`` is wall time (a label, UTC epoch), ``at_ms`` is the
watch's own time, which never goes back.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal, NamedTuple, TypedDict, cast

from dewline.readings import Command, Reading, Resumed, Scan, Verdict, iso_utc

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


ACTIVE_STATES: frozenset[State] = frozenset({"unacknowledged", "acknowledged"})
"""The condition of the alarm is met, and the alarm is not hidden."""

CALLING_STATES: frozenset[State] = frozenset({"unacknowledged", "latched-unacknowledged"})
"""The alarm calls for an answer: it pages, reminds and escalates until somebody acknowledges."""

UNACKNOWLEDGED_STATES: frozenset[State] = CALLING_STATES | {"returned"}
"""An acknowledgement is still due; a returned alarm waits for it without calling."""

LATCHED_STATES: frozenset[State] = frozenset({"latched-unacknowledged", "latched-acknowledged"})
"""The condition is over, and the alarm stays until somebody resets it at the daemon."""

ENDED_STATES: frozenset[State] = LATCHED_STATES | {"normal", "returned"}
"""The condition is over, whatever is still to be acknowledged or reset."""

OVERLAY_STATES: frozenset[State] = frozenset({"shelved", "suppressed", "out-of-service"})
"""The alarm is hidden: its state does not say whether the condition is met."""

CALLING_TRANSITIONS: frozenset[Transition] = frozenset(
    {"raised", "unsuppressed", "unshelved", "returned-to-service"}
)
"""With these an alarm begins to call, if it then is in a calling state."""

Trend = Literal["rising", "falling"]
ClockWord = Literal["synchronised", "unsynchronised"]


CauseDocument = TypedDict(
    "CauseDocument",
    {
        "name": str,
        "or": list[str],
        "confidence": float,
        "evidence": list[str],
        "tell_apart": str | None,
    },
)


class OutlookDocument(TypedDict):
    """When a limit is reached, in seconds from the event; None where it never is."""

    limit: float
    unit: str
    in_s: float | None
    low_s: float | None
    high_s: float | None


class LastGoodDocument(TypedDict):
    """The last good value of a signal, and when it was read (ISO 8601 in UTC)."""

    value: float
    time: str


class TroubleDocument(TypedDict):
    """An alarm that stands while another one ends: its signal as it is now.

    ``trend``: where the value went in the last minutes; null where it stays or is not known.
    """

    alarm: str
    box: str
    priority: Priority
    signal: str
    value: float | None
    unit: str | None
    quality: str | None
    limit: float | None
    limit_unit: str | None
    trend: Trend | None
    advice: str | None
    caution: str | None


class EventDocument(TypedDict):
    """One alarm transition as JSON, as it is published, paged and kept.

    Times are ISO 8601 in UTC. ``occurrence`` is the ``id`` of the event with which this
    occurrence of the alarm began: its ``raised``, or the event that came in its place, because
    the alarm was suppressed, shelved or out of service. It is null for an event that belongs to
    no occurrence, and for events of version 1. ``to``: the contact an escalation goes to;
    ``off_duty``: nobody on call was there to be asked before. ``when_over``: what remains to be
    done after the end. ``stopped_at``: at the end of a power cut or of a lost bus, the boxes in
    which circulation stands. ``stands``: at the end of an alarm, what is no less urgent and
    still stands in its box, its services or by its cause, the most urgent first. ``last_good``:
    where the quality is not good, what the signal showed before that; then ``value`` may be no
    more than an end of the range.
    """

    id: str
    seq: int
    time: str
    at_ms: int
    site: str
    box: str
    alarm: str
    transition: Transition
    state: State
    priority: Priority
    signal: str
    value: float | None
    unit: str | None
    quality: str | None
    limit: float | None
    limit_unit: str | None
    since: str | None
    occurrence: str | None
    by: str | None
    to: str | None
    off_duty: bool
    why: str | None
    until: str | None
    under: str | None
    clock: ClockWord
    mode: str | None
    cause: CauseDocument
    outlook: OutlookDocument | None
    advice: str | None
    when_over: str | None
    caution: str | None
    stopped_at: list[str]
    stands: list[TroubleDocument]
    last_good: LastGoodDocument | None


class PresentReading(TypedDict):
    """What the signal of an alarm shows now; ISO 8601 in UTC."""

    value: float | None
    quality: str
    time: str | None


class AlarmDocument(EventDocument):
    """The last event of an alarm, which shows the figures of its own time, and those of now.

    ``now``: null where the alarm is over, or nothing was read of its signal since the start.
    """

    now: PresentReading | None


def alarm_document(event: EventDocument, now: PresentReading | None) -> AlarmDocument:
    """The last event of an alarm with what its signal shows now."""
    return {**event, "now": None if event["state"] == "normal" else now}


def event_document(text: str) -> EventDocument:
    """The event document in a text of JSON, with every key, whichever version wrote it."""
    document: EventDocument = json.loads(text)
    if "occurrence" not in document:
        return completed(document)
    document.setdefault("stopped_at", [])
    document.setdefault("stands", [])
    document.setdefault("last_good", None)
    return document


def completed(old: EventDocument) -> EventDocument:
    """An event document of version 1, with the keys that came after it.

    Version 1 wrote the contact of an escalation, and that nobody was on duty, into ``why``;
    what remains to be done after the end into ``advice``. These texts are taken apart here and
    nowhere else. ``occurrence`` stays null: nothing says to which raise the event belongs.
    """
    why, advice = old["why"] or "", old["advice"] or ""
    to, colon, reason = why.partition(": ")
    escalated = old["transition"] == "escalated" and bool(colon)
    return {
        **old,
        "occurrence": None,
        "to": to if escalated else None,
        "off_duty": escalated and "nobody was there" in reason,
        "why": reason if escalated else old["why"],
        "when_over": advice if advice.startswith("When ") else None,
        "stopped_at": [],
        "stands": [],
        "last_good": None,
    }


@dataclass(frozen=True, slots=True)
class Cause:
    """The likely cause: ``name``, or one of ``also``, which look the same.

    ``confidence``: how sure it is that the cause is one of these, from 0 to 1. ``evidence``: the
    facts that led to it. ``tell_apart``: what a person can do to find which one it is.
    """

    name: str
    confidence: float
    also: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    tell_apart: str | None = None

    def document(self) -> CauseDocument:
        """As JSON."""
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
    """Seconds until ``limit`` is reached, with its range; None where it never is."""

    limit: float
    unit: str
    in_s: float | None
    low_s: float | None
    high_s: float | None

    def document(self) -> OutlookDocument:
        """As JSON."""
        return cast("OutlookDocument", asdict(self))


# Fields of an event that stand as ISO 8601 in its document, under another name.
_MOMENTS = {"time_ms": "time", "since_ms": "since", "until_ms": "until"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One alarm transition, as ``EventDocument`` but with its times in ms (UTC epoch).

    ``seq`` counts events from 1 without a hole. ``at_ms`` is watch time.
    """

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
    occurrence: str | None = None
    by: str | None = None
    to: str | None = None
    off_duty: bool = False
    why: str | None = None
    until_ms: int | None = None
    under: str | None = None
    clock: ClockWord = "synchronised"
    mode: str | None = None
    cause: Cause = UNKNOWN_CAUSE
    outlook: Outlook | None = None
    advice: str | None = None
    when_over: str | None = None
    caution: str | None = None
    stopped_at: tuple[str, ...] = ()
    stands: tuple[TroubleDocument, ...] = ()
    last_good: LastGoodDocument | None = None

    def document(self) -> EventDocument:
        """The event document, ready for JSON.

        Every key is always present, null where there is nothing to say. ``time``, ``since`` and
        ``until`` are the moments whose fields end in ``_ms``; all other keys are fields.
        """
        found = {one.name: getattr(self, one.name) for one in fields(self)}
        document = {_MOMENTS.get(name, name): _plain(name, value) for name, value in found.items()}
        return cast("EventDocument", document)


def _plain(field: str, value: object) -> object:
    """The value of a field of an event, as JSON."""
    if field in _MOMENTS and isinstance(value, int):
        return iso_utc(value)
    if isinstance(value, Cause | Outlook):
        return value.document()
    return list(value) if isinstance(value, tuple) else value


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """An entry of a ledger, such as one transfer; still open while ``ended_ms`` is None.

    Times are wall times in ms (UTC epoch). ``document`` depends on ``kind``.
    """

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
    """What follows from one item.

    ``readings`` holds derived signals only. ``verdicts``: those that began or ended.
    """

    events: tuple[Event, ...] = ()
    readings: Mapping[str, Reading] = field(default_factory=dict)
    ledger: tuple[LedgerRow, ...] = ()
    reply: Reply | None = None
    verdicts: tuple[Verdict, ...] = ()


NOTHING = Outcome()


class Entry(NamedTuple):
    """What goes to the record in one piece: an item and its outcome.

    ``item`` is None for the outcome of a tick. ``seq`` counts recorded items from 1; the
    outcome of a tick has the ``seq`` of the item before it.
    """

    seq: int
    item: Scan | Command | Resumed | None
    outcome: Outcome
