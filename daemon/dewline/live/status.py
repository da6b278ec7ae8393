"""What a running daemon shows of itself: status document, heartbeat and counts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from dewline.bus.poller import BusStatistics
from dewline.followers.follower import Follower
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.live.requests import FollowerStatus, ReadingStatus, StatusDocument
from dewline.readings import Reading, StandingVerdicts, iso_utc
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan

_WORST_FIRST = ("unacknowledged", "latched-unacknowledged", "acknowledged", "returned")
Latest = Mapping[str, tuple[int, Reading]]
"""The latest reading of every signal by full name, with its wall time in ms."""


@dataclass(frozen=True, slots=True)
class ServiceStatistics:
    """Counts since the start: readings fed, and what each bus counts."""

    readings: int
    buses: Mapping[str, BusStatistics]


def status_document(
    plan: WatchPlan, state: str, watch: Watch, latest: Latest, followers: Iterable[Follower]
) -> StatusDocument:
    """The document of this moment, ready for JSON.

    ``latest`` may hold readings of signals that the plan does not know: derived ones.
    """
    modes, ahead = watch.modes(), watch.outlook_table()
    verdicts = StandingVerdicts(watch.verdicts())
    return {
        "site": plan.site,
        "timezone": plan.timezone,
        "state": state,
        "alarms": watch.alarm_table(),
        "boxes": {
            name: {
                "title": box.title,
                "modes": list(modes.get(name, ())),
                "readings": _readings(plan, name, latest, verdicts),
                "ahead": ahead[name],
            }
            for name, box in plan.boxes.items()
        },
        "ledger": watch.ledger_table(),
        "followers": {follower.name: _follower(follower) for follower in followers},
    }


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


def _readings(
    plan: WatchPlan, place: str, latest: Latest, verdicts: StandingVerdicts
) -> dict[str, ReadingStatus]:
    found: dict[str, ReadingStatus] = {}
    for name, (time_ms, reading) in sorted(latest.items()):
        if not name.startswith(f"{place}."):
            continue
        judged = verdicts.judge(name, reading)
        found[name.partition(".")[2]] = {
            "value": judged.shown,
            "unit": plan.signals[name].unit if name in plan.signals else "",
            "quality": judged.quality.text,
            "raw": judged.raw.text,
            "since": None if judged.since_ms is None else iso_utc(judged.since_ms),
            "time": iso_utc(time_ms),
        }
    return found
