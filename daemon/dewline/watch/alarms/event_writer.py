"""Writes events: ids that survive a crash, a ``seq`` without a hole, wall-time labels."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass

from dewline.events import (
    Cause,
    ClockWord,
    Event,
    EventDocument,
    LastGoodDocument,
    Outlook,
    Transition,
    TroubleDocument,
)
from dewline.hours import LocalTime
from dewline.readings import Reading, iso_utc
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import Mode, WatchPlan

Explainer = Callable[[Alarm, Transition, int], tuple[Cause, Outlook | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Details:
    """What an event says besides: the fields of the same name in ``events.Event``.

    ``until_ms`` is watch time here.
    """

    by: str | None = None
    to: str | None = None
    off_duty: bool = False
    why: str | None = None
    until_ms: int | None = None
    under: str | None = None
    stopped_at: tuple[str, ...] = ()
    stands: tuple[TroubleDocument, ...] = ()


NO_DETAILS = Details()


class EventWriter(Kept):
    """Numbers and labels the events of one site.

    ``at_ms``: watch time of the item at hand. ``clock``: whether the host's clock can be
    believed. ``explain`` gives the cause and the outlook of an alarm at the time of an event.
    ``_written`` counts the events of each alarm and transition at ``_written_at_ms``, for ids.
    """

    KEPT = ("seq", "at_ms", "offset_ms", "clock", "_written", "_written_at_ms")
    seq: int = 0
    at_ms: int = 0
    clock: ClockWord = "synchronised"
    _written: dict[str, int]
    _written_at_ms: int = 0

    def __init__(self, plan: WatchPlan, local_time: LocalTime, explain: Explainer) -> None:
        self.site = plan.site
        self.local_time = local_time
        self._explain = explain
        self._events: list[Event] = []
        self._written = {}

    @property
    def offset_ms(self) -> int:
        """Wall time minus watch time, as of the last item from outside."""
        return self.local_time.offset_ms

    @offset_ms.setter
    def offset_ms(self, offset_ms: int) -> None:
        """Label what comes by another offset."""
        self.local_time.offset_ms = offset_ms

    def note_clock(self, is_set: Reading | None) -> None:
        """Whether the host's clock is set, as the daemon reads it; None where it says nothing."""
        if is_set is not None:
            self.clock = "synchronised" if is_set.value else "unsynchronised"

    def label(self, at_ms: int) -> int:
        """Wall time of a moment of watch time."""
        return self.local_time.label(at_ms)

    def pop_events(self) -> tuple[Event, ...]:
        """The events written since the last call."""
        events = tuple(self._events)
        self._events.clear()
        return events

    def write(
        self, alarm: Alarm, transition: Transition, mode: Mode | None, details: Details
    ) -> Event:
        """Write one event about ``alarm`` as it stands now.

        Value, unit and quality are those of its signal, in canonical units. ``mode``: the mode of
        its box that the event names.
        """
        self.seq += 1
        plan, signal = alarm.plan, alarm.signal
        cause, outlook = self._explain(alarm, transition, self.at_ms)
        event_id = self._identity(plan.alarm, transition)
        until_ms = details.until_ms
        event = Event(
            id=event_id,
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
            occurrence=event_id if alarm.unannounced else alarm.occurrence,
            by=details.by,
            to=details.to,
            off_duty=details.off_duty,
            why=details.why,
            until_ms=None if until_ms is None else self.label(until_ms),
            under=details.under,
            clock=self.clock,
            mode=mode,
            cause=cause,
            outlook=outlook,
            advice=plan.advice,
            when_over=plan.when_over,
            caution=plan.caution,
            stopped_at=details.stopped_at,
            stands=details.stands,
            last_good=self._last_good(signal),
        )
        self._events.append(event)
        return event

    def _last_good(self, signal: SignalState) -> LastGoodDocument | None:
        found = signal.last_good
        if found is None or found.value is None:
            return None
        return {"value": found.value, "time": iso_utc(self.label(found.at_ms))}

    def retire(self, last: EventDocument, why: str) -> None:
        """Write that an alarm whose rule is gone is cleared.

        ``last``: the last event about it, from which box, signal and priority are taken.
        """
        self.seq += 1
        self._events.append(
            Event(
                id=self._identity(last["alarm"], "cleared"),
                seq=self.seq,
                time_ms=self.label(self.at_ms),
                at_ms=self.at_ms,
                site=self.site,
                box=last["box"],
                alarm=last["alarm"],
                transition="cleared",
                state="normal",
                priority=last["priority"],
                signal=last["signal"],
                occurrence=last.get("occurrence"),
                why=why,
                clock=self.clock,
            )
        )

    def _identity(self, alarm: str, transition: Transition) -> str:
        """16 hex digits, the same again when the same items are fed again after a crash.

        Watch time never goes back, so two events can only be alike within one moment.
        """
        if self._written_at_ms != self.at_ms:
            self._written.clear()
            self._written_at_ms = self.at_ms
        key = f"{alarm}|{transition}"
        n = self._written.get(key, 0)
        self._written[key] = n + 1
        text = f"{self.site}|{key}|{self.at_ms}|{n}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]
