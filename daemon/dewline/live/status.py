"""What a running daemon shows of itself: status document, heartbeat and counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dewline.bus.poller import BusStatistics
from dewline.events import LedgerRow, PresentReading, alarm_document
from dewline.followers.follower import Follower
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.live.record import Record
from dewline.live.requests import BoxStatus, FollowerStatus, ReadingStatus, StatusDocument
from dewline.readings import BEYOND_RANGE, Quality, Reading, StandingVerdicts, iso_utc
from dewline.replay.drive import Drive
from dewline.watch.ledgers.rows import REMEMBERED, LedgerTable, shown_row
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan

_WORST_FIRST = ("unacknowledged", "latched-unacknowledged", "acknowledged", "returned")
Latest = Mapping[str, tuple[int, Reading]]
"""The latest reading of every signal by full name, with its wall time in ms."""
NOT_ASKED = (None, Reading(None, Quality.NO_ANSWER))
"""The latest reading of a signal that was not asked for since the start."""


@dataclass(frozen=True, slots=True)
class ServiceStatistics:
    """Counts since the start: readings fed, and what each bus counts."""

    readings: int
    buses: Mapping[str, BusStatistics]


def status_document(
    plan: WatchPlan, state: str, record: Record, latest: Latest, followers: Iterable[Follower]
) -> StatusDocument:
    """The document of this moment, ready for JSON.

    ``latest`` may hold readings of signals that the plan does not know: derived ones.
    """
    watch = record.drive.watch
    boxes = _Boxes(plan, watch, latest)
    return {
        "site": plan.site,
        "timezone": plan.timezone,
        "state": state,
        "alarms": [alarm_document(a, boxes.present(a["signal"])) for a in watch.alarm_table()],
        "boxes": {name: boxes.box(name) for name in plan.boxes},
        "ledger": _ledger(record.rows, watch.ledger_table()),
        "followers": {follower.name: _follower(follower) for follower in followers},
    }


def _ledger(rows: Iterable[LedgerRow], table: LedgerTable) -> LedgerTable:
    """The table of the watch with the ``rows`` of the record that it does not have."""
    known = {row["id"] for row in table["recent"]}
    recent = [shown_row(row) for row in rows if row.id not in known] + table["recent"]
    recent.sort(key=lambda row: row["ended_ms"] or 0)
    return {"open": table["open"], "recent": recent[-REMEMBERED:]}


def heartbeat_facts(drive: Drive, followers: Iterable[Follower]) -> HeartbeatFacts:
    """What the heartbeat says now; the worst alarm as its state, ``normal`` if there is none."""
    states = {alarm["state"] for alarm in drive.watch.alarm_table()}
    return {
        "seq": drive.seq,
        "worst": next((state for state in _WORST_FIRST if state in states), "normal"),
        "followers": {f.name: f.statistics().seconds_behind for f in followers},
    }


def _follower(follower: Follower) -> FollowerStatus:
    counts = follower.statistics()
    return {
        "events_behind": counts.events_behind,
        "seconds_behind": counts.seconds_behind,
        "barred": {road: why for road, why in counts.barred.items() if why is not None},
    }


class _Boxes:
    """Describes the boxes of a plan as the watch and the latest readings show them."""

    def __init__(self, plan: WatchPlan, watch: Watch, latest: Latest) -> None:
        self._plan, self._watch, self._latest = plan, watch, latest
        self._verdicts = StandingVerdicts(watch.verdicts())
        self._ahead = watch.outlook_table()
        self._modes, self._unread = watch.modes(), watch.modes_unread()
        self._planned = watch.planned()
        measured = [s.name for s in plan.signals.values() if s.instrument is not None]
        self._last = {name: watch.last_read(name) for name in measured}

    def box(self, name: str) -> BoxStatus:
        place = f"{name}."
        last = [found for signal, found in self._last.items() if signal.startswith(place)]
        read_ms = max((found.time_ms for found in last if found.time_ms is not None), default=None)
        modes, unread = self._modes[name], self._unread[name]
        signals = {s for s in (*self._last, *self._latest) if s.startswith(place)}
        return {
            "title": self._plan.boxes[name].title,
            "modes": [mode for mode in modes if mode not in unread],
            "modes_unread": [mode for mode in modes if mode in unread],
            "planned": {kind: iso_utc(ms) for kind, ms in self._planned[name].items()},
            "read": not last or not all(found.overdue for found in last),
            "last_read": _iso(read_ms),
            "readings": {s.removeprefix(place): self._reading(s) for s in sorted(signals)},
            "ahead": self._ahead[name],
        }

    def present(self, signal: str) -> PresentReading | None:
        """What a signal shows now; None where it was not asked for since the start."""
        if signal not in self._latest:
            return None
        found = self._reading(signal)
        return {"value": found["value"], "quality": found["quality"], "time": found["time"]}

    def _reading(self, signal: str) -> ReadingStatus:
        time_ms, reading = self._latest.get(signal, NOT_ASKED)
        judged = self._verdicts.judge(signal, reading)
        known, last = self._plan.signals.get(signal), self._last.get(signal)
        # What is not read now, or is beyond its range, is shown with what was read before.
        before = last is not None and (last.overdue or judged.quality in BEYOND_RANGE)
        unread = last if before else None
        return {
            "value": judged.shown,
            "unit": "" if known is None else known.unit,
            "quality": judged.quality.text,
            "raw": judged.raw.text,
            "since": _iso(judged.since_ms),
            "time": _iso(time_ms),
            "overdue": last is not None and last.overdue,
            "last_value": None if unread is None else unread.value,
            "last_time": None if unread is None else _iso(unread.time_ms),
            "age_s": None if unread is None or unread.age_ms is None else unread.age_ms / 1000,
        }


def _iso(time_ms: int | None) -> str | None:
    return None if time_ms is None else iso_utc(time_ms)
