"""Evaluates the rules that a reading or the time may change, and moves their alarms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field

from dewline.watch.alarms.alarm import Alarm, by_rank
from dewline.watch.alarms.engine import AlarmEngine
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import SignalState, update_bands
from dewline.watch.signals.window import NEVER_MS


@dataclass(frozen=True, slots=True)
class Dependents:
    """What depends on one signal.

    ``alarms``: those on the signal itself. ``windowed``: of these, the ones computed from its
    windows. ``guarded``: those whose ``only_while`` is about it. ``modes``: the boxes whose
    modes depend on it. ``limited``: the signals for which it holds a limit.
    """

    alarms: list[Alarm] = field(default_factory=list)
    windowed: list[Alarm] = field(default_factory=list)
    guarded: list[Alarm] = field(default_factory=list)
    modes: list[BoxModes] = field(default_factory=list)
    limited: list[SignalState] = field(default_factory=list)


class RuleRunner:
    """Runs the rules of a site, parents first, and keeps the bands of their signals."""

    def __init__(
        self,
        alarms: Iterable[Alarm],
        dependents: Mapping[SignalState, Dependents],
        engine: AlarmEngine,
    ) -> None:
        self._dependents = dependents
        self._engine = engine
        self._timed = [alarm for alarm in alarms if alarm.evaluator.condition.timed]

    def run(
        self,
        at_ms: int,
        updated: Sequence[SignalState],
        inside_band: Set[SignalState] = frozenset(),
    ) -> int:
        """Evaluate the rules that depend on the ``updated`` signals, and compute their bands.

        For a signal in ``inside_band`` only those rules are evaluated that are computed from
        its windows or whose delay runs. Gives the earliest time at which time alone may change
        one of the evaluated rules.
        """
        own = dict.fromkeys(a for s in updated for a in self._concerned(s, s in inside_band))
        guarded = dict.fromkeys(
            a
            for s in updated
            if s.delay_running or s not in inside_band
            for a in self._dependents[s].guarded
        )
        moved: set[SignalState] = set()
        due_ms = NEVER_MS
        for alarm in sorted({**own, **guarded}, key=by_rank):
            if self._evaluate(alarm, at_ms, own=alarm in own):
                moved.add(alarm.signal)
            if alarm.evaluator.condition.timed:
                due_ms = min(due_ms, alarm.evaluator.due_ms() or NEVER_MS)
        for signal in updated:
            dependents = self._dependents[signal]
            if signal not in inside_band:
                moved.update((signal, *dependents.limited), (a.signal for a in dependents.guarded))
            elif dependents.windowed and (
                signal.verdict is not None  # doubted since its band was computed
                or any(a.evaluator.condition.band_moves for a in dependents.windowed)
            ):
                moved.add(signal)
            else:
                signal.update_close()
        update_bands(moved, at_ms)
        return due_ms

    def _concerned(self, signal: SignalState, inside_band: bool) -> list[Alarm]:
        dependents = self._dependents[signal]
        if not inside_band:
            return dependents.alarms
        running = [a for a in dependents.alarms if a.evaluator.delay.runs()]
        return dependents.windowed + running

    def _evaluate(self, alarm: Alarm, at_ms: int, *, own: bool) -> bool:
        """Evaluate one rule, for its own signal or for that of its guard.

        True if its alarm was moved, or its delay begun or broken.
        """
        evaluator, pending_ms = alarm.evaluator, alarm.evaluator.delay.pending_ms
        if evaluator.evaluate(at_ms) if own else evaluator.evaluate_guard(at_ms):
            self._engine.condition_changed(alarm)
            return True
        return evaluator.delay.pending_ms != pending_ms

    def tick(self, at_ms: int) -> None:
        """Evaluate the rules that time alone may change by ``at_ms``."""
        for alarm in self._timed:
            due_ms = alarm.evaluator.due_ms()
            if due_ms is not None and due_ms <= at_ms:
                if alarm.evaluator.evaluate(at_ms):
                    self._engine.condition_changed(alarm)
                alarm.signal.update_band(at_ms)

    def due_ms(self) -> int:
        """When ``tick`` has something to do next."""
        return min((a.evaluator.due_ms() or NEVER_MS for a in self._timed), default=NEVER_MS)
