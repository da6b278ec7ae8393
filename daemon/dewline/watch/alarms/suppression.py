"""Suppression: what holds an alarm back, and when it is released.

A parent holds its children while it is active, and before that during its own on-delay, at most
for the length of that delay. It speaks for a child, so it holds one only while everybody hears of
the parent whom the child would call at that time: by the contacts, their priorities and hours, as
the plan has them. A parent that a mode silences calls nobody. Whoever shelves a parent, or takes it
out of service, answers for children of at most its priority. Where the plan pages nobody, or the
child would call nobody at that time, nothing is lost by holding it.

A mode of the box holds a rule, at most for the longest time the rule allows. A held alarm is
released only by readings newer than the end of what held it, and once it is certain that it
stands: a slope when all readings it is computed from are newer, a level when it does not go back
by itself (what a restart, a purge or a transfer leaves behind is no new trouble). Silence has no
readings: a stale rule is released 60 s after that end. ``critical`` and ``latch`` rules are never
held.
"""

from __future__ import annotations

from collections.abc import Mapping

from dewline.duty import Duty
from dewline.events import ACTIVE_STATES, PRIORITIES, Priority
from dewline.watch.alarms.alarm import Alarm, Hold
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    BelowOwn,
    ConditionPlan,
    Count,
    Falling,
    Mode,
    Outside,
    Reaches,
    Rising,
    RulePlan,
    StaleAfter,
)

RELEASE_STALE_MS = 60_000
# Whether a level goes back by itself: its excess over the limit is compared every COMPARE_MS; it
# has to fall below LESS_SHARE of the one before, a rise above MORE_SHARE ends the wait, and the
# wait lasts at most LONGEST_WAIT_MS. Common practice, no source.
COMPARE_MS = 10 * 60_000
LESS_SHARE, MORE_SHARE = 0.98, 1.1
LONGEST_WAIT_MS = 6 * 3_600_000
LEVELS = (Above, Below, Outside, AboveOwn, BelowOwn)


