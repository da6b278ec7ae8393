"""Who is told of an alarm at a moment, as the plan says it: contacts, priorities and hours.

Whether a page then arrives is another matter, and no part of the plan.
"""

from __future__ import annotations

from collections.abc import Iterator

from dewline.events import PRIORITIES, Priority
from dewline.hours import LocalTime
from dewline.watch_plan import Escalation, OnCall, RulePlan, WatchPlan

MINUTE_MS = 60_000


class Duty:
    """The contacts of one site and when they are on duty, in the time of ``local_time``.

    Spans begin and end on whole minutes of wall time, so answers are kept for a minute.
    """

    def __init__(self, plan: WatchPlan, local_time: LocalTime) -> None:
        self._plan = plan
        self._local = local_time
        self._minute = -1
        self._staffed = False
        self._told: dict[tuple[str, Priority], frozenset[str]] = {}

    def priority(self, rule: RulePlan, at_ms: int, comes_ms: int | None = None) -> Priority:
        """The rule's priority now: its ``night`` one while nobody is at the site.

        Of what a rule only foresees, to come at ``comes_ms``, the more urgent of the two counts
        if it comes before staff do, else the other.
        """
        if rule.night is None:
            return rule.priority
        self._begin_minute(at_ms)
        if self._staffed:
            return rule.priority
        if comes_ms is None:
            return rule.night
        urgent, other = sorted((rule.priority, rule.night), key=PRIORITIES.index)
        return urgent if comes_ms < self._local.next_within(self._plan.staffed, at_ms) else other

    def told(self, place: str, priority: Priority, at_ms: int) -> frozenset[str]:
        """The contacts whom an alarm of ``place`` and ``priority`` reaches at once at ``at_ms``.

        Those on duty whom it pages first; where there are none, those to whom it goes on
        because everybody before them is off duty. Empty where nobody hears of it by now.
        """
        self._begin_minute(at_ms)
        key = (place, priority)
        if key not in self._told:
            first = frozenset(self.on_duty(place, priority, at_ms))
            self._told[key] = first or frozenset(self._passed_on(place, priority, at_ms))
        return self._told[key]

    def _begin_minute(self, at_ms: int) -> None:
        minute = self._local.label(at_ms) // MINUTE_MS
        if minute != self._minute:
            self._minute = minute
            self._told.clear()
            self._staffed = self._local.is_within(self._plan.staffed, at_ms)

    def on_duty(self, place: str, priority: Priority, at_ms: int) -> Iterator[str]:
        """The contacts whom such an alarm pages first, and who are on duty."""
        for who in self._plan.on_call:
            if concerns(who, place, priority) and self._local.is_within(who.hours, at_ms):
                yield who.contact

    def _passed_on(self, place: str, priority: Priority, at_ms: int) -> Iterator[str]:
        """Where the alarm goes from each contact who is paged first, while they are off duty."""
        mine = {e.contact: e for e in self._plan.escalations if concerns(e, place, priority)}
        for first in mine.keys() - {e.then for e in mine.values()}:
            step = mine[first]
            while not self._local.is_within(step.hours, at_ms):
                if self._local.is_within(step.then_hours, at_ms):
                    yield step.then
                if step.then not in mine or self._local.is_within(step.then_hours, at_ms):
                    break
                step = mine[step.then]


def concerns(who: Escalation | OnCall, place: str, priority: Priority) -> bool:
    """Whether an alarm of ``place`` and ``priority`` is one for this contact."""
    urgent = PRIORITIES.index(priority) <= PRIORITIES.index(who.from_priority)
    return urgent and place in who.places
