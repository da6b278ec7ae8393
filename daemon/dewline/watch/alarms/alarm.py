"""What is known of one alarm, and what holds it back. ``engine`` moves alarms."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from dewline.events import OVERLAY_STATES, EventDocument, Priority, State
from dewline.watch.alarms import rates
from dewline.watch.alarms.states import Fact
from dewline.watch.conditions.evaluator import RuleEvaluator
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import Mode, RulePlan


@dataclass(slots=True)
class Hold:
    """What suppresses an alarm: a parent alarm (``under``) or a ``mode`` of its box.

    ``ended_ms``: when it stopped to hold. ``over``: why it ended, as a sentence for people.
    ``led_by``: an alarm that already called people about a worse level of the same signal.
    ``since_ms``: when it began to hold. ``waiting``: so far only parents held it whose on-delay
    ran, so that it is not certain that any of them explains the alarm.
    Since ``mark_ms`` it is observed whether the level goes back by itself: ``mark`` is the
    lowest excess over its limit before that, ``best`` the lowest one since.
    """

    under: str | None
    mode: Mode | None
    ended_ms: int | None = None
    over: str = ""
    led_by: str | None = None
    mark_ms: int | None = None
    mark: float = 0.0
    best: float = 0.0
    since_ms: int | None = None
    waiting: bool = False


class Alarm(Kept):
    """One alarm. ``state`` is what people see: that of the overlay, where one hides the alarm.

    ``latched``: a latch to be kept through an overlay. ``unacknowledged_since_ms``: since when
    nobody has acknowledged it. ``escalated``: contact whose escalation went out, and when.
    ``acknowledged_by``, ``acknowledged_ms``: who acknowledged what stands or stood last.
    ``since_time_ms``: when the condition began, by the clock on the wall at that time.
    ``chattered_ms``: when people were last told that it chatters. ``occurrence``: id of the event
    with which this occurrence of the alarm began. ``unannounced``: the condition began, and no
    event has said so yet, so the next event begins the occurrence. ``last_event``: the last one,
    while it is not normal.
    ``rank``: its place in the order in which rules are evaluated, parents first.
    """

    state: State = "normal"
    priority: Priority
    latched: bool = False
    shelved_until_ms: int | None = None
    hold: Hold | None = None
    unacknowledged_since_ms: int | None = None
    escalated: dict[str, int]
    remind_ms: int | None = None
    acknowledged_by: str | None = None
    acknowledged_ms: int | None = None
    since_time_ms: int | None = None
    changes: deque[rates.Change]
    chattered_ms: int | None = None
    occurrence: str | None = None
    unannounced: bool = False
    last_event: EventDocument | None = None
    evaluator: RuleEvaluator

    def __init__(self, plan: RulePlan, evaluator: RuleEvaluator, rank: int) -> None:
        self.plan = plan
        self.evaluator = evaluator
        self.rank = rank
        self.priority = plan.priority
        self.escalated = {}
        self.changes = deque(maxlen=rates.REMEMBERED)

    @property
    def signal(self) -> SignalState:
        """The signal of its rule."""
        return self.evaluator.condition.signal

    @property
    def active(self) -> bool:
        """Its condition is met, delays counted."""
        return self.evaluator.delay.active

    @property
    def comes_ms(self) -> int | None:
        """When what its rule foresees comes; None for any other rule."""
        return self.evaluator.condition.reached_ms()

    @property
    def in_off_delay(self) -> bool:
        """Its condition is over, but the off-delay has not passed yet."""
        return self.active and not self.evaluator.delay.raw

    @property
    def overlaid(self) -> bool:
        """It is shelved, suppressed or out of service."""
        return self.state in OVERLAY_STATES

    def facts(self, hold: Hold | None) -> dict[Fact, bool]:
        """What the state table asks about it; ``hold`` is what would suppress it now."""
        return {
            "active": self.active,
            "latch": self.plan.latch,
            "auto": self.plan.acknowledge == "auto",
            "latched": self.latched,
            "shelved": self.shelved_until_ms is not None,
            "suppressed": hold is not None,
        }


def by_rank(alarm: Alarm) -> int:
    """Sort key: parents first."""
    return alarm.rank
