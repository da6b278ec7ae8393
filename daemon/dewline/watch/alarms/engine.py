"""Moves alarms: asks the state table, sets the timers and has the event written.

Conditions are evaluated under every overlay as well, but no event is written then. The end of
a mode or of a parent wakes nobody twice: an alarm that stands already stays as it is, and only
one that would be raised is suppressed.
"""

from __future__ import annotations

from dataclasses import replace

from dewline.events import (
    ACTIVE_STATES,
    CALLING_STATES,
    ENDED_STATES,
    LATCHED_STATES,
    UNACKNOWLEDGED_STATES,
    Event,
    State,
    Transition,
)
from dewline.watch.alarms import rates
from dewline.watch.alarms.alarm import Alarm, Hold, by_rank
from dewline.watch.alarms.event_writer import NO_DETAILS, Details, EventWriter
from dewline.watch.alarms.states import StateRow, Trigger, find
from dewline.watch.alarms.suppression import Suppression
from dewline.watch.alarms.troubles import Troubles
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import Mode

# People are reminded of an alarm in these.
REMINDED: frozenset[State] = CALLING_STATES | {"acknowledged"}
# Raised again so long after its last return it is a new alarm; sooner it is flapping, and its
# escalations go on from the first raise. Common practice, no source.
REST_MS = 15 * 60_000


