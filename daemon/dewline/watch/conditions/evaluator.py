"""From condition to active: the guard and the two delays of one rule.

``Delay`` keeps two facts apart. ``raw``: the condition, as the last sample left it. ``active``: the
condition after its delay. A delay starts with the first sample that contradicts ``active``, is
broken by one that agrees, ends with a sample, and starts again where no sample came for the
signal's stale time.
"""

from __future__ import annotations

from dewline.watch.conditions.compile import condition_delay_ms
from dewline.watch.conditions.condition import Condition
from dewline.watch.saved import Kept, State
from dewline.watch.signals.signal_state import (
    EMPTY_BAND,
    EVERYTHING,
    Band,
    SignalState,
    above_band,
    below_band,
)
from dewline.watch.signals.window import NEVER_MS
from dewline.watch_plan import Guard, RulePlan


class Delay(Kept):
    """On-delay and off-delay of one rule, in ms of watch time.

    ``on_ms``: the on-delay. ``pending_ms``: the first sample of the run that contradicts
    ``active``; None if none runs.
    """

    __slots__ = ("_last_ms", "_off_ms", "active", "on_ms", "pending_ms")
    active: bool
    pending_ms: int | None
    _last_ms: int

    def __init__(self, on_ms: int, off_ms: int) -> None:
        self.on_ms = on_ms
        self._off_ms = off_ms
        self.active = False
        self.pending_ms = None
        self._last_ms = 0

    @property
    def raw(self) -> bool:
        """The condition without its delays."""
        return self.active != (self.pending_ms is not None)

    @property
    def idle(self) -> bool:
        """Not active, and no delay runs."""
        return not self.active and self.pending_ms is None

    def runs(self) -> bool:
        """Whether the on-delay or the off-delay runs."""
        return self.pending_ms is not None

    def sample(self, at_ms: int, truth: bool, stale_ms: int) -> int | None:
        """Take in whether the condition holds at ``at_ms``.

        If that changes ``active``, gives the time of the first sample of the run, from which
        the condition counts. ``stale_ms``: a run with a longer gap in it starts again.
        """
        if truth == self.active:
            self.pending_ms = None
            return None
        if self.pending_ms is None or at_ms - self._last_ms >= stale_ms:
            self.pending_ms = at_ms
        self._last_ms = at_ms
        first = self.pending_ms
        if at_ms - first < (self._off_ms if self.active else self.on_ms):
            return None
        self.active = not self.active
        self.pending_ms = None
        return first

    def due_ms(self) -> int | None:
        """When a delay that runs is over, if samples go on; None if none runs."""
        if self.pending_ms is None:
            return None
        return self.pending_ms + (self._off_ms if self.active else self.on_ms)


class RuleGuard:
    """``only_while``: another signal has to be on one side of a limit, or between two."""

    __slots__ = ("_high", "_low", "signal")

    def __init__(self, plan: Guard, signal: SignalState) -> None:
        self.signal = signal
        self._low = None if plan.side == "below" else plan.limit
        self._high = plan.limit if plan.side == "below" else plan.high

    def holds(self) -> bool | None:
        """Whether the rule may raise; None while the other signal is not good."""
        value = self.signal.usable
        if value is None:
            return None
        over = self._low is None or value > self._low
        return over and (self._high is None or value < self._high)

    def band(self) -> Band:
        """The values of the other signal for which the answer stays the same."""
        value = self.signal.usable
        if value is None:
            return EMPTY_BAND
        above = EVERYTHING if self._low is None else above_band(value, self._low)
        below = EVERYTHING if self._high is None else below_band(value, self._high)
        return max(above[0], below[0]), min(above[1], below[1])


class RuleEvaluator(Kept):
    """One rule: its condition, guards and delays.

    ``since_ms``: when the condition began that made it active. ``kind``: signal and sort of
    condition, by which a saved state is recognised.
    """

    __slots__ = ("condition", "delay", "guard_held", "guards", "kind", "since_ms")
    kind: str
    delay: Delay
    since_ms: int
    guard_held: bool | None
    condition: Condition

    def __init__(
        self, rule: RulePlan, condition: Condition, guards: tuple[RuleGuard, ...] = ()
    ) -> None:
        self.condition = condition
        self.guards = guards
        self.guard_held = None
        self.kind = f"{rule.signal} {type(rule.condition).__name__}"
        self.delay = Delay(rule.on_delay_ms + condition_delay_ms(rule.condition), rule.off_delay_ms)
        self.since_ms = 0

    def evaluate(self, at_ms: int) -> bool:
        """After a reading of the rule's signal, or when time alone may change the condition.

        True if ``active`` has changed.
        """
        guard = self._guards_hold()
        self._note_guard(at_ms, guard)
        truth = guard and self.condition.truth(at_ms, self.delay.active)
        return truth is not None and self._sample(at_ms, truth)

    def evaluate_guard(self, at_ms: int) -> bool:
        """After a reading of the guard's signal; True if ``active`` has changed.

        A guard that does not hold ends the condition. One that holds only allows the rule to
        raise with the next reading of its own signal.
        """
        guard = self._guards_hold()
        self._note_guard(at_ms, guard)
        return guard is False and self._sample(at_ms, False)

    def _guards_hold(self) -> bool | None:
        """Whether all guards hold; None where one is not known and none fails."""
        held: bool | None = True
        for guard in self.guards:
            one = guard.holds()
            if one is False:
                return False
            held = None if one is None else held
        return held

    def _note_guard(self, at_ms: int, guard: bool | None) -> None:
        if guard is None or guard == self.guard_held:
            return
        if guard:
            self.condition.guard_began(at_ms, self.guard_held)
        self.guard_held = guard

    def _sample(self, at_ms: int, truth: bool) -> bool:
        condition = self.condition
        # A stale rule measures silence: its on-delay goes on without samples.
        timed = condition.timed and truth
        first = self.delay.sample(at_ms, truth, NEVER_MS if timed else condition.signal.stale_ms)
        if first is None:
            return False
        if self.delay.active:
            self.since_ms = condition.began(first)
        return True

    def due_ms(self) -> int | None:
        """When time alone may change it next; None if it cannot."""
        if not self.condition.timed or self.delay.active or self.guard_held is False:
            return None
        return self.delay.due_ms() or self.condition.due_ms()

    def band(self) -> Band:
        """The values of the rule's own signal that change nothing.

        While a delay runs the rule is evaluated at every reading, whatever the band.
        """
        if self.delay.pending_ms is not None:
            return EVERYTHING
        return self.condition.held_band() if self.delay.active else self.condition.band()

    def reset(self, at_ms: int) -> None:
        """After a gap: a delay that ran is forgotten, what is active stays."""
        self.delay.pending_ms = None
        self.guard_held = None
        self.condition.reset(at_ms)

    def restore(self, state: State) -> None:
        """Restore a saved state; of another sort of condition only whether it was active."""
        if state["kind"] != self.kind:
            delay = state["delay"]
            active = isinstance(delay, dict) and delay["active"]
            state = {"since_ms": state["since_ms"], "delay": {"active": active}}
        super().restore(state)
