"""One alarm and its way through the state table.

``Alarm`` holds what is known of one alarm, ``AlarmEngine`` moves alarms: it asks the
table, settles the timers and has the event written. The condition goes on
being judged under every overlay; only its telling stops.

Nobody is woken twice by the end of a mode or a parent: an alarm that stands
already stays as it stands; only one that would be raised is suppressed.
"""

from __future__ import annotations

from collections import deque
from typing import Any

from dewline.events import Event, EventDocument, Priority, State, Transition
from dewline.watch.alarms import rates
from dewline.watch.alarms.event_writer import EventWriter
from dewline.watch.alarms.states import ACTIVE, LATCHED, OVERLAYS, Fact, StateRow, Trigger, find
from dewline.watch.alarms.suppression import Hold, Suppression
from dewline.watch.conditions.evaluator import RuleEvaluator
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import RulePlan

# Nobody waits for an acknowledgement in these; a person is reminded of those.
SEEN: frozenset[State] = frozenset({"acknowledged", "normal", "latched-acknowledged", *OVERLAYS})
REMINDED: frozenset[State] = frozenset({"unacknowledged", "acknowledged", "latched-unacknowledged"})


# One that was over for so long calls anew when it comes again; sooner, it flaps. Common
# practice, no source.
REST_MS = 15 * 60_000


