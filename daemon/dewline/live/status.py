"""What ``dewline status`` shows: one document from the plan, the watch and the latest readings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from dewline.followers.follower import Follower
from dewline.readings import Reading, iso_utc
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan

_WORST_FIRST = ("unacknowledged", "latched-unacknowledged", "acknowledged", "returned")
Latest = Mapping[str, tuple[int, Reading]]  # by full signal name: wall ms, reading


def status_document(
    plan: WatchPlan, state: str, watch: Watch, latest: Latest, followers: Iterable[Follower]
) -> dict[str, Any]:
    """{site, state, alarms, boxes, ledger, followers}, ready for JSON."""
    modes, ahead = watch.modes(), watch.outlook_table()
    return {
        "site": plan.site,
        "state": state,
        "alarms": watch.alarm_table(),
        "boxes": {
            name: {
                "title": box.title,
                "modes": list(modes.get(name, ())),
                "readings": _readings(plan, name, latest),
                "ahead": ahead.get(name, {}),
            }
            for name, box in plan.boxes.items()
        },
        "ledger": watch.ledger_table(),
        "followers": {
            follower.name: {
                "events_behind": follower.statistics().events_behind,
                "seconds_behind": follower.statistics().seconds_behind,
            }
            for follower in followers
        },
    }


def worst_state(watch: Watch) -> str:
    """The state that calls loudest among all alarms; ``normal`` if there is none."""
    states = {alarm["state"] for alarm in watch.alarm_table()}
    return next((state for state in _WORST_FIRST if state in states), "normal")


def _readings(plan: WatchPlan, place: str, latest: Latest) -> dict[str, dict[str, Any]]:
    signals = plan.signals
    return {
        name.partition(".")[2]: {
            "value": reading.value,
            "unit": signals[name].unit if name in signals else "",
            "quality": reading.quality.text,
            "time": iso_utc(time_ms),
        }
        for name, (time_ms, reading) in sorted(latest.items())
        if name.startswith(f"{place}.")
    }
