"""Timers of people: shelve ends, reminders, escalations. Moved by ticks."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from dewline.events import PRIORITIES
from dewline.hours import OFF_DUTY
from dewline.watch.alarms.alarm import Alarm, AlarmEngine
from dewline.watch.alarms.suppression import duration, leads
from dewline.watch.signals.slope import NEVER_MS
from dewline.watch_plan import Escalation, OnCall, WatchPlan

WAITING = frozenset({"unacknowledged", "latched-unacknowledged"})


class Step(NamedTuple):
    """An escalation to come: when, and why."""

    escalation: Escalation
    due_ms: int
    why: str


class Timers:
    """Ends what is due and knows what is due next."""

    def __init__(self, plan: WatchPlan, engine: AlarmEngine) -> None:
        self._escalations = plan.escalations
        self._on_call = plan.on_call
        self._engine = engine

    def tick(self, alarm: Alarm, at_ms: int) -> None:
        """Do everything about ``alarm`` that is due by ``at_ms``."""
        if alarm.shelved_until_ms is not None and alarm.shelved_until_ms <= at_ms:
            alarm.shelved_until_ms = None
            self._engine.move(alarm, "unshelve", why="time is up")
        if _on_its_way_back(alarm):
            return
        if alarm.remind_ms is not None and alarm.remind_ms <= at_ms:
            every_ms = alarm.plan.remind_every_ms
            self._engine.move(alarm, "remind", why=f"every {duration(every_ms or 0)}")
        if alarm.unseen_since_ms is not None and alarm.state in WAITING:
            for step in self._ahead(alarm):
                if step.due_ms <= at_ms:
                    self._escalate(alarm, step.escalation, at_ms, step.why)
            if self._morning_ms(alarm) <= at_ms:
                self._lift(alarm)

    def _morning_ms(self, alarm: Alarm) -> int:
        """When the night's lower priority of an alarm ends; far away where it has none."""
        day = alarm.plan.priority
        lowered = PRIORITIES.index(alarm.priority) > PRIORITIES.index(day)
        if alarm.plan.night is None or not lowered or alarm.unseen_since_ms is None:
            return NEVER_MS
        return self._engine.writer.staffed_ms(alarm.unseen_since_ms)

    def _lift(self, alarm: Alarm) -> None:
        """The night is over: what could wait for the morning has waited."""
        alarm.priority = alarm.plan.priority
        self._engine.move(alarm, "remind", why="waited for the morning")

    def due_ms(self, alarm: Alarm) -> Iterator[int]:
        """The moments at which ``tick`` will have something to do."""
        if alarm.shelved_until_ms is not None:
            yield alarm.shelved_until_ms
        if _on_its_way_back(alarm):
            return  # asked again at the watch's next look at everything
        if alarm.remind_ms is not None:
            yield alarm.remind_ms
        if alarm.unseen_since_ms is not None and alarm.state in WAITING:
            yield from (step.due_ms for step in self._ahead(alarm))
            yield self._morning_ms(alarm)

    def _escalate(self, alarm: Alarm, escalation: Escalation, at_ms: int, why: str) -> None:
        alarm.escalated[escalation.contact] = at_ms
        # First the contact it goes to, then a colon: push takes the name from here.
        self._engine.move(alarm, "escalate", why=f"{escalation.then}: {why}")

    def _ahead(self, alarm: Alarm) -> Iterator[Step]:
        """Escalations of this alarm not yet done, each with its moment and its reason.

        A contact's time runs from when he was told: from the raise, or from the
        escalation that went to him, or from when he comes on duty. Where neither he
        nor anybody else is there to be told, it goes on to the next one at once.
        """
        if _spoken_for(alarm):
            return
        mine = [e for e in self._escalations if _concerns(e, alarm)]
        for escalation in mine:
            if escalation.contact in alarm.escalated:
                continue
            before = [e.contact for e in mine if e.then == escalation.contact]
            starts = [alarm.escalated[c] for c in before if c in alarm.escalated]
            if before and not starts:
                continue
            start_ms = min(starts) if before else _asked_ms(alarm, escalation)
            if start_ms is not None:
                yield self._step(alarm, escalation, start_ms, chained=bool(before))

    def _step(self, alarm: Alarm, escalation: Escalation, start_ms: int, *, chained: bool) -> Step:
        clock = self._engine.writer
        name, after_ms = escalation.contact, escalation.after_ms
        told_ms = clock.on_duty_ms(escalation.hours, start_ms)
        if told_ms > start_ms and (chained or not self._somebody(alarm, start_ms)):
            return Step(escalation, start_ms, f"{OFF_DUTY}, {name} is off duty")
        return Step(
            escalation,
            told_ms + after_ms,
            f"{name} did not acknowledge within {duration(after_ms)}",
        )

    def _somebody(self, alarm: Alarm, at_ms: int) -> bool:
        """Whether anybody was on duty whom this alarm pages first."""
        return any(
            _concerns(who, alarm) and self._engine.writer.on_duty_ms(who.hours, at_ms) == at_ms
            for who in self._on_call
        )


def _on_its_way_back(alarm: Alarm) -> bool:
    """Over but for its off-delay: nobody is called for what is about to end."""
    return alarm.active and not alarm.evaluator.delay.raw


def _spoken_for(alarm: Alarm) -> bool:
    """A graver level of the same signal calls for an answer, or has had it: one is enough."""
    return any(
        leads(other, alarm) and (_calls(other) or _seen_since(other, alarm.unseen_since_ms))
        for other in alarm.signal.alarms
    )


def _calls(alarm: Alarm) -> bool:
    return alarm.state == "unacknowledged" and not _on_its_way_back(alarm)


def _seen_since(alarm: Alarm, since_ms: int | None) -> bool:
    seen_ms = alarm.seen_ms
    return seen_ms is not None and since_ms is not None and seen_ms >= since_ms


def _asked_ms(alarm: Alarm, escalation: Escalation) -> int | None:
    """Since when nobody has answered: a graver level goes on from the milder one's call."""
    calls = [
        other.unseen_since_ms
        for other in alarm.signal.alarms
        if other is alarm
        or (other.state in WAITING and leads(alarm, other) and _concerns(escalation, other))
    ]
    return min((ms for ms in calls if ms is not None), default=None)


def _concerns(who: Escalation | OnCall, alarm: Alarm) -> bool:
    urgent = PRIORITIES.index(alarm.priority) <= PRIORITIES.index(who.from_priority)
    return urgent and alarm.plan.place in who.places
