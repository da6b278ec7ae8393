"""Evaluates the rules that a reading or the time may change, and moves their alarms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass

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

    alarms: tuple[Alarm, ...] = ()
    windowed: tuple[Alarm, ...] = ()
    guarded: tuple[Alarm, ...] = ()
    modes: tuple[BoxModes, ...] = ()
    limited: tuple[SignalState, ...] = ()


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
        own = dict.fromkeys(
            a
            for s in updated
            for a in (self._awake(s) if s in inside_band else self._dependents[s].alarms)
        )
        guarded = dict.fromkeys(
            a
            for s in updated
            if s.delay_running or s not in inside_band
            for a in self._dependents[s].guarded
        )
        moved: set[SignalState] = set()
        due_ms = NEVER_MS
        for alarm in sorted({**own, **guarded}, key=by_rank):
            evaluator, pending_ms = alarm.evaluator, alarm.evaluator.delay.pending_ms
            if evaluator.evaluate(at_ms) if alarm in own else evaluator.evaluate_guard(at_ms):
                self._engine.condition_changed(alarm)
                moved.add(alarm.signal)
            elif evaluator.delay.pending_ms != pending_ms:
                moved.add(alarm.signal)
            if evaluator.condition.timed:
                due_ms = min(due_ms, evaluator.due_ms() or NEVER_MS)
        for signal in updated:
            if signal not in inside_band:
                dependents = self._dependents[signal]
                moved.update((signal, *dependents.limited), (a.signal for a in dependents.guarded))
            elif self._dependents[signal].windowed and signal.verdict is not None:
                moved.add(signal)  # doubted since its band was computed
            else:
                signal.update_close()
        update_bands(moved, at_ms)
        return due_ms

    def _awake(self, signal: SignalState) -> list[Alarm]:
        dependents = self._dependents[signal]
        running = [a for a in dependents.alarms if a.evaluator.delay.runs()]
        return [*dependents.windowed, *running]

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
