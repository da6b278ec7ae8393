"""How good the alarm system is: pure, out of the events of a record.

Figures of EEMUA 191 and ISA-18.2 as the trade quotes them, for one person who
watches; where each comes from stands beside it. A lab is no control room: they
show where the pain is, and are no certificate.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from dewline.events import PRIORITIES
from dewline.readings import iso_utc, parse_iso_utc

Document = Mapping[str, Any]
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
FLOOD_WINDOW_MS, FLOOD_ABOVE, FLOOD_OVER_BELOW = 600_000, 10, 5
CHATTER_WINDOW_MS, CHATTER_CYCLES = 60_000, 3
BUSY_HOUR_ABOVE = 30
TOP = 10

EEMUA = "EEMUA 191, as quoted in published slides"
FROM_MEMORY = "ISA-18.2 / EEMUA 191, from memory"

CALLS = frozenset({"raised", "unsuppressed", "unshelved", "returned-to-service"})
WAITING = frozenset({"unacknowledged", "latched-unacknowledged"})
ACTIVE = frozenset({"unacknowledged", "acknowledged"})
OVERLAYS = frozenset({"shelved", "suppressed", "out-of-service"})


@dataclass(frozen=True, slots=True)
class Span:
    """Something that lasted. ``to_ms`` None: it still does at the end of the period."""

    alarm: str
    from_ms: int
    to_ms: int | None
    by: str | None = None
    why: str | None = None
    until_ms: int | None = None

    def length_ms(self, end_ms: int) -> int:
        return (end_ms if self.to_ms is None else self.to_ms) - self.from_ms

    def document(self, end_ms: int) -> dict[str, Any]:
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
    """One number against what is asked of it. ``within`` None: too little to say."""

    name: str
    value: float
    asked: str
    within: bool | None
    source: str


@dataclass(slots=True)
class AlarmPerformance:
    """What a period was like. Times are wall time in ms; new alarms are those that call."""

    from_ms: int
    to_ms: int
    alarms_ms: list[int] = field(default_factory=list)
    by_priority: Counter[str] = field(default_factory=Counter)
    by_alarm: Counter[str] = field(default_factory=Counter)
    by_day: Counter[str] = field(default_factory=Counter)
    chattering: Counter[str] = field(default_factory=Counter)
    standing: list[Span] = field(default_factory=list)
    unacknowledged: list[Span] = field(default_factory=list)
    shelved: list[Span] = field(default_factory=list)
    out_of_service: list[Span] = field(default_factory=list)
    suppressed: int = 0
    floods: list[tuple[int, int]] = field(default_factory=list)

    @property
    def days(self) -> float:
        return max(1, self.to_ms - self.from_ms) / DAY_MS

    @property
    def flood_share(self) -> float:
        """Share of the time in a flood, 0-1."""
        return sum(end - begin for begin, end in self.floods) / max(1, self.to_ms - self.from_ms)

    def figures(self) -> tuple[Figure, ...]:
        """Every number that has a figure to be held against."""
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

    def document(self) -> dict[str, Any]:
        """Ready for JSON."""

        def spans(found: Sequence[Span]) -> list[dict[str, Any]]:
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
            "figures": [
                {"name": f.name, "value": round(f.value, 6), "asked": f.asked,
                 "within": f.within, "source": f.source}
                for f in self.figures()
            ],
        }  # fmt: skip


def judge(events: Iterable[Document], from_ms: int, to_ms: int, zone: tzinfo) -> AlarmPerformance:
    """The quality of [from, to). ``events`` in seq order, from the start of the record on.

    Those before the period are needed too: they say what stood when it began.
    """
    found = AlarmPerformance(from_ms, to_ms)
    tracks: dict[str, _Track] = {}
    for document in events:
        time_ms = parse_iso_utc(document["time"])
        if time_ms >= to_ms:
            break
        track = tracks.setdefault(document["alarm"], _Track(document["alarm"]))
        track.hear(document, time_ms)
        if time_ms >= from_ms:
            _count(found, document, time_ms, zone)
    for track in tracks.values():
        track.close()
        _collect(found, track)
    found.floods = floods(found.alarms_ms, to_ms)
    found.unacknowledged.sort(key=lambda span: -span.length_ms(to_ms))
    del found.unacknowledged[TOP:]
    return found


def _count(found: AlarmPerformance, document: Document, time_ms: int, zone: tzinfo) -> None:
    transition, alarm = document["transition"], document["alarm"]
    if transition in CALLS and document["state"] == "unacknowledged":
        found.alarms_ms.append(time_ms)
        found.by_priority[document["priority"]] += 1
        found.by_alarm[alarm] += 1
        found.by_day[f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d}"] += 1
    elif transition == "suppressed":
        found.suppressed += 1


def _collect(found: AlarmPerformance, track: _Track) -> None:
    def touches(span: Span) -> bool:
        return span.to_ms is None or span.to_ms >= found.from_ms

    def long(span: Span) -> bool:
        return touches(span) and span.length_ms(found.to_ms) > DAY_MS

    found.standing += filter(long, track.active)
    found.unacknowledged += filter(touches, track.waiting)
    found.shelved += filter(touches, track.shelved)
    found.out_of_service += filter(touches, track.removed)
    if chatters := _chatters([t for t in track.returns_ms if t >= found.from_ms]):
        found.chattering[track.alarm] += chatters


class _Track:
    """One alarm through time: since when it stands, waits, is shelved, is out of service."""

    def __init__(self, alarm: str) -> None:
        self.alarm = alarm
        self.active: list[Span] = []
        self.waiting: list[Span] = []
        self.shelved: list[Span] = []
        self.removed: list[Span] = []
        self.returns_ms: list[int] = []
        self._open: dict[str, Span] = {}
        self._was_active = False

    def hear(self, document: Document, time_ms: int) -> None:
        state = document["state"]
        # Under an overlay nobody sees whether it stands; what is known goes on until it is.
        active = self._was_active if state in OVERLAYS else state in ACTIVE
        if self._was_active and not active:
            self.returns_ms.append(time_ms)
        self._was_active = active
        self._keep("active", active, document, time_ms, self.active)
        self._keep("waiting", state in WAITING, document, time_ms, self.waiting)
        self._keep("shelved", state == "shelved", document, time_ms, self.shelved)
        self._keep("removed", state == "out-of-service", document, time_ms, self.removed)

    def _keep(
        self, name: str, holds: bool, document: Document, time_ms: int, into: list[Span]
    ) -> None:
        if holds and name not in self._open:
            until = document["until"]
            self._open[name] = Span(
                self.alarm,
                time_ms,
                None,
                document["by"],
                document["why"],
                None if until is None else parse_iso_utc(until),
            )
        elif not holds and name in self._open:
            span = self._open.pop(name)
            into.append(Span(span.alarm, span.from_ms, time_ms, span.by, span.why, span.until_ms))

    def close(self) -> None:
        """The record ends: what is open stays open."""
        lists = {
            "active": self.active,
            "waiting": self.waiting,
            "shelved": self.shelved,
            "removed": self.removed,
        }
        for name, span in self._open.items():
            lists[name].append(span)


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
