"""Writes events: ids that survive a crash, a seq without a hole, wall-time labels."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from dewline.events import (
    UNKNOWN_CAUSE,
    Cause,
    ClockWord,
    Event,
    EventDocument,
    Outlook,
    Priority,
    Transition,
)
from dewline.hours import Span, next_moment, within, zone_of
from dewline.readings import Reading
from dewline.watch_plan import WatchPlan

if TYPE_CHECKING:
    from dewline.watch.alarms.alarm import Alarm

Explainer = Callable[["Alarm", Transition, int], tuple[Cause, Outlook | None]]


def _not_explained(
    _alarm: Alarm, _transition: Transition, _at_ms: int
) -> tuple[Cause, Outlook | None]:
    return UNKNOWN_CAUSE, None


class EventWriter:
    """Counts and labels events. ``events`` gathers those of the item in hand."""

    def __init__(self, plan: WatchPlan) -> None:
        self.site = plan.site
        self.seq = 0
        self.at_ms = 0
        self.offset_ms = 0  # wall label minus watch time, as of the last item from outside
        self.clock: ClockWord = "synchronised"
        self.events: list[Event] = []
        self.explain: Explainer = _not_explained
        self._staffed = plan.staffed
        self._zone = zone_of(plan.timezone)
        # at_ms never goes back, so repeats can only be among the events of this moment.
        self._told: dict[str, int] = {}
        self._told_at_ms = 0

    def note_clock(self, is_set: Reading | None) -> None:
        """What the house says of the host's clock; None: nothing."""
        if is_set is not None:
            self.clock = "synchronised" if is_set.value else "unsynchronised"

    def label(self, at_ms: int) -> int:
        """Wall time of a moment of watch time."""
        return at_ms + self.offset_ms

    def identity(self, alarm: str, transition: Transition) -> str:
        """16 hex digits that a repeat after a crash gets again."""
        if self._told_at_ms != self.at_ms:
            self._told.clear()
            self._told_at_ms = self.at_ms
        key = f"{alarm}|{transition}"
        n = self._told.get(key, 0)
        self._told[key] = n + 1
        text = f"{self.site}|{key}|{self.at_ms}|{n}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def write(
        self,
        alarm: Alarm,
        transition: Transition,
        mode: str | None,
        *,
        by: str | None = None,
        why: str | None = None,
        until_ms: int | None = None,
        under: str | None = None,
    ) -> Event:
        """One event about ``alarm`` as it stands now."""
        self.seq += 1
        plan, signal = alarm.plan, alarm.signal
        cause, outlook = self.explain(alarm, transition, self.at_ms)
        event = Event(
            id=self.identity(plan.alarm, transition),
            seq=self.seq,
            time_ms=self.label(self.at_ms),
            at_ms=self.at_ms,
            site=self.site,
            box=plan.place,
            alarm=plan.alarm,
            transition=transition,
            state=alarm.state,
            priority=alarm.priority,
            signal=plan.signal,
            value=signal.shown,
            unit=signal.unit or None,
            quality=signal.quality.text,
            limit=alarm.evaluator.condition.limit(),
            limit_unit=plan.unit or None,
            since_ms=alarm.since_time_ms,
            by=by,
            why=why,
            until_ms=None if until_ms is None else self.label(until_ms),
            under=under,
            clock=self.clock,
            mode=mode,
            cause=cause,
            outlook=outlook,
            advice=plan.advice,
            caution=plan.caution,
        )
        self.events.append(event)
        alarm.told = None if alarm.state == "normal" else event.document()
        return event

    def retire(self, told: EventDocument, why: str) -> None:
        """An alarm whose rule is no more: cleared, with what was last told of it."""
        self.seq += 1
        alarm: str = told["alarm"]
        self.events.append(
            Event(
                id=self.identity(alarm, "cleared"),
                seq=self.seq,
                time_ms=self.label(self.at_ms),
                at_ms=self.at_ms,
                site=self.site,
                box=told["box"],
                alarm=alarm,
                transition="cleared",
                state="normal",
                priority=told["priority"],
                signal=told["signal"],
                why=why,
                clock=self.clock,
            )
        )

    def night(self) -> bool:
        """Nobody is there: outside the staffed hours of the site, by its own clock."""
        if self._staffed is None:
            return False
        return not within(self._staffed, self.label(self.at_ms), self._zone)

    def on_duty_ms(self, hours: Span | None, at_ms: int) -> int:
        """The first moment from ``at_ms`` on within these hours of the day, in watch time."""
        wall_ms = self.label(at_ms)
        if hours is None or within(hours, wall_ms, self._zone):
            return at_ms
        return next_moment(hours[0], wall_ms, self._zone) - self.offset_ms

    def staffed_ms(self, at_ms: int) -> int:
        """The first moment from ``at_ms`` on at which the site is staffed, in watch time."""
        return self.on_duty_ms(self._staffed, at_ms)

    def priority(self, day: Priority, night: Priority | None) -> Priority:
        return night if night is not None and self.night() else day

    def save(self) -> dict[str, Any]:
        return {
            "seq": self.seq,
            "at_ms": self.at_ms,
            "offset_ms": self.offset_ms,
            "clock": self.clock,
            "told": dict(self._told),
            "told_at_ms": self._told_at_ms,
        }

    def restore(self, state: dict[str, Any]) -> None:
        self.seq = state["seq"]
        self.at_ms = state["at_ms"]
        self.offset_ms = state["offset_ms"]
        self.clock = state.get("clock", "synchronised")
        self._told = dict(state["told"])
        self._told_at_ms = state["told_at_ms"]
