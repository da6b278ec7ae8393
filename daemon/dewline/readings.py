"""Readings and the inputs of the watch: scans, ticks, commands, resumes. All of them are frozen.

Times are integer milliseconds: ``time_ms`` is wall time (a label, UTC epoch), ``at_ms`` is the
watch's own time, which never goes back (see ``replay.drive``).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import IntEnum
from typing import Literal, NamedTuple

CommandName = Literal[
    "acknowledge",
    "shelve",
    "unshelve",
    "out-of-service",
    "return-to-service",
    "reset",
    "note",
    "planned",
    "planned-end",
]
ResumeReason = Literal["start", "restart", "reload"]


class Quality(IntEnum):
    """How far a reading can be trusted, after OPC UA: 0-9 good, 10-19 uncertain, 20-29 bad.

    Each value is one of these three words with its reason. ``text``: the word used in topics, CSV
    and pages, e.g. ``bad/no-answer``.
    """

    text: str

    def __new__(cls, number: int, text: str) -> Quality:
        self = int.__new__(cls, number)
        self._value_ = number
        self.text = text
        return self

    GOOD = 0, "good"
    LOW = 1, "good/low"
    OVER_RANGE = 10, "uncertain/over-range"
    UNDER_RANGE = 11, "uncertain/under-range"
    WARMING_UP = 12, "uncertain/warming-up"
    UNPROVEN = 13, "uncertain/unproven"
    NO_ANSWER = 20, "bad/no-answer"
    EXCEPTION = 21, "bad/exception"
    NOT_A_NUMBER = 22, "bad/not-a-number"
    LOOP_FAULT = 23, "bad/loop-fault"
    INSTRUMENT_FAULT = 24, "bad/instrument-fault"
    FROZEN = 25, "bad/frozen"
    OFF = 26, "bad/off"


QUALITY_BY_TEXT: Mapping[str, Quality] = {quality.text: quality for quality in Quality}


BEYOND_RANGE = frozenset({Quality.OVER_RANGE, Quality.UNDER_RANGE})
"""The value of such a reading is no more than an end of the range that the profile names."""


class Reading(NamedTuple):
    """A value with its quality; ``value`` is None exactly when there is no number.

    A NamedTuple, not a dataclass, because a night holds half a million of them.
    """

    value: float | None
    quality: Quality


class Verdict(NamedTuple):
    """What the watch says of the readings of one signal, for a stretch of watch time.

    The reading itself keeps the quality that the bus gave it; whoever shows it applies the
    verdict (``judge``). ``since_ms`` is watch time and may be earlier than the moment at which
    the watch found out; ``time_ms`` is its wall time. ``until_ms``: None while it stands.
    ``up_to``: only readings up to this value are meant; None: all. ``at_floor``: only readings
    that the bus calls ``good/low`` are meant.
    """

    signal: str
    quality: Quality
    since_ms: int
    time_ms: int
    until_ms: int | None = None
    up_to: float | None = None
    at_floor: bool = False

    def holds(self, at_ms: int) -> bool:
        """Whether it holds at a moment of watch time."""
        return self.since_ms <= at_ms and (self.until_ms is None or at_ms < self.until_ms)

    def means(self, value: float | None, quality: Quality) -> bool:
        """Whether a reading within the stretch is one that this is said of."""
        if self.up_to is not None and (value is None or value > self.up_to):
            return False
        return not self.at_floor or quality is Quality.LOW


class Judged(NamedTuple):
    """A reading with the verdict of the watch on it.

    ``raw``: the quality that the bus gave it. ``since_ms``: wall time at which the verdict on it
    began; None where the watch says nothing beyond ``raw``. ``value`` is the recorded number.
    """

    value: float | None
    quality: Quality
    raw: Quality
    since_ms: int | None

    @property
    def shown(self) -> float | None:
        """The number to show to people: none of an instrument that shows only zeros."""
        return shown_value(self.value, self.quality)


def shown_value(value: float | None, quality: Quality) -> float | None:
    """The number of a reading to show or to plot; a faulty instrument's is no measurement."""
    return None if quality is Quality.INSTRUMENT_FAULT else value


def judge(reading: Reading, verdicts: Iterable[Verdict]) -> Judged:
    """The reading under ``verdicts`` of its signal and time: the worst of them and of the bus.

    A reading that is bad already keeps its word.
    """
    value, raw = reading
    quality, since_ms = raw, None
    if raw < Quality.NO_ANSWER:
        for verdict in verdicts:
            if verdict.quality > quality and verdict.means(value, raw):
                quality, since_ms = verdict.quality, verdict.time_ms
    return Judged(value, quality, raw, since_ms)


class StandingVerdicts:
    """The verdicts that hold now, for whoever shows the latest readings."""

    def __init__(self, verdicts: Iterable[Verdict] = ()) -> None:
        self._by_signal: dict[str, dict[Quality, Verdict]] = {}
        self.change(verdicts)

    def change(self, verdicts: Iterable[Verdict]) -> set[str]:
        """Take in what began or ended, in order; gives the signals concerned."""
        changed = set()
        for verdict in verdicts:
            changed.add(verdict.signal)
            standing = self._by_signal.setdefault(verdict.signal, {})
            if verdict.until_ms is None:
                standing[verdict.quality] = verdict
            else:
                standing.pop(verdict.quality, None)
        return changed

    def judge(self, signal: str, reading: Reading) -> Judged:
        """The latest reading of ``signal`` as it is to be shown."""
        return judge(reading, self._by_signal.get(signal, {}).values())


@dataclass(frozen=True, slots=True)
class Scan:
    """The readings of one poll of one instrument, or of one group of rows of a CSV.

    ``readings`` is keyed by full signal name (``heron.moisture``). A signal that was asked for
    and did not come has a bad quality and no value there.
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
    """What a person ordered or noted.

    ``alarm`` belongs to alarm commands; ``box`` and ``kind`` to notes and planned work; ``for_s``
    (seconds) to a shelving and to planned work. ``source``: the way it came, such as a socket or
    MQTT.
    """

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

    ``gap_ms`` is how long nothing was watched; 0 for a start and a reload. ``version`` is that of
    the program that recorded it; None in records of 0.1.0 and before, and in a replay of a CSV.
    ``read_with``: hash of how registers are read from here on; None in records before it came.
    """

    time_ms: int
    at_ms: int
    reason: ResumeReason
    gap_ms: int
    plan_hash: str
    version: str | None = None
    read_with: str | None = None


Item = Scan | Tick | Command | Resumed


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


def compact_json(document: object) -> str:
    """One line of JSON. NaN is refused: a reading without a number has value None."""
    return json.dumps(document, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