class Suppression:
    """Decides by the parents and the box of each alarm whether it is held."""

    def __init__(
        self, alarms: Mapping[str, Alarm], modes: Mapping[str, BoxModes], duty: Duty
    ) -> None:
        self._alarms = alarms
        self.duty = duty
        self._modes = modes
        # Of each alarm its parents, and whether the two are levels of one signal. A ring of
        # parents, which the config refuses, is cut where it closes.
        self._parents = {
            name: tuple(
                (alarms[p], _levels(alarms[p], alarm))
                for p in alarm.plan.under
                if p in alarms and alarms[p].rank < alarm.rank
            )
            for name, alarm in alarms.items()
        }

    def mode_of(self, place: str, at_ms: int) -> Mode | None:
        """The mode that an event of ``place`` names; None where it is no box or none is known."""
        box = self._modes.get(place)
        return box.foremost(at_ms) if box is not None else None

    def standing_loops(self) -> tuple[str, ...]:
        """The boxes in which circulation stands without a mode that explains it."""
        return tuple(name for name, box in self._modes.items() if box.stands)

    def hold_of(self, alarm: Alarm, at_ms: int) -> Hold | None:
        """What would hold this alarm back now; None if nothing would."""
        found = self._holds(alarm, at_ms)
        if not isinstance(found, Alarm):
            return found and Hold(None, found, since_ms=at_ms)
        leader, waiting = self._leader(alarm, found), not found.active
        return Hold(found.plan.alarm, None, led_by=leader, since_ms=at_ms, waiting=waiting)

    def _holds(self, alarm: Alarm, at_ms: int) -> Alarm | Mode | None:
        """The parent or the mode that holds this alarm now.

        A regeneration does not count while the box circulates: it is on another bed, or the
        bit has stuck, and the bed that cleans this box has to clean.
        """
        plan = alarm.plan
        if plan.priority == "critical" or plan.latch:
            return None
        for parent, _ in self._parents[plan.alarm]:
            if _explains(parent, alarm, at_ms) and self._speaks(parent, alarm, at_ms):
                return parent
        box = self._modes.get(plan.place)
        if box is not None:
            for mode, longest_ms in plan.suppress_while:
                if mode == "regenerating" and "circulating" in box.since:
                    continue
                if mode in box.since and at_ms - box.since[mode] < longest_ms:
                    return mode
        return None

    def silent_ms(self, alarm: Alarm, mode: Mode, at_ms: int) -> int:
        """For how long from ``at_ms`` on ``mode`` may still hold this alarm; 0: not at all."""
        plan = alarm.plan
        if plan.priority == "critical" or plan.latch:
            return 0
        since_ms = self._modes[plan.place].since.get(mode, at_ms)
        return since_ms + dict(plan.suppress_while).get(mode, 0) - at_ms

    def _speaks(self, parent: Alarm, child: Alarm, at_ms: int) -> bool:
        """Whether everybody hears of ``parent`` now whom ``child`` would call."""
        plan = child.plan
        priority = self.duty.priority(plan, at_ms, child.comes_ms)
        called = self.duty.told(plan.place, priority, at_ms)
        return not called or called <= self._told(parent, priority, at_ms)

    def _told(self, parent: Alarm, least: Priority, at_ms: int) -> frozenset[str]:
        """Who hears of ``parent``, or of what holds it, for a child of priority ``least``."""
        held = parent.active and parent.hold is not None
        holder = self._holds(parent, at_ms) if held or not parent.active else None
        if isinstance(holder, Alarm):
            return self._told(holder, least, at_ms)
        if held or holder is not None:
            return frozenset()  # silenced by a mode, or held until it is certain that it stands
        plan = parent.plan
        priority = parent.priority
        if not parent.active:
            priority = self.duty.priority(plan, at_ms, parent.comes_ms)
        milder = PRIORITIES.index(priority) > PRIORITIES.index(least)
        if milder and parent.state in ("shelved", "out-of-service"):
            return frozenset()
        return self.duty.told(plan.place, priority, at_ms)

    def _leader(self, alarm: Alarm, parent: Alarm) -> str | None:
        """The alarm that called people on behalf of ``alarm``: a worse level of its signal."""
        milder = PRIORITIES.index(parent.priority) > PRIORITIES.index(alarm.priority)
        if milder or (parent, True) not in self._parents[alarm.plan.alarm]:
            return None
        if parent.state in ACTIVE_STATES:
            return parent.plan.alarm
        return parent.hold.led_by if parent.hold is not None else None

    def leader_of(self, hold: Hold) -> Alarm | None:
        """The alarm that has already called people on behalf of the held one."""
        return self._alarms.get(hold.led_by) if hold.led_by is not None else None

    def may_release(self, alarm: Alarm, hold: Hold, at_ms: int) -> bool:
        """Whether a held alarm is to be released now; notes the end of its hold in ``hold``.

        An alarm under a leader waits until both are over, since the people who know of the
        leader wait to hear that all of it is over.
        """
        delay, leader = alarm.evaluator.delay, self.leader_of(hold)
        holder = self._holds(alarm, at_ms)
        if holder is not None:
            hold.ended_ms = hold.mark_ms = None
            hold.waiting = hold.waiting and isinstance(holder, Alarm) and not holder.active
            if isinstance(holder, Alarm):
                hold.led_by = self._leader(alarm, holder) or hold.led_by
            hold.over = f"{hold.led_by} is over"
            return leader is not None and leader.evaluator.delay.idle and delay.idle
        if hold.ended_ms is None:
            hold.ended_ms = at_ms
            hold.over = self._over(alarm.plan, hold, at_ms)
        # While a delay runs it is not certain that it stands: wait until the delay is over.
        if delay.active != delay.raw:
            return False
        if not delay.active:
            return True
        return self._stands(alarm, hold, at_ms)

    def _stands(self, alarm: Alarm, hold: Hold, at_ms: int) -> bool:
        """Whether it is certain that it stands, now that nothing holds it any more."""
        ended_ms = at_ms if hold.ended_ms is None else hold.ended_ms
        if isinstance(alarm.plan.condition, StaleAfter):
            return at_ms - ended_ms >= RELEASE_STALE_MS
        if alarm.signal.alive_ms <= ended_ms or alarm.signal.quality >= FIRST_BAD:
            return False
        if hold.waiting or self._stands_above(hold):
            return True  # the parent explains nothing, or is no longer told to those concerned
        if self._longer(alarm.plan, hold, ended_ms) or self.leader_of(hold) is not None:
            return True  # the longest time is over, or the people concerned know already
        if at_ms - ended_ms < computed_from_ms(alarm.plan):
            return False
        return at_ms - ended_ms >= LONGEST_WAIT_MS or not _goes_back(alarm, hold, at_ms)

    def _longer(self, plan: RulePlan, hold: Hold, at_ms: int) -> bool:
        """Whether the mode goes on past the longest time for which it may hold the rule."""
        box = self._modes.get(plan.place)
        if hold.mode is None or box is None or hold.mode not in box.since:
            return False
        longest_ms = dict(plan.suppress_while).get(hold.mode, 0)
        return at_ms - box.since[hold.mode] >= longest_ms

    def _stands_above(self, hold: Hold) -> bool:
        """Whether the parent is still active, although it does not hold any more."""
        parent = self._alarms.get(hold.under or "")
        return parent is not None and parent.active

    def _over(self, plan: RulePlan, hold: Hold, at_ms: int) -> str:
        """Why the hold ended, as a sentence for people."""
        if hold.mode is None:
            calls_nobody = "calls nobody at this time"
            return f"{hold.under} {calls_nobody if self._stands_above(hold) else 'is over'}"
        if self._longer(plan, hold, at_ms):
            longest_ms = dict(plan.suppress_while).get(hold.mode, 0)
            return f"{hold.mode} longer than {duration(longest_ms)}"
        return f"{hold.mode} is over"