class AlarmEngine:
    """Moves the alarms of a site. ``held`` are those that are suppressed.

    New alarms are counted in ``rate``, but not the alarm on ``rate_signal`` itself.
    """

    def __init__(
        self,
        writer: EventWriter,
        suppression: Suppression,
        rate: rates.AlarmRate,
        rate_signal: SignalState | None,
        troubles: Troubles,
    ) -> None:
        self._writer = writer
        self._suppression = suppression
        self.held: set[Alarm] = set()
        self._rate = rate
        self._rate_signal = rate_signal
        self._duty = suppression.duty
        self._troubles = troubles

    def condition_changed(self, alarm: Alarm) -> None:
        """The condition of ``alarm`` has begun or ended: raise, return or suppress the alarm.

        Under an overlay no event is written, but the beginning is noted.
        """
        at_ms = self._writer.at_ms
        if not alarm.active:
            outage = alarm.plan.of_outage
            stopped_at = self._suppression.standing_loops() if outage else ()
            ended = self.move(alarm, "clear", Details(stopped_at=stopped_at))
            self._count_change(alarm, ended, ended=True)
            return
        # Kept as it is labelled now: a clock that is set later, or a restart, must not move it.
        alarm.since_time_ms = self._writer.label(alarm.evaluator.since_ms)
        alarm.latched = alarm.latched or alarm.plan.latch
        alarm.priority = self._duty.priority(alarm.plan, at_ms, alarm.comes_ms)
        alarm.occurrence, alarm.unannounced = None, True
        if alarm.overlaid:
            return
        hold = self._suppression.hold_of(alarm, at_ms)
        if hold is None:
            self._count_change(alarm, self.move(alarm, "active"), ended=False)
            return
        alarm.hold = hold
        self.held.add(alarm)
        self.move(alarm, "suppress", Details(under=hold.under, why=hold.mode))

    def release_what_may(self) -> None:
        """Release the held alarms that may be released, parents first."""
        at_ms = self._writer.at_ms
        for alarm in sorted(self.held, key=by_rank):
            hold = alarm.hold
            if hold is not None and self._suppression.may_release(alarm, hold, at_ms):
                self._release(alarm, hold)

    def wall_text(self, at_ms: int) -> str:
        """A moment of watch time by the clock on the wall of the site."""
        return self._writer.local_time.text(at_ms)

    def silent_ms(self, alarm: Alarm, mode: Mode, at_ms: int) -> int:
        """For how long from ``at_ms`` on ``mode`` may still suppress an alarm; 0: not at all."""
        return self._suppression.silent_ms(alarm, mode, at_ms)

    def release_planned(self, place: str, mode: Mode) -> list[Alarm]:
        """Planned work at ``place`` that set ``mode`` is over: call for all that it kept quiet.

        What stands is released at once, with the readings of the work itself, and not while its
        value goes back, nor under the mode that follows: people were promised to be told now.
        Gives the alarms released. A child of one of them stays held, by it.
        """
        released = []
        for alarm in sorted(self.held, key=by_rank):
            hold, kept_quiet = alarm.hold, mode in dict(alarm.plan.suppress_while)
            if hold is None or hold.under is not None or alarm.plan.place != place:
                continue
            now = self._suppression.hold_of(alarm, self._writer.at_ms)
            if now is not None and now.under is not None:
                alarm.hold = now  # a parent was released just now, and speaks for this one
            elif kept_quiet and alarm.active and not alarm.in_off_delay:
                hold.over = f"planned {mode} is over"
                self._release(alarm, hold)
                released.append(alarm)
        return released

    def _release(self, alarm: Alarm, hold: Hold) -> None:
        alarm.hold = None
        self.held.discard(alarm)
        self.move(alarm, "unsuppress", Details(under=hold.under, why=hold.over))
        leader = self._suppression.leader_of(hold)
        if leader is not None and alarm.state == "unacknowledged":
            self._continue_from(alarm, leader)

    def _continue_from(self, alarm: Alarm, leader: Alarm) -> None:
        """The worse alarm is over and this one stands: people know about it already.

        An acknowledgement of the leader covers this alarm; else its escalations go on here.
        """
        if leader.acknowledged_by is not None:
            why = f"seen as {leader.plan.alarm}"
            self.move(alarm, "acknowledge", Details(by=leader.acknowledged_by, why=why))
        elif leader.unacknowledged_since_ms is not None:
            alarm.unacknowledged_since_ms = leader.unacknowledged_since_ms
            alarm.escalated = dict(leader.escalated)

    def move(self, alarm: Alarm, trigger: Trigger, details: Details = NO_DETAILS) -> Event | None:
        """Make the move that the state table allows, and write its event.

        None where the table allows none, such as an acknowledgement of a normal alarm.
        """
        hold = alarm.hold
        if alarm.active and trigger in ("unshelve", "return") and hold is None:
            hold = self._suppression.hold_of(alarm, self._writer.at_ms)
        row = find(alarm.state, trigger, alarm.facts(hold))
        if row is None:
            return None
        if alarm.state == "normal":
            alarm.occurrence = None  # what happens to a normal alarm belongs to no occurrence
        self._enter(alarm, row)
        if trigger == "acknowledge":
            alarm.acknowledged_by, alarm.acknowledged_ms = details.by, self._writer.at_ms
        if row.to == "suppressed" and hold is not None:
            alarm.hold = hold
            self.held.add(alarm)
            details = replace(details, under=details.under or hold.under)
        return self._write(alarm, row.transition, details)

    def change_cause(self, alarm: Alarm, cause: str) -> None:
        """Write that an alarm that stands has probably another cause than was said before."""
        self._write(alarm, "cause-changed", Details(why=cause))

    def _write(self, alarm: Alarm, transition: Transition, details: Details) -> Event:
        mode = self._suppression.mode_of(alarm.plan.place, self._writer.at_ms)
        if alarm.state in ENDED_STATES:
            details = replace(details, stands=self._troubles.beside(alarm))
        event = self._writer.write(alarm, transition, mode, details)
        alarm.occurrence, alarm.unannounced = event.occurrence, False
        alarm.last_event = None if alarm.state == "normal" else event.document()
        return event

    def _enter(self, alarm: Alarm, row: StateRow) -> None:
        """Enter the state of ``row``: its latch, and the timers of escalations and reminders."""
        at_ms = self._writer.at_ms
        was, alarm.state = alarm.state, row.to
        alarm.latched = row.to not in ("normal", "returned") and (
            alarm.latched or row.to in LATCHED_STATES or (alarm.plan.latch and was in ACTIVE_STATES)
        )
        if row.to == "unacknowledged" and row.trigger != "escalate":
            self._begin_calling(alarm, row.trigger, at_ms)
        elif row.to not in UNACKNOWLEDGED_STATES:
            alarm.unacknowledged_since_ms = None
            alarm.escalated.clear()
        every_ms = alarm.plan.remind_every_ms
        if row.to not in REMINDED or not every_ms:
            alarm.remind_ms = None
        elif row.trigger not in ("clear", "escalate"):
            alarm.remind_ms = at_ms + every_ms

    def _begin_calling(self, alarm: Alarm, trigger: Trigger, at_ms: int) -> None:
        alarm.acknowledged_by = alarm.acknowledged_ms = None
        if trigger == "active" and _rested(alarm, at_ms):
            alarm.unacknowledged_since_ms = None
            alarm.escalated.clear()
        if alarm.unacknowledged_since_ms is None:
            alarm.unacknowledged_since_ms = at_ms
        if trigger == "remind":
            return
        alarm.priority = self._duty.priority(alarm.plan, at_ms, alarm.comes_ms)
        if alarm.signal is not self._rate_signal:
            self._rate.add(at_ms)

    def _count_change(self, alarm: Alarm, event: Event | None, *, ended: bool) -> None:
        """Remember a raise or a return, and say at most once an hour that the alarm chatters."""
        if event is None:
            return
        at_ms = self._writer.at_ms
        alarm.changes.append((at_ms, ended))
        if alarm.chattered_ms is not None and at_ms - alarm.chattered_ms < rates.CHATTER_NOTICE_MS:
            return
        how = rates.chatter(alarm.changes, at_ms)
        if how is not None:
            alarm.chattered_ms = at_ms
            self._write(alarm, "chattering", Details(why=how))


def _rested(alarm: Alarm, at_ms: int) -> bool:
    """Whether its last return was long enough ago."""
    ends = [end_ms for end_ms, ended in alarm.changes if ended]
    return bool(ends) and at_ms - ends[-1] >= REST_MS
