"""What time alone does to an alarm: the end of a shelf, reminders, escalations."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from dewline.duty import Duty, concerns
from dewline.events import CALLING_STATES, PRIORITIES
from dewline.hours import LocalTime, hours_text
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.engine import AlarmEngine
from dewline.watch.alarms.event_writer import Details
from dewline.watch.alarms.suppression import duration, leads
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import SignalState
from dewline.watch.signals.window import NEVER_MS
from dewline.watch_plan import Escalation, OnCall, WatchPlan


class Step(NamedTuple):
    """An escalation to come: when, and why. ``off_duty``: nobody was there to be asked before."""

    escalation: Escalation
    due_ms: int
    why: str
    off_duty: bool = False


class Timers(Kept):
    """Does what is due about an alarm, and knows when something is due next.

    ``contacts``: since when the plan pages each contact as it does now. Whoever a reload has just
    added was not asked before it.
    """

    contacts: dict[str, int]

    def __init__(
        self,
        plan: WatchPlan,
        alarms: Mapping[str, Alarm],
        engine: AlarmEngine,
        local_time: LocalTime,
        duty: Duty,
    ) -> None:
        self._plan = plan
        self._engine = engine
        self._local = local_time
        self._duty = duty
        self._words = {who.contact: _words(who) for who in plan.on_call}
        self.contacts = dict.fromkeys(self._words.values(), 0)
        self._of_signal: dict[SignalState, list[Alarm]] = {}
        for alarm in alarms.values():
            self._of_signal.setdefault(alarm.signal, []).append(alarm)

    def note_contacts(self, at_ms: int) -> None:
        """After a state was restored: contacts that are not in it are new at ``at_ms``."""
        self.contacts = {words: self.contacts.get(words, at_ms) for words in self._words.values()}

    def tick(self, alarm: Alarm, at_ms: int) -> None:
        """Do everything about ``alarm`` that is due by ``at_ms``.

        While an alarm is in its off-delay, and so about to end, nobody is called about it again.
        The next contact is called all the same about a high or critical one: nobody has answered.
        """
        if alarm.shelved_until_ms is not None and alarm.shelved_until_ms <= at_ms:
            alarm.shelved_until_ms = None
            self._engine.move(alarm, "unshelve", Details(why="time is up"))
        if not alarm.in_off_delay and alarm.remind_ms is not None and alarm.remind_ms <= at_ms:
            every_ms = alarm.plan.remind_every_ms
            self._engine.move(alarm, "remind", Details(why=f"every {duration(every_ms or 0)}"))
        if _waits(alarm) and _goes_on(alarm):
            for step in self._ahead(alarm):
                if step.due_ms <= at_ms:
                    self._escalate(alarm, step, at_ms)
        if not alarm.in_off_delay and _waits(alarm) and self._morning_ms(alarm) <= at_ms:
            self._raise_priority(alarm, at_ms)

    def due_ms(self, alarm: Alarm) -> Iterator[int]:
        """The moments at which ``tick`` will have something to do.

        What the off-delay of an alarm postpones is left out: the watch asks about all alarms once
        a minute.
        """
        if alarm.shelved_until_ms is not None:
            yield alarm.shelved_until_ms
        if _waits(alarm) and _goes_on(alarm):
            yield from (step.due_ms for step in self._ahead(alarm))
        if alarm.in_off_delay:
            return
        if alarm.remind_ms is not None:
            yield alarm.remind_ms
        if _waits(alarm):
            yield self._morning_ms(alarm)

    def _morning_ms(self, alarm: Alarm) -> int:
        """When the lower priority of the night ends for an alarm; never where it has none.

        At once where what is foreseen now comes before the morning.
        """
        day = alarm.plan.priority
        lowered = PRIORITIES.index(alarm.priority) > PRIORITIES.index(day)
        since_ms = alarm.unacknowledged_since_ms
        if alarm.plan.night is None or not lowered or since_ms is None:
            return NEVER_MS
        morning_ms = self._local.next_within(self._plan.staffed, since_ms)
        comes_ms = alarm.comes_ms
        return since_ms if comes_ms is not None and comes_ms < morning_ms else morning_ms

    def _raise_priority(self, alarm: Alarm, at_ms: int) -> None:
        """It waits no longer: give the alarm the priority of the day and call people again."""
        alarm.priority = alarm.plan.priority
        night = self._local.next_within(self._plan.staffed, at_ms) > at_ms
        why = "comes before the morning now" if night else "waited for the morning"
        self._engine.move(alarm, "remind", Details(why=why))

    def _escalate(self, alarm: Alarm, step: Step, at_ms: int) -> None:
        escalation = step.escalation
        alarm.escalated[escalation.contact] = at_ms
        details = Details(to=escalation.then, off_duty=step.off_duty, why=step.why)
        self._engine.move(alarm, "escalate", details)

    def _ahead(self, alarm: Alarm) -> Iterator[Step]:
        """The escalations of this alarm that have not gone out yet.

        A contact's time runs from when they were told: from the raise, or from the escalation
        that went to them, or from when they come on duty. Where neither they nor anybody else
        is there to be told, the alarm escalates to the next contact at once.
        """
        if self._answered_elsewhere(alarm):
            return
        mine = [e for e in self._plan.escalations if _concerns(e, alarm)]
        for escalation in mine:
            if escalation.contact in alarm.escalated:
                continue
            before = [e.contact for e in mine if e.then == escalation.contact]
            starts = [alarm.escalated[c] for c in before if c in alarm.escalated]
            if before and not starts:
                continue
            start_ms = min(starts) if before else self._asked_ms(alarm, escalation)
            if start_ms is not None:
                yield self._step(alarm, escalation, start_ms, chained=bool(before))

    def _step(self, alarm: Alarm, escalation: Escalation, start_ms: int, *, chained: bool) -> Step:
        name, after_ms = escalation.contact, escalation.after_ms
        on_duty_ms = self._local.next_within(escalation.hours, start_ms)
        if on_duty_ms > start_ms and (chained or not self._somebody(alarm, start_ms)):
            return Step(escalation, start_ms, f"nobody was there, {name} is off duty", True)
        return Step(
            escalation,
            on_duty_ms + after_ms,
            f"{name} did not acknowledge within {duration(after_ms)}",
        )

    def _somebody(self, alarm: Alarm, at_ms: int) -> bool:
        """Whether anybody was on duty whom this alarm pages first."""
        return any(self._duty.on_duty(alarm.plan.place, alarm.priority, at_ms))

    def _answered_elsewhere(self, alarm: Alarm) -> bool:
        """Whether a worse level of the same signal calls people, or has been acknowledged.

        One answer is enough for both.
        """
        return any(
            leads(other, alarm)
            and (_calls(other) or _acknowledged_since(other, alarm.unacknowledged_since_ms))
            for other in self._of_signal[alarm.signal]
        )

    def _asked_ms(self, alarm: Alarm, escalation: Escalation) -> int | None:
        """Since when nobody has answered this alarm, or a milder level that called before it.

        At the earliest since the contact is paged.
        """
        calls = [
            other.unacknowledged_since_ms
            for other in self._of_signal[alarm.signal]
            if other is alarm
            or (
                other.state in CALLING_STATES
                and leads(alarm, other)
                and _concerns(escalation, other)
            )
        ]
        since_ms = self.contacts.get(self._words.get(escalation.contact, ""), 0)
        return min((max(ms, since_ms) for ms in calls if ms is not None), default=None)


def _waits(alarm: Alarm) -> bool:
    return alarm.unacknowledged_since_ms is not None and alarm.state in CALLING_STATES


def _goes_on(alarm: Alarm) -> bool:
    """Whether it escalates now: a milder one does not while it is about to end."""
    return not alarm.in_off_delay or alarm.priority in ("critical", "high")


def _calls(alarm: Alarm) -> bool:
    return alarm.state == "unacknowledged" and _goes_on(alarm)


def _acknowledged_since(alarm: Alarm, since_ms: int | None) -> bool:
    known_ms = alarm.acknowledged_ms
    return known_ms is not None and since_ms is not None and known_ms >= since_ms


def _words(who: OnCall) -> str:
    """What the plan says of a contact, in a line: changed, the contact is a new one."""
    return f"{who.contact} {who.from_priority} {hours_text(who.hours)} {' '.join(who.places)}"


def _concerns(who: Escalation, alarm: Alarm) -> bool:
    return concerns(who, alarm.plan.place, alarm.priority)