def _explains(parent: Alarm, child: Alarm, at_ms: int) -> bool:
    """Whether ``parent`` is active, or its on-delay runs and has not held ``child`` too long."""
    delay = parent.evaluator.delay
    if delay.active or delay.pending_ms is None:
        return delay.active
    since_ms = child.hold.since_ms if child.hold is not None else None
    return since_ms is None or at_ms - since_ms < delay.on_ms


def _levels(one: Alarm, other: Alarm) -> bool:
    """Whether both are about how high or low one signal is, or will be."""
    kinds = (*LEVELS, Reaches)
    return one.signal is other.signal and all(
        isinstance(alarm.plan.condition, kinds) for alarm in (one, other)
    )


def leads(worse: Alarm, alarm: Alarm) -> bool:
    """Whether a call about the level ``worse`` is one about ``alarm`` too.

    It is if both are levels of one signal, and ``worse`` is more urgent, or its parent and no less
    urgent. A parent that is milder now, such as a forecast at night, answers for nothing graver.
    """
    if not _levels(worse, alarm):
        return False
    graver = PRIORITIES.index(alarm.priority) - PRIORITIES.index(worse.priority)
    return graver > 0 or (graver == 0 and worse.plan.alarm in alarm.plan.under)


def computed_from_ms(plan: RulePlan) -> int:
    """How far back the readings reach from which a rule is computed, in ms."""
    match plan.condition:
        case Rising(over_ms=over_ms) | Falling(over_ms=over_ms):
            return over_ms
        case Count(within_ms=within_ms):
            return within_ms
        case Reaches():
            return plan.on_delay_ms
        case _:
            return 0


def _goes_back(alarm: Alarm, hold: Hold, at_ms: int) -> bool:
    """Whether a level goes back by itself: its excess over the limit falls all the time."""
    excess = _excess(alarm.plan, alarm.plan.condition, alarm)
    if excess is None:
        return False
    if hold.mark_ms is None:
        hold.mark_ms, hold.mark, hold.best = at_ms, excess, excess
    if excess <= (alarm.plan.deadband or 0.0):
        return True  # within the limit again, only not yet clear of the deadband
    if excess > MORE_SHARE * hold.mark:
        return False
    hold.best = min(hold.best, excess)  # of many readings noise moves the lowest one least
    if at_ms - hold.mark_ms < COMPARE_MS:
        return True
    falls = hold.best < LESS_SHARE * hold.mark
    hold.mark_ms, hold.mark, hold.best = at_ms, hold.best, excess
    return falls


def _excess(plan: RulePlan, condition: ConditionPlan, alarm: Alarm) -> float | None:
    """How far a level is past the value at which it would be over; None for other rules."""
    value, limit = alarm.signal.value, alarm.evaluator.condition.limit()
    if value is None or limit is None or not isinstance(condition, LEVELS):
        return None
    low = isinstance(condition, Below | BelowOwn) or (
        isinstance(condition, Outside) and alarm.evaluator.condition.crossed_low()
    )
    return (limit - value if low else value - limit) + (plan.deadband or 0.0)


def duration(ms: int) -> str:
    """A time in words: ``8 h``, ``15 min``, ``90 s``."""
    for size, unit in ((3_600_000, "h"), (60_000, "min")):
        if ms >= size and ms % size == 0:
            return f"{ms // size} {unit}"
    return f"{ms / 1000:g} s"


def ranks(rules: Mapping[str, RulePlan]) -> dict[str, int]:
    """Depth of every alarm below its furthest ancestor, so that parents are evaluated first.

    The config refuses cycles; in a plan that has one it is cut where it closes.
    """
    depth: dict[str, int] = {}

    def visit(name: str, above: tuple[str, ...]) -> int:
        if name not in depth:
            parents = [p for p in rules[name].under if p in rules and p not in above]
            depth[name] = 1 + max((visit(p, (*above, name)) for p in parents), default=-1)
        return depth[name]

    for name in rules:
        visit(name, (name,))
    return depth
