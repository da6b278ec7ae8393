"""From condition to active: deadband side, guard and the two delays of one rule.

Two facts are kept apart. ``raw``: the condition, as the last reading that
counts left it. ``active``: the condition after its delay. A delay starts at the
first contrary sample, is broken by one agreeing sample, ends on a sample that
counts, and starts anew where none came for the signal's stale time.
"""

from __future__ import annotations

from typing import Any

from dewline.watch.conditions.compile import condition_delay_ms
from dewline.watch.conditions.condition import Condition
from dewline.watch.conditions.over_time import Stale
from dewline.watch.signals.signal_state import (
    EVERYTHING,
    NOTHING_QUIET,
    Band,
    SignalState,
    above_band,
    below_band,
)
from dewline.watch.signals.slope import NEVER_MS
from dewline.watch_plan import Guard, RulePlan


class Delay:
    """On-delay and off-delay of one rule (timer start at the first qualifying sample)."""

    __slots__ = ("_last_ms", "_off_ms", "_on_ms", "active", "pending_ms")

    def __init__(self, on_ms: int, off_ms: int) -> None:
        self._on_ms = on_ms
        self._off_ms = off_ms
        self.active = False
        self.pending_ms: int | None = None  # first contrary sample of the run that goes on
        self._last_ms = 0

    @property
    def raw(self) -> bool:
        return self.active != (self.pending_ms is not None)

    @property
    def idle(self) -> bool:
        return not self.active and self.pending_ms is None

    def sample(self, at_ms: int, truth: bool, stale_ms: int) -> int | None:
        """Take a sample; when that flips ``active``, gives the time of the first contrary one."""
        if truth == self.active:
            self.pending_ms = None
            return None
        if self.pending_ms is None or at_ms - self._last_ms >= stale_ms:
            self.pending_ms = at_ms
        self._last_ms = at_ms
        first = self.pending_ms
        if at_ms - first < (self._off_ms if self.active else self._on_ms):
            return None
        self.active = not self.active
        self.pending_ms = None
        return first

    def due_ms(self) -> int | None:
        """When a pending delay is over, if samples go on; None if nothing is pending."""
        if self.pending_ms is None:
            return None
        return self.pending_ms + (self._off_ms if self.active else self._on_ms)

    def save(self) -> dict[str, Any]:
        return {"active": self.active, "pending_ms": self.pending_ms, "last_ms": self._last_ms}

    def restore(self, state: dict[str, Any]) -> None:
        self.active = state["active"]
        self.pending_ms = state["pending_ms"]
        self._last_ms = state["last_ms"]


class RuleGuard:
    """``only_while``: another signal on one side of a limit, or between two."""

    __slots__ = ("_high", "_low", "signal")

    def __init__(self, plan: Guard, signal: SignalState) -> None:
        self.signal = signal
        self._low = None if plan.side == "below" else plan.limit
        self._high = plan.limit if plan.side == "below" else plan.high

    def holds(self) -> bool | None:
        """None while the other signal is not good."""
        value = self.signal.usable
        if value is None:
            return None
        over = self._low is None or value > self._low
        return over and (self._high is None or value < self._high)

    def band(self) -> Band:
        """Values of the other signal that change nothing here."""
        value = self.signal.usable
        if value is None:
            return NOTHING_QUIET
        above = EVERYTHING if self._low is None else above_band(value, self._low)
        below = EVERYTHING if self._high is None else below_band(value, self._high)
        return max(above[0], below[0]), min(above[1], below[1])


class RuleEvaluator:
    """One rule at work: its condition, guard and delays. ``since_ms``: when it began."""

    __slots__ = ("condition", "delay", "guard", "guard_held", "kind", "since_ms")

    def __init__(self, rule: RulePlan, condition: Condition, guard: RuleGuard | None) -> None:
        self.condition = condition
        self.guard = guard
        self.guard_held: bool | None = None
        self.kind = f"{rule.signal} {type(rule.condition).__name__}"
        self.delay = Delay(rule.on_delay_ms + condition_delay_ms(rule.condition), rule.off_delay_ms)
        self.since_ms = 0

    def hear(self, at_ms: int) -> bool:
        """A reading of the rule's signal, or a tick for a timed rule; True if active flipped."""
        guard = self.guard.holds() if self.guard is not None else True
        self._note_guard(at_ms, guard)
        truth = guard and self.condition.truth(at_ms, self.delay.active)
        return truth is not None and self._sample(at_ms, truth)

    def evaluate_guard(self, at_ms: int) -> bool:
        """A reading of the guard's signal. False ends the condition; True only lets it speak."""
        guard = self.guard.holds() if self.guard is not None else True
        self._note_guard(at_ms, guard)
        return guard is False and self._sample(at_ms, False)

    def _note_guard(self, at_ms: int, guard: bool | None) -> None:
        if guard is None or guard == self.guard_held:
            return
        if guard and self.guard_held is False and isinstance(self.condition, Stale):
            self.condition.from_ms = at_ms
        self.guard_held = guard

    def _sample(self, at_ms: int, truth: bool) -> bool:
        condition = self.condition
        # Silence is what a stale rule measures: its on-delay runs on ticks through it.
        timed = condition.timed and truth
        first = self.delay.sample(at_ms, truth, NEVER_MS if timed else condition.signal.stale_ms)
        if first is None:
            return False
        if self.delay.active:
            self.since_ms = condition.began(first)
        return True

    def due_ms(self) -> int | None:
        """When the next tick may matter; None if none can."""
        if not self.condition.timed or self.delay.active or self.guard_held is False:
            return None
        return self.delay.due_ms() or self.condition.due_ms()

    def band(self) -> Band:
        """The quiet band of the rule's own signal; while a delay runs it hears every reading."""
        if self.delay.pending_ms is not None:
            return EVERYTHING
        return self.condition.held_band() if self.delay.active else self.condition.band()

    def reset(self, at_ms: int) -> None:
        """After a gap: a delay that ran is forgotten, what is active stays."""
        self.delay.pending_ms = None
        self.guard_held = None
        self.condition.reset(at_ms)

    def save(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "delay": self.delay.save(),
            "since_ms": self.since_ms,
            "guard_held": self.guard_held,
            "condition": self.condition.save(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take a saved state up. Of another kind of condition only what stands is kept."""
        self.since_ms = state["since_ms"]
        self.delay.active = state["delay"]["active"]
        if state["kind"] == self.kind:
            self.delay.restore(state["delay"])
            self.guard_held = state["guard_held"]
            self.condition.restore(state["condition"])
