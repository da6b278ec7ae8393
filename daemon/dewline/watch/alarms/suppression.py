"""Parents first: who keeps whom quiet, and when a child is let go.

A parent holds its children while its condition is true, even inside its own
on-delay, and while it is active. A mode holds a rule until its longest time. A
held child is let go only on readings newer than the end of what held it, once it
is settled that it stands: a slope when all it is drawn from is newer, a level
when it is not on its way back by itself (what a restart, a purge or a transfer
leaves behind is no new trouble). Silence has no readings: a stale rule is let go
60 s after that end. ``critical`` and ``latch`` rules are never held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from dewline.events import PRIORITIES
from dewline.watch.alarms.states import ACTIVE
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    ConditionPlan,
    Falling,
    Mode,
    Outside,
    Reaches,
    Rising,
    RulePlan,
    StaleAfter,
)

if TYPE_CHECKING:
    from dewline.watch.alarms.alarm import Alarm

LET_GO_MS = 60_000
# How long a level is looked at for its way back, how much of its excess has to go from one
# look to the next, and how long that is believed. Common practice, no source.
LOOK_MS = 10 * 60_000
LESS_SHARE, MORE_SHARE = 0.98, 1.1
WAY_BACK_MS = 6 * 3_600_000
LEVELS = (Above, Below, Outside, AboveOwn)


@dataclass(slots=True)
class Hold:
    """What holds an alarm: a parent alarm, or a mode. ``ended_ms``: when it stopped holding.

    ``led_by``: the told alarm that already speaks of the same level of the same
    signal. A look at the level began at ``mark_ms``: ``mark`` is how far past its
    limit it was at best before, ``best`` since.
    """

    under: str | None
    mode: Mode | None
    ended_ms: int | None = None
    over: str = ""  # why it ended, in words
    led_by: str | None = None
    mark_ms: int | None = None
    mark: float = 0.0
    best: float = 0.0

    @property
    def why(self) -> str | None:
        return self.mode

    def save(self) -> dict[str, Any]:
        return asdict(self)

    @staticmethod
    def restored(state: dict[str, Any]) -> Hold:
        return Hold(**state)


class Suppression:
    """Knows the parents and the modes of every alarm."""

    def __init__(self, alarms: Mapping[str, Alarm], modes: Mapping[str, BoxModes]) -> None:
        self._alarms = alarms
        self._modes = modes
        self._parents = {
            name: tuple(alarms[p] for p in alarm.plan.under if p in alarms)
            for name, alarm in alarms.items()
        }

    def telling(self, place: str) -> Mode | None:
        """The mode an event of ``place`` names."""
        box = self._modes.get(place)
        return box.telling() if box is not None else None

    def hold_of(self, alarm: Alarm, at_ms: int) -> Hold | None:
        """What keeps this alarm quiet now, if anything does."""
        plan = alarm.plan
        if plan.priority == "critical" or plan.latch:
            return None
        for parent in self._parents[plan.alarm]:
            delay = parent.evaluator.delay
            if delay.active or delay.raw:
                return Hold(parent.plan.alarm, None, led_by=self._leader(alarm, parent))
        box = self._modes.get(plan.place)
        if box is not None:
            for mode, longest_ms in plan.suppress_while:
                if mode == "regenerating" and "circulating" in box.since:
                    continue  # on another bed, or the bit has stuck: what cleans has to clean
                if mode in box.since and at_ms - box.since[mode] < longest_ms:
                    return Hold(None, mode)
        return None

    def _leader(self, alarm: Alarm, parent: Alarm) -> str | None:
        """The told alarm that speaks for ``alarm``: a graver level of the same signal."""
        if parent.signal is not alarm.signal or not (is_level(parent) and is_level(alarm)):
            return None
        if parent.state in ACTIVE:
            return parent.plan.alarm
        return parent.hold.led_by if parent.hold is not None else None

    def lead_of(self, hold: Hold) -> Alarm | None:
        """Whoever has been told of that alarm has been told of what it led."""
        return self._alarms.get(hold.led_by) if hold.led_by is not None else None

    def may_go(self, alarm: Alarm, at_ms: int) -> bool:
        """Whether a held alarm is to be let go; keeps the end of its hold in mind."""
        hold = alarm.hold
        if hold is None:
            return False
        delay, lead = alarm.evaluator.delay, self.lead_of(hold)
        current = self.hold_of(alarm, at_ms)
        if current is not None:
            hold.ended_ms = hold.mark_ms = None
            hold.led_by = current.led_by or hold.led_by
            hold.over = f"{hold.led_by} is over"
            # Whoever was told of what led it waits to hear that all of it is over.
            return lead is not None and lead.evaluator.delay.idle and delay.idle
        if hold.ended_ms is None:
            hold.ended_ms = at_ms
            hold.over = self._over(alarm.plan, hold, at_ms)
        # One that is on its way back is not told as standing: wait until that is settled.
        if delay.active != delay.raw:
            return False
        if not delay.active:
            return True
        return self._stands(alarm, hold, at_ms)

    def _stands(self, alarm: Alarm, hold: Hold, at_ms: int) -> bool:
        """It is certain that it stands of itself, now that nothing holds it any more."""
        ended_ms = at_ms if hold.ended_ms is None else hold.ended_ms
        if isinstance(alarm.plan.condition, StaleAfter):
            return at_ms - ended_ms >= LET_GO_MS
        if alarm.signal.alive_ms <= ended_ms or alarm.signal.quality >= FIRST_BAD:
            return False
        if self._longer(alarm.plan, hold, ended_ms) or self.lead_of(hold) is not None:
            return True  # the longest time is over; or those concerned know already
        if at_ms - ended_ms < drawn_from_ms(alarm.plan):
            return False
        return at_ms - ended_ms >= WAY_BACK_MS or not _mends(alarm, hold, at_ms)

    def _longer(self, plan: RulePlan, hold: Hold, at_ms: int) -> bool:
        """The mode goes on, past the longest time for which it may silence."""
        box = self._modes.get(plan.place)
        if hold.mode is None or box is None or hold.mode not in box.since:
            return False
        longest_ms = dict(plan.suppress_while).get(hold.mode, 0)
        return at_ms - box.since[hold.mode] >= longest_ms

    def _over(self, plan: RulePlan, hold: Hold, at_ms: int) -> str:
        if hold.mode is None:
            return f"{hold.under} is over"
        if self._longer(plan, hold, at_ms):
            longest_ms = dict(plan.suppress_while).get(hold.mode, 0)
            return f"{hold.mode} longer than {duration(longest_ms)}"
        return f"{hold.mode} is over"


def is_level(alarm: Alarm) -> bool:
    return isinstance(alarm.plan.condition, (*LEVELS, Reaches))


def leads(graver: Alarm, alarm: Alarm) -> bool:
    """Whether one level speaks for another, as its parent or by its urgency."""
    if graver.signal is not alarm.signal or not (is_level(graver) and is_level(alarm)):
        return False
    urgent = PRIORITIES.index(graver.priority) < PRIORITIES.index(alarm.priority)
    return graver.plan.alarm in alarm.plan.under or urgent


def drawn_from_ms(plan: RulePlan) -> int:
    """The time of which the verdict speaks: until it has passed, the verdict is of old readings."""
    match plan.condition:
        case Rising(over_ms=over_ms) | Falling(over_ms=over_ms):
            return over_ms
        case Reaches():
            return plan.on_delay_ms
        case _:
            return 0


def _mends(alarm: Alarm, hold: Hold, at_ms: int) -> bool:
    """A level on its way back: its excess grows less from look to look."""
    excess = _excess(alarm.plan, alarm.plan.condition, alarm)
    if excess is None:
        return False
    if hold.mark_ms is None:
        hold.mark_ms, hold.mark, hold.best = at_ms, excess, excess
    if excess <= (alarm.plan.deadband or 0.0):
        return True  # past its limit no more, only not yet clear of it
    if excess > MORE_SHARE * hold.mark:
        return False
    hold.best = min(hold.best, excess)  # the lowest of many: noise moves it least
    if at_ms - hold.mark_ms < LOOK_MS:
        return True
    mends = hold.best < LESS_SHARE * hold.mark
    hold.mark_ms, hold.mark, hold.best = at_ms, hold.best, excess
    return mends


def _excess(plan: RulePlan, condition: ConditionPlan, alarm: Alarm) -> float | None:
    """How far a level is past where it would be over; None for what is no level."""
    value, limit = alarm.signal.value, alarm.evaluator.condition.limit()
    if value is None or limit is None or not isinstance(condition, LEVELS):
        return None
    low = isinstance(condition, Below) or (isinstance(condition, Outside) and value < limit)
    return (limit - value if low else value - limit) + (plan.deadband or 0.0)


def duration(ms: int) -> str:
    for size, unit in ((3_600_000, "h"), (60_000, "min")):
        if ms >= size and ms % size == 0:
            return f"{ms // size} {unit}"
    return f"{ms / 1000:g} s"


def ranks(rules: Mapping[str, RulePlan]) -> dict[str, int]:
    """Depth of every alarm below its furthest ancestor, so that parents are judged first.

    The config refuses cycles; one that slips in is cut where it closes.
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
