"""Parents first: who keeps whom quiet, and when a child is let go.

A parent holds its children while its condition is true, even inside its own
on-delay, and while it is active. A mode holds a rule until its longest time. A
held child is let go on a usable reading newer than the end of what held it, or
60 s after that end. ``critical`` and ``latch`` rules are never held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dewline.watch.modes import BoxModes
from dewline.watch.plan import Mode, RulePlan

if TYPE_CHECKING:
    from dewline.watch.alarms import Alarm

LET_GO_MS = 60_000


@dataclass(slots=True)
class Hold:
    """What holds an alarm: a parent alarm, or a mode. ``ended_ms``: when it stopped holding."""

    under: str | None
    mode: Mode | None
    ended_ms: int | None = None
    over: str = ""  # why it ended, in words

    @property
    def why(self) -> str | None:
        return self.mode

    def save(self) -> dict[str, Any]:
        return {
            "under": self.under,
            "mode": self.mode,
            "ended_ms": self.ended_ms,
            "over": self.over,
        }

    @staticmethod
    def restored(state: dict[str, Any]) -> Hold:
        return Hold(state["under"], state["mode"], state["ended_ms"], state["over"])


class Suppression:
    """Knows the parents and the modes of every alarm."""

    def __init__(self, alarms: Mapping[str, Alarm], modes: Mapping[str, BoxModes]) -> None:
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
            delay = parent.judge.delay
            if delay.active or delay.raw:
                return Hold(parent.plan.alarm, None)
        box = self._modes.get(plan.place)
        if box is not None:
            for mode, longest_ms in plan.suppress_while:
                if mode == "regenerating" and "circulating" in box.since:
                    continue  # on another bed, or the bit has stuck: what cleans has to clean
                if mode in box.since and at_ms - box.since[mode] < longest_ms:
                    return Hold(None, mode)
        return None

    def may_go(self, alarm: Alarm, at_ms: int) -> bool:
        """Whether a held alarm is to be let go; keeps the end of its hold in mind."""
        hold = alarm.hold
        if hold is None:
            return False
        if self.hold_of(alarm, at_ms) is not None:
            hold.ended_ms = None
            return False
        if hold.ended_ms is None:
            hold.ended_ms = at_ms
            hold.over = self._over(alarm.plan, hold)
        delay = alarm.judge.delay
        # One that is on its way back is not told as standing: wait until that is settled.
        settled = delay.active == delay.raw
        if alarm.slot.alive_ms > hold.ended_ms:
            return settled
        return at_ms - hold.ended_ms >= LET_GO_MS

    def _over(self, plan: RulePlan, hold: Hold) -> str:
        if hold.mode is None:
            return f"{hold.under} is over"
        box = self._modes.get(plan.place)
        longest_ms = dict(plan.suppress_while).get(hold.mode)
        if longest_ms is not None and box is not None and hold.mode in box.since:
            return f"{hold.mode} longer than {duration(longest_ms)}"
        return f"{hold.mode} is over"


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