class Alarm:
    """What is known of one alarm. ``state`` is what people see, the overlay on top."""

    __slots__ = (
        "changes",
        "chattered_ms",
        "escalated",
        "evaluator",
        "hold",
        "latched",
        "plan",
        "priority",
        "rank",
        "remind_ms",
        "seen_by",
        "seen_ms",
        "shelved_until_ms",
        "since_time_ms",
        "state",
        "told",
        "unseen_since_ms",
    )

    def __init__(self, plan: RulePlan, evaluator: RuleEvaluator) -> None:
        self.plan = plan
        self.evaluator = evaluator
        self.rank = 0
        self.state: State = "normal"
        self.priority: Priority = plan.priority
        self.latched = False  # a latch to be kept through an overlay
        self.shelved_until_ms: int | None = None
        self.hold: Hold | None = None
        self.unseen_since_ms: int | None = None  # since when nobody has acknowledged it
        self.escalated: dict[str, int] = {}  # contact whose escalation went on, and when
        self.remind_ms: int | None = None
        self.seen_by: str | None = None  # who acknowledged what stands, or stood last
        self.seen_ms: int | None = None  # and when
        self.since_time_ms: int | None = None  # as the clock on the wall said it then
        self.changes: deque[rates.Change] = deque(maxlen=rates.REMEMBERED)
        self.chattered_ms: int | None = None
        self.told: EventDocument | None = None  # the last event document, while not normal

    @property
    def signal(self) -> SignalState:
        return self.evaluator.condition.signal

    @property
    def active(self) -> bool:
        return self.evaluator.delay.active

    @property
    def overlaid(self) -> bool:
        return self.state in OVERLAYS

    def facts(self, hold: Hold | None) -> dict[Fact, bool]:
        return {
            "active": self.active,
            "latch": self.plan.latch,
            "auto": self.plan.acknowledge == "auto",
            "latched": self.latched,
            "shelved": self.shelved_until_ms is not None,
            "suppressed": hold is not None,
        }

    def save(self) -> dict[str, Any]:
        return {
            "state": self.state,
            "priority": self.priority,
            "latched": self.latched,
            "shelved_until_ms": self.shelved_until_ms,
            "hold": self.hold.save() if self.hold else None,
            "unseen_since_ms": self.unseen_since_ms,
            "escalated": dict(self.escalated),
            "remind_ms": self.remind_ms,
            "seen_by": self.seen_by,
            "seen_ms": self.seen_ms,
            "since_time_ms": self.since_time_ms,
            "changes": [list(change) for change in self.changes],
            "chattered_ms": self.chattered_ms,
            "told": self.told,
            "judge": self.evaluator.save(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        self.state = state["state"]
        self.priority = state["priority"]
        self.latched = state["latched"]
        self.shelved_until_ms = state["shelved_until_ms"]
        self.hold = Hold.restored(state["hold"]) if state["hold"] else None
        self.unseen_since_ms = state["unseen_since_ms"]
        self.escalated = dict(state["escalated"])
        self.remind_ms = state["remind_ms"]
        self.seen_by = state.get("seen_by")
        self.seen_ms = state.get("seen_ms")
        self.since_time_ms = state.get("since_time_ms")
        self.changes.extend((at_ms, ended) for at_ms, ended in state["changes"])
        self.chattered_ms = state["chattered_ms"]
        self.told = state["told"]
        self.evaluator.restore(state["judge"])


class AlarmEngine:
    """Moves alarms by the table. ``held`` are those under a suppression."""

    def __init__(self, writer: EventWriter, suppression: Suppression) -> None:
        self.writer = writer
        self.suppression = suppression
        self.rate = rates.AlarmRate()
        self.rate_signal: SignalState | None = None  # its own alarm is not counted in it
        self.held: set[Alarm] = set()

    def flip(self, alarm: Alarm) -> None:
        """The judge has changed its mind: raise or return the alarm, or remember it."""
        at_ms = self.writer.at_ms
        if not alarm.active:
            self._noted(alarm, self.move(alarm, "clear"), ended=True)
            return
        # Written down once: a clock set later, or a restart, must not move what was told.
        alarm.since_time_ms = self.writer.label(alarm.evaluator.since_ms)
        alarm.latched = alarm.latched or alarm.plan.latch
        alarm.priority = self.writer.priority(alarm.plan.priority, alarm.plan.night)
        if alarm.overlaid:
            return
        hold = self.suppression.hold_of(alarm, at_ms)
        if hold is None:
            self._noted(alarm, self.move(alarm, "active"), ended=False)
        else:
            self._suppress(alarm, hold)

    def _suppress(self, alarm: Alarm, hold: Hold) -> None:
        alarm.hold = hold
        self.held.add(alarm)
        self.move(alarm, "suppress", under=hold.under, why=hold.why)

    def let_go(self, alarm: Alarm, why: str) -> None:
        """The suppression of ``alarm`` is over."""
        hold, alarm.hold = alarm.hold, None
        self.held.discard(alarm)
        self.move(alarm, "unsuppress", under=hold.under if hold else None, why=why)
        lead = self.suppression.lead_of(hold) if hold else None
        if lead is not None and alarm.state == "unacknowledged":
            self._go_on_from(alarm, lead)

    def _go_on_from(self, alarm: Alarm, lead: Alarm) -> None:
        """The graver alarm is over, this one stands on: whoever saw that one has seen this."""
        if lead.seen_by is not None:
            self.move(alarm, "acknowledge", by=lead.seen_by, why=f"seen as {lead.plan.alarm}")
        elif lead.unseen_since_ms is not None:
            alarm.unseen_since_ms = lead.unseen_since_ms
            alarm.escalated = dict(lead.escalated)

    def move(
        self,
        alarm: Alarm,
        trigger: Trigger,
        *,
        by: str | None = None,
        why: str | None = None,
        until_ms: int | None = None,
        under: str | None = None,
    ) -> Event | None:
        """Make the move the table allows, and tell it; None where it allows none."""
        hold = alarm.hold
        if alarm.active and trigger in ("unshelve", "return") and hold is None:
            hold = self.suppression.hold_of(alarm, self.writer.at_ms)
        row = find(alarm.state, trigger, alarm.facts(hold))
        if row is None:
            return None
        self._settle(alarm, row)
        if trigger == "acknowledge":
            alarm.seen_by, alarm.seen_ms = by, self.writer.at_ms
        if row.to == "suppressed" and hold is not None:
            alarm.hold = hold
            self.held.add(alarm)
            under = under or hold.under
        return self._tell(alarm, row.transition, by=by, why=why, until_ms=until_ms, under=under)

    def tell_cause(self, alarm: Alarm, why: str) -> None:
        """The cause of an alarm that stands is judged another than was told."""
        self._tell(alarm, "cause-changed", why=why)

    def _tell(
        self,
        alarm: Alarm,
        transition: Transition,
        *,
        by: str | None = None,
        why: str | None = None,
        until_ms: int | None = None,
        under: str | None = None,
    ) -> Event:
        mode = self.suppression.telling(alarm.plan.place)
        return self.writer.write(
            alarm, transition, mode, by=by, why=why, until_ms=until_ms, under=under
        )

    def _settle(self, alarm: Alarm, row: StateRow) -> None:
        """Latch memory and people's timers after a move."""
        at_ms = self.writer.at_ms
        was, alarm.state = alarm.state, row.to
        alarm.latched = row.to not in ("normal", "returned") and (
            alarm.latched or row.to in LATCHED or (alarm.plan.latch and was in ACTIVE)
        )
        if row.to == "unacknowledged" and row.trigger != "escalate":
            self._announce(alarm, row, at_ms)
        elif row.to in SEEN:
            alarm.unseen_since_ms = None
            alarm.escalated.clear()
        every_ms = alarm.plan.remind_every_ms
        if row.to not in REMINDED or not every_ms:
            alarm.remind_ms = None
        elif row.trigger not in ("clear", "escalate"):
            alarm.remind_ms = at_ms + every_ms

    def _announce(self, alarm: Alarm, row: StateRow, at_ms: int) -> None:
        alarm.seen_by = alarm.seen_ms = None
        if row.trigger == "active" and _rested(alarm, at_ms):
            alarm.unseen_since_ms = None
            alarm.escalated.clear()
        if alarm.unseen_since_ms is None:
            alarm.unseen_since_ms = at_ms
        if row.trigger == "remind":
            return
        alarm.priority = self.writer.priority(alarm.plan.priority, alarm.plan.night)
        if alarm.signal is not self.rate_signal:
            self.rate.add(at_ms)

    def _noted(self, alarm: Alarm, event: Event | None, *, ended: bool) -> None:
        """Remember a raise or a return, and say once an hour that it chatters."""
        if event is None:
            return
        at_ms = self.writer.at_ms
        alarm.changes.append((at_ms, ended))
        told = alarm.chattered_ms
        if told is not None and at_ms - told < rates.CHATTER_NOTICE_MS:
            return
        how = rates.chatter(alarm.changes, at_ms)
        if how is not None:
            alarm.chattered_ms = at_ms
            self._tell(alarm, "chattering", why=how)


def _rested(alarm: Alarm, at_ms: int) -> bool:
    """Whether its last return lies a while back."""
    ends = [end_ms for end_ms, ended in alarm.changes if ended]
    return bool(ends) and at_ms - ends[-1] >= REST_MS
