"""What still stands when an alarm ends, so that its end is not read as the end of all trouble."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from dewline.events import PRIORITIES, Trend, TroubleDocument
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.suppression import LEVELS
from dewline.watch_plan import DAEMON, FalseFor, TrueFor, WatchPlan

MOST = 5
OF_NOW = (*LEVELS, TrueFor, FalseFor)
UNKNOWN_CAUSES = frozenset({None, "unknown"})


class Troubles:
    """Finds what stands beside an alarm. ``trend``: where a signal went in the last minutes."""

    def __init__(
        self,
        plan: WatchPlan,
        alarms: Mapping[str, Alarm],
        trend: Callable[[str], Trend | None],
    ) -> None:
        self._alarms = alarms
        self._trend = trend
        # Of each box the services it lives on.
        self._services = {box.name: {box.supply, box.purifier} for box in plan.boxes.values()}

    def beside(self, ended: Alarm) -> tuple[TroubleDocument, ...]:
        """The alarms no less urgent than ``ended`` that stand and belong to the same trouble.

        They are of its box or of the services of the box, have the same cause, or were held back
        by it. One signal is named once, by its most urgent alarm.
        """
        least = PRIORITIES.index(ended.priority)
        found = [a for a in self._alarms.values() if a is not ended and _stands(a)]
        found = [a for a in found if _urgency(a) <= least and self._related(ended, a)]
        of_signal = {id(a.signal): a for a in sorted(found, key=_urgency, reverse=True)}
        chosen = sorted(of_signal.values(), key=_urgency)[:MOST]
        return tuple(self._document(alarm) for alarm in chosen)

    def _related(self, ended: Alarm, other: Alarm) -> bool:
        place, other_place = ended.plan.place, other.plan.place
        if place != DAEMON and other_place in (place, *self._services.get(place, ())):
            return True
        cause = _cause(ended)
        same = cause not in UNKNOWN_CAUSES and cause == _cause(other)
        return same or ended.plan.alarm in other.plan.under

    def _document(self, alarm: Alarm) -> TroubleDocument:
        plan, signal = alarm.plan, alarm.signal
        return {
            "alarm": plan.alarm,
            "box": plan.place,
            "priority": alarm.priority,
            "signal": plan.signal,
            "value": signal.shown,
            "unit": signal.unit or None,
            "quality": signal.quality.text,
            "limit": alarm.evaluator.condition.limit(),
            "limit_unit": plan.unit or None,
            "trend": self._trend(plan.signal),
            "advice": plan.advice,
            "caution": plan.caution,
        }


def _urgency(alarm: Alarm) -> int:
    return PRIORITIES.index(alarm.priority)


def _stands(alarm: Alarm) -> bool:
    """Whether its condition holds, and neither a mode nor a person says that this is no trouble.

    Of what was held back only a level or a switch counts, which is as it is now: a forecast or a
    slope is computed from what came before, and what was silent answers a moment later.
    """
    if not alarm.active or alarm.in_off_delay or alarm.state == "out-of-service":
        return False
    if alarm.hold is None:
        return True
    of_now = alarm.plan.place != DAEMON and isinstance(alarm.plan.condition, OF_NOW)
    return alarm.hold.mode is None and of_now


def _cause(alarm: Alarm) -> str | None:
    last = alarm.last_event
    return None if last is None else last["cause"]["name"]
