"""Builds the working parts of a watch from its plan and connects them once.

After this a reading is looked up by the name of its signal, and nothing else by any name.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from dewline.duty import Duty
from dewline.readings import Reading
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.engine import AlarmEngine
from dewline.watch.alarms.event_writer import EventWriter
from dewline.watch.alarms.rates import AlarmRate
from dewline.watch.alarms.rule_runner import Dependents, RuleRunner
from dewline.watch.alarms.suppression import Suppression, ranks
from dewline.watch.alarms.timers import Timers
from dewline.watch.alarms.troubles import Troubles
from dewline.watch.causes.explain import Explain
from dewline.watch.conditions.compile import ZERO_PPM, compile_condition
from dewline.watch.conditions.evaluator import RuleEvaluator, RuleGuard
from dewline.watch.derived.derive import SLOPE_OVER_MS, Derive, DerivedReadings, slope_name
from dewline.watch.saved import Kept, State
from dewline.watch.sensors.plausibility import Sensors
from dewline.watch.sensors.verdicts import Unmoved, Verdicts
from dewline.watch.signals.formula_signals import FormulaSignals
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import STALE_MS, STALE_POLLS, AnalyzerGate, SignalState
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import DAEMON, RulePlan, StaleAfter, UnchangedFor, WatchPlan

GATED_ROLES = ("oxygen", "moisture")
RATE_ROLES = ("alarm-rate", "alarm_rate")
# Numbers of a working instrument that always move; others may well stand still.
MOVING_ROLES = (".oxygen", ".moisture", ".frost_point", ".pressure")


class Wiring(Kept):
    """The parts of a watch, connected.

    ``alarms``: parents first. ``derived``: the signals that the watch writes itself.
    ``rate_signal``: where the number of new alarms is written, if the plan has such a signal.
    ``dependents``: what depends on each signal.
    """

    writer: EventWriter
    signals: dict[str, SignalState]
    gates: dict[str, AnalyzerGate]
    modes: dict[str, BoxModes]
    alarms: dict[str, Alarm]
    rate: AlarmRate
    derive: Derive
    explain: Explain
    sensors: Sensors
    timers: Timers
    verdicts: Verdicts

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self.signals = {}
        self._stale_ms = {
            rule.signal: rule.condition.after_ms
            for rule in plan.rules.values()
            if isinstance(rule.condition, StaleAfter)
        }
        switches = (f"{box}.analyzer_on" for box in plan.boxes)
        self.gates = {name: AnalyzerGate() for name in switches if name in plan.signals}
        for name in plan.signals:
            self.signal(name)
        slopes = self._wire_slopes()
        self.alarms = self._wire_alarms()
        self.modes = {box: BoxModes(box, plan, self.signals) for box in plan.boxes}
        self.derive = Derive(plan, slopes, self.signals, self.modes, self.signal)
        self.sensors = Sensors(plan, self.signals, self.signal, self.modes, self.derive.rows)
        self.rate_signal = self._find_rate_signal()
        self.formulas = FormulaSignals(plan, self.signals)
        self.derived = {*slopes.values(), *self.derive.written(), *self.sensors.written()}
        self.derived.update(self.formulas.written())
        if self.rate_signal is not None:
            self.derived.add(self.rate_signal)
        self.dependents = self._connect()
        self.rate = AlarmRate()
        self.explain = Explain(plan, self.signals, self.modes, self.derive, self.sensors)
        self.local_time = self.derive.clock
        gated = {gate: self.gated(switch) for switch, gate in self.gates.items()}
        self.verdicts = Verdicts(self.sensors, gated, self._unmoved(), self.local_time.label)
        self.writer = EventWriter(plan, self.local_time, self.explain.explain)
        duty = Duty(plan, self.local_time)
        suppression = Suppression(self.alarms, self.modes, duty)
        troubles = Troubles(plan, self.alarms, self.explain.trend)
        self.engine = AlarmEngine(self.writer, suppression, self.rate, self.rate_signal, troubles)
        self.rules = RuleRunner(self.alarms.values(), self.dependents, self.engine)
        self.timers = Timers(plan, self.alarms, self.engine, self.local_time, duty)

    def signal(self, name: str) -> SignalState:
        """The state of a signal, made when it is first asked for."""
        if name not in self.signals:
            plan = self.plan.signals.get(name)
            every_ms = plan.every_ms if plan is not None else 0
            stale_ms = self._stale_ms.get(name, max(STALE_MS, STALE_POLLS * every_ms))
            unit = plan.unit if plan is not None else None
            self.signals[name] = SignalState(name, unit, stale_ms, self._gate(name))
        return self.signals[name]

    def _gate(self, name: str) -> AnalyzerGate | None:
        box, _, role = name.partition(".")
        return self.gates.get(f"{box}.analyzer_on") if role in GATED_ROLES else None

    def gated(self, switch: str) -> list[SignalState]:
        """The signals that an ``analyzer_on`` switches."""
        gate = self.gates[switch]
        return [signal for signal in self.signals.values() if signal.gate is gate]

    def _unmoved(self) -> Iterator[Unmoved]:
        """What a rule on ``unchanged_for`` finds standing still is frozen for every reader."""
        for alarm in self.alarms.values():
            rule = alarm.plan
            moves = rule.place in self.plan.boxes and rule.signal.endswith(MOVING_ROLES)
            if moves and isinstance(rule.condition, UnchangedFor):
                yield Unmoved(alarm.signal, alarm.evaluator.condition.truth)

    def _zero_ppm(self, signal: str) -> float:
        """How far the zero of a signal's sensor may be off, in ppm."""
        box, _, role = signal.partition(".")
        plan = self.plan.boxes.get(box)
        known = [a.zero_uncertainty_ppm for a in plan.analyzers if a.role == role] if plan else []
        return known[0] if known else ZERO_PPM

    def _window(self, signal: SignalState, over_ms: int) -> MedianWindow:
        """The slope window of a signal over that time; rules of the same time share it."""
        for window in signal.windows:
            if isinstance(window, MedianWindow) and window.over_ms == over_ms:
                return window
        window = MedianWindow(over_ms)
        signal.add_window(window)
        return window

    def _wire_slopes(self) -> dict[MedianWindow, SignalState]:
        """The windows whose slopes are signals, and these signals."""
        slopes = {}
        for name, plan in self.plan.signals.items():
            into = slope_name(plan, self.plan)
            if into is not None:
                target = self.signal(into)
                target.unit = target.unit or "ppm/h"
                slopes[self._window(self.signal(name), SLOPE_OVER_MS)] = target
        return slopes

    def _wire_alarms(self) -> dict[str, Alarm]:
        depth = ranks(self.plan.rules)
        names = sorted(self.plan.rules, key=lambda name: depth[name])
        return {name: self._wire_alarm(self.plan.rules[name], n) for n, name in enumerate(names)}

    def _wire_alarm(self, rule: RulePlan, rank: int) -> Alarm:
        condition = compile_condition(rule, self.signal, self._window, self._zero_ppm)
        guards = tuple(RuleGuard(guard, self.signal(guard.signal)) for guard in rule.guards)
        return Alarm(rule, RuleEvaluator(rule, condition, guards), rank)

    def _connect(self) -> dict[SignalState, Dependents]:
        """Give every signal the bands and delays of what depends on it; gives the dependents."""
        found = {signal: Dependents() for signal in self.signals.values()}
        for alarm in self.alarms.values():
            evaluator = alarm.evaluator
            found[alarm.signal].alarms.append(alarm)
            if evaluator.condition.windowed:
                found[alarm.signal].windowed.append(alarm)
            alarm.signal.add_rule(evaluator.band, evaluator.delay.runs)
            for limit in evaluator.condition.limit_signals():
                found[limit].limited.append(alarm.signal)
                limit.add_band(limit.exact_band)
            for guard in evaluator.guards:
                found[guard.signal].guarded.append(alarm)
                guard.signal.add_band(guard.band)
        for box in self.modes.values():
            for signal in box.inputs():
                found[signal].modes.append(box)
                signal.add_band(partial(box.band, signal))
        return found

    def note(self, box: str, kind: str, at_ms: int) -> None:
        """A note of a person, for causes and for the box's own bests."""
        self.explain.note(box, kind, at_ms)
        self.derive.note(box, kind)
        for alarm in self.alarms.values():
            if alarm.plan.place == box:
                alarm.evaluator.condition.note(kind)

    def reset_signals(self, at_ms: int) -> None:
        """Forget all readings: nothing was watched before ``at_ms``."""
        for signal in self.signals.values():
            signal.reset(at_ms)

    def restore(self, state: State) -> None:
        """Restore all parts, and what follows from several of them."""
        super().restore(state)
        self.timers.note_contacts(self.writer.at_ms)
        self.engine.held = {a for a in self.alarms.values() if a.hold is not None}

    def _find_rate_signal(self) -> SignalState | None:
        for name, plan in self.plan.signals.items():
            if plan.place == DAEMON and plan.role in RATE_ROLES:
                return self.signals[name]
        return None


def write_derived(
    at_ms: int, derived: DerivedReadings, readings: dict[str, Reading]
) -> list[SignalState]:
    """Put derived readings beside the measured ``readings``; gives the signals written."""
    for into, reading in derived:
        readings[into.name] = reading
        into.update(at_ms, reading.value, reading.quality)
    return [into for into, _ in derived]
