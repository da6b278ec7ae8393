"""What an event says: of the alarm as it stands, and of what happened to it."""

from __future__ import annotations

from dataclasses import dataclass

from dewline.events import Priority, State
from dewline.readings import Quality
from dewline.watch_plan import RulePlan


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as it stands at one moment.

    ``active``: its condition is met. ``in_off_delay``: the condition is over, but it counts as
    active until its off-delay has passed. ``value`` is in ``unit``, ``limit`` in ``plan.unit``.
    ``since_time_ms``: wall time at which the condition began. ``occurrence``: id of the event
    with which this occurrence of the alarm began. ``unannounced``: the condition began, and no
    event has said so yet, so the next event begins the occurrence.
    """

    plan: RulePlan
    state: State
    priority: Priority
    active: bool
    in_off_delay: bool
    value: float | None
    unit: str | None
    quality: Quality
    limit: float | None
    since_time_ms: int | None
    occurrence: str | None
    unannounced: bool


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


NO_DETAILS = Details()
