"""The performance of the alarm system in a period, from the events of a journal.

Every number is compared with a figure of EEMUA 191 or ISA-18.2 as the trade quotes it, for one
person who watches; its source is given with it. A lab is no control room: the figures show which
alarms need work, and certify nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, tzinfo
from typing import Literal, get_args

from dewline.events import (
    ACTIVE_STATES,
    CALLING_STATES,
    CALLING_TRANSITIONS,
    OVERLAY_STATES,
    PRIORITIES,
    EventDocument,
)
from dewline.readings import iso_utc, parse_iso_utc
from dewline.typed_json import Json

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
FLOOD_WINDOW_MS, FLOOD_ABOVE, FLOOD_OVER_BELOW = 600_000, 10, 5
CHATTER_WINDOW_MS, CHATTER_CYCLES = 60_000, 3
BUSY_HOUR_ABOVE = 30
TOP = 10

EEMUA = "EEMUA 191, as quoted in published slides"
FROM_MEMORY = "ISA-18.2 / EEMUA 191, from memory"

SpanKind = Literal["active", "calling", "shelved", "removed"]


@dataclass(frozen=True, slots=True)
class AlarmSpan:
    """How long an alarm was in some condition. ``to_ms`` None: it still is at the end.

    ``by``, ``why`` and ``until_ms`` are those of the event with which it began.
    """

    alarm: str
    from_ms: int
    to_ms: int | None
    by: str | None = None
    why: str | None = None
    until_ms: int | None = None

    def length_ms(self, end_ms: int) -> int:
        """Its length; up to ``end_ms`` where it still lasts."""
        return (end_ms if self.to_ms is None else self.to_ms) - self.from_ms

    def document(self, end_ms: int) -> dict[str, Json]:
        """As JSON, measured up to ``end_ms`` where it still lasts."""
        return {
            "alarm": self.alarm,
            "from": iso_utc(self.from_ms),
            "to": None if self.to_ms is None else iso_utc(self.to_ms),
            "seconds": round(self.length_ms(end_ms) / 1000),
            "by": self.by,
            "why": self.why,
            "until": None if self.until_ms is None else iso_utc(self.until_ms),
        }


@dataclass(frozen=True, slots=True)
class Figure:
    """One number and the figure it is compared with. ``within`` None: too little to judge."""

    name: str
    value: float
    asked: str
    within: bool | None
    source: str


@dataclass(slots=True)
class AlarmPerformance:
    """The performance of a period, in wall times (UTC epoch).

    ``alarms_ms``: when alarms began to call. ``standing``: active for more than a day.
    ``chattering``: by alarm, how often three returns came within a minute.
    """

    from_ms: int
    to_ms: int
    alarms_ms: list[int] = field(default_factory=list)
    by_priority: Counter[str] = field(default_factory=Counter)
    by_alarm: Counter[str] = field(default_factory=Counter)
    by_day: Counter[str] = field(default_factory=Counter)
    chattering: Counter[str] = field(default_factory=Counter)
    standing: list[AlarmSpan] = field(default_factory=list)
    unacknowledged: list[AlarmSpan] = field(default_factory=list)
    shelved: list[AlarmSpan] = field(default_factory=list)
    out_of_service: list[AlarmSpan] = field(default_factory=list)
    suppressed: int = 0
    floods: list[tuple[int, int]] = field(default_factory=list)

    @property
    def days(self) -> float:
        """Length of the period."""
        return max(1, self.to_ms - self.from_ms) / DAY_MS

    @property
    def flood_share(self) -> float:
        """Share of the period in floods, 0-1."""
        return sum(end - begin for begin, end in self.floods) / max(1, self.to_ms - self.from_ms)

    def figures(self) -> tuple[Figure, ...]:
        """Every number that has a figure to be compared with.

        Shares are judged from 20 alarms on.
        """
        count, per_day = len(self.alarms_ms), len(self.alarms_ms) / self.days
        busy = _busy_hours(self.alarms_ms)
        hours = max(1.0, self.days * 24)
        top_share = sum(n for _, n in self.by_alarm.most_common(TOP)) / max(1, count)
        low, medium = (self.by_priority[p] / max(1, count) for p in ("low", "medium"))
        urgent = (self.by_priority["high"] + self.by_priority["critical"]) / max(1, count)
        enough = count >= 20  # below that a share says nothing
        ten_minutes = self.days * 144
        return (
            Figure("alarms in 10 min, mean", count / ten_minutes, "at most 1",
                   count <= ten_minutes, EEMUA),
            Figure("alarms a day", per_day, "about 150; at most 300", per_day <= 150, FROM_MEMORY),
            Figure("hours with more than 30 alarms", busy / hours, "below 1 %",
                   busy / hours < 0.01, FROM_MEMORY),
            Figure("time in flood", self.flood_share, "below 1 %",
                   self.flood_share < 0.01, FROM_MEMORY),
            Figure("share of the ten most frequent", top_share, "at most 5 %",
                   top_share <= 0.05 if enough else None, FROM_MEMORY),
            Figure("share low", low, "about 80 %", low >= 0.7 if enough else None, EEMUA),
            Figure("share medium", medium, "about 15 %", medium <= 0.25 if enough else None, EEMUA),
            Figure("share high and critical", urgent, "about 5 %",
                   urgent <= 0.1 if enough else None, EEMUA),
            Figure("standing longer than 24 h", len(self.standing), "below 5",
                   len(self.standing) < 5, FROM_MEMORY),
            Figure("chattering alarms", len(self.chattering), "none",
                   not self.chattering, FROM_MEMORY),
        )  # fmt: skip

    def document(self) -> dict[str, Json]:
        """As JSON, times in ISO 8601 UTC.

        ``top`` and ``unacknowledged`` hold the ten most frequent and the ten longest.
        """

        def spans(found: Sequence[AlarmSpan]) -> list[Json]:
            return [span.document(self.to_ms) for span in found]

        return {
            "from": iso_utc(self.from_ms),
            "to": iso_utc(self.to_ms),
            "alarms": len(self.alarms_ms),
            "by_priority": {name: self.by_priority[name] for name in PRIORITIES},
            "by_day": dict(sorted(self.by_day.items())),
            "top": [{"alarm": a, "count": n} for a, n in self.by_alarm.most_common(TOP)],
            "chattering": dict(self.chattering),
            "standing": spans(self.standing),
            "unacknowledged": spans(self.unacknowledged),
            "shelved": spans(self.shelved),
            "out_of_service": spans(self.out_of_service),
            "suppressed": self.suppressed,
            "floods": [{"from": iso_utc(a), "to": iso_utc(b)} for a, b in self.floods],
            "figures": [{**asdict(f), "value": round(f.value, 6)} for f in self.figures()],
        }


def judge(
    events: Iterable[EventDocument], from_ms: int, to_ms: int, zone: tzinfo
) -> AlarmPerformance:
    """The performance in [from, to). ``events`` are in seq order, from the start of the journal on.

    Those before the period are needed too: they say which alarms were active when it began.
    """
    found = AlarmPerformance(from_ms, to_ms)
    tracks: dict[str, _Track] = {}
    for document in events:
        time_ms = parse_iso_utc(document["time"])
        if time_ms >= to_ms:
            break
        track = tracks.setdefault(document["alarm"], _Track(document["alarm"]))
        track.observe(document, time_ms)
        if time_ms >= from_ms:
            _count(found, document, time_ms, zone)
    for track in tracks.values():
        track.close()
        _collect(found, track)
    found.floods = floods(found.alarms_ms, to_ms)
    found.unacknowledged.sort(key=lambda span: -span.length_ms(to_ms))
    del found.unacknowledged[TOP:]
    return found


def _count(found: AlarmPerformance, document: EventDocument, time_ms: int, zone: tzinfo) -> None:
    transition, alarm = document["transition"], document["alarm"]
    if transition in CALLING_TRANSITIONS and document["state"] == "unacknowledged":
        found.alarms_ms.append(time_ms)
        found.by_priority[document["priority"]] += 1
        found.by_alarm[alarm] += 1
        found.by_day[f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d}"] += 1
    elif transition == "suppressed":
        found.suppressed += 1


def _collect(found: AlarmPerformance, track: _Track) -> None:
    def touches(span: AlarmSpan) -> bool:
        return span.to_ms is None or span.to_ms >= found.from_ms

    def long(span: AlarmSpan) -> bool:
        return touches(span) and span.length_ms(found.to_ms) > DAY_MS

    found.standing += filter(long, track.spans["active"])
    found.unacknowledged += filter(touches, track.spans["calling"])
    found.shelved += filter(touches, track.spans["shelved"])
    found.out_of_service += filter(touches, track.spans["removed"])
    if chatters := _chatters([t for t in track.returns_ms if t >= found.from_ms]):
        found.chattering[track.alarm] += chatters


class _Track:
    """One alarm through time: when it was active, called, was shelved, was out of service."""

    def __init__(self, alarm: str) -> None:
        self.alarm = alarm
        self.spans: dict[SpanKind, list[AlarmSpan]] = {kind: [] for kind in get_args(SpanKind)}
        self.returns_ms: list[int] = []
        self._open: dict[SpanKind, AlarmSpan] = {}
        self._was_active = False

    def observe(self, document: EventDocument, time_ms: int) -> None:
        """One more event of the alarm."""
        state = document["state"]
        # A hidden alarm does not show whether it is active: what was known last holds on.
        active = self._was_active if state in OVERLAY_STATES else state in ACTIVE_STATES
        if self._was_active and not active:
            self.returns_ms.append(time_ms)
        self._was_active = active
        self._mark("active", active, document, time_ms)
        self._mark("calling", state in CALLING_STATES, document, time_ms)
        self._mark("shelved", state == "shelved", document, time_ms)
        self._mark("removed", state == "out-of-service", document, time_ms)

    def _mark(self, kind: SpanKind, holds: bool, document: EventDocument, time_ms: int) -> None:
        if holds and kind not in self._open:
            by, why, until = document["by"], document["why"], document["until"]
            until_ms = None if until is None else parse_iso_utc(until)
            self._open[kind] = AlarmSpan(self.alarm, time_ms, None, by, why, until_ms)
        elif not holds and kind in self._open:
            self.spans[kind].append(replace(self._open.pop(kind), to_ms=time_ms))

    def close(self) -> None:
        """The journal ends: open spans are added as they are, without an end."""
        for kind, span in self._open.items():
            self.spans[kind].append(span)


def floods(alarms_ms: Sequence[int], end_ms: int) -> list[tuple[int, int]]:
    """Floods as [from, to): more than 10 new alarms in 10 min, over below 5, judged at all times.

    The window is (t - 10 min, t].
    """
    found: list[tuple[int, int]] = []
    begin_ms: int | None = None
    # The count changes when an alarm comes and when one leaves the window; it leaves first.
    moves = [(t, 1) for t in alarms_ms] + [(t + FLOOD_WINDOW_MS, -1) for t in alarms_ms]
    count = 0
    for time_ms, change in sorted(moves):
        count += change
        if begin_ms is None and count > FLOOD_ABOVE:
            begin_ms = time_ms
        elif begin_ms is not None and count < FLOOD_OVER_BELOW:
            found.append((begin_ms, min(time_ms, end_ms)))
            begin_ms = None
    return found


def _chatters(returns_ms: Sequence[int]) -> int:
    """How many returns were the third or later within a minute."""
    return sum(
        1
        for n in range(CHATTER_CYCLES - 1, len(returns_ms))
        if returns_ms[n] - returns_ms[n - CHATTER_CYCLES + 1] < CHATTER_WINDOW_MS
    )


def _busy_hours(alarms_ms: Sequence[int]) -> int:
    hours = Counter(t // HOUR_MS for t in alarms_ms)
    return sum(1 for count in hours.values() if count > BUSY_HOUR_ABOVE)
