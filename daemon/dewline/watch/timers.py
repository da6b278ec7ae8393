"""Timers of people: shelve ends, reminders, escalations. Moved by ticks."""

from __future__ import annotations

from collections.abc import Iterator

from dewline.readings import PRIORITIES
from dewline.watch.alarms import Alarm, Desk
from dewline.watch.plan import Escalation, WatchPlan
from dewline.watch.suppression import duration

WAITING = frozenset({"unacknowledged", "latched-unacknowledged"})


class Timers:
    """Ends what is due and knows what is due next."""

    def __init__(self, plan: WatchPlan, desk: Desk) -> None:
        self._escalations = plan.escalations
        self._desk = desk

    def tick(self, alarm: Alarm, at_ms: int) -> None:
        """Do everything about ``alarm`` that is due by ``at_ms``."""
        if alarm.shelved_until_ms is not None and alarm.shelved_until_ms <= at_ms:
            alarm.shelved_until_ms = None
            self._desk.move(alarm, "unshelve", why="time is up")
        if alarm.remind_ms is not None and alarm.remind_ms <= at_ms:
            every_ms = alarm.plan.remind_every_ms
            self._desk.move(alarm, "remind", why=f"every {duration(every_ms or 0)}")
        if alarm.unseen_since_ms is not None and alarm.state in WAITING:
            for escalation, due_ms in self._ahead(alarm):
                if due_ms <= at_ms:
                    self._escalate(alarm, escalation, at_ms)

    def due_ms(self, alarm: Alarm) -> Iterator[int]:
        """The moments at which ``tick`` will have something to do."""
        if alarm.shelved_until_ms is not None:
            yield alarm.shelved_until_ms
        if alarm.remind_ms is not None:
            yield alarm.remind_ms
        if alarm.unseen_since_ms is not None and alarm.state in WAITING:
            yield from (due_ms for _, due_ms in self._ahead(alarm))

    def _escalate(self, alarm: Alarm, escalation: Escalation, at_ms: int) -> None:
        alarm.escalated[escalation.contact] = at_ms
        # First the contact it goes to, then a colon: push takes the name from here.
        why = (
            f"{escalation.then}: {escalation.contact} did not acknowledge "
            f"within {duration(escalation.after_ms)}"
        )
        self._desk.move(alarm, "escalate", why=why)

    def _ahead(self, alarm: Alarm) -> Iterator[tuple[Escalation, int]]:
        """Escalations of this alarm not yet done, each with its moment.

        A contact's time runs from when he was told: from the raise, or from the
        escalation that went to him.
        """
        mine = [e for e in self._escalations if _concerns(e, alarm)]
        for escalation in mine:
            if escalation.contact in alarm.escalated:
                continue
            told = [e.contact for e in mine if e.then == escalation.contact]
            starts = [alarm.escalated[c] for c in told if c in alarm.escalated]
            if told and not starts:
                continue
            start_ms = min(starts) if told else alarm.unseen_since_ms
            if start_ms is not None:
                yield escalation, start_ms + escalation.after_ms


def _concerns(escalation: Escalation, alarm: Alarm) -> bool:
    urgent = PRIORITIES.index(alarm.priority) <= PRIORITIES.index(escalation.from_priority)
    return urgent and alarm.plan.place in escalation.places
