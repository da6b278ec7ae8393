"""Builds the working parts of a watch from its plan and ties them together once.

After this nothing is looked up by name on the way of a reading but its slot.
"""

from __future__ import annotations

from functools import partial

from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.suppression import ranks
from dewline.watch.conditions.compile import ZERO_PPM, compile_condition
from dewline.watch.conditions.evaluator import RuleEvaluator, RuleGuard
from dewline.watch.derived.derive import SLOPE_OVER_MS, Derive, slope_name
from dewline.watch.sensors.plausibility import Sensors
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import STALE_MS, STALE_POLLS, AnalyzerGate, SignalState
from dewline.watch.signals.slope import MedianWindow
from dewline.watch_plan import DAEMON, RulePlan, StaleAfter, WatchPlan

GATED_ROLES = ("oxygen", "moisture")
RATE_ROLES = ("alarm-rate", "alarm_rate")


class Wiring:
    """The parts: slots, alarms (parents first), modes, gates, derived signals."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self.signals: dict[str, SignalState] = {}
        self.derived: set[SignalState] = set()  # written by the watch itself
        self._stale_ms = {
            rule.signal: rule.condition.after_ms
            for rule in plan.rules.values()
            if isinstance(rule.condition, StaleAfter)
        }
        for name in plan.signals:
            self.signal(name)
        self.derive = Derive(plan)
        self._wire_slopes()
        self.alarms = self._wire_alarms()
        self.modes = self._wire_modes()
        self.derived.update(self.derive.furnish(self.signals, self.modes, self.signal))
        self.sensors = Sensors(plan, self.signals, self.signal)
        self.derived.update(self.sensors.written())
        self.gates = self._wire_gates()
        self.rate_signal = self._find_rate_signal()

    def signal(self, name: str) -> SignalState:
        """The slot of a signal, made at the first asking."""
        if name not in self.signals:
            plan = self.plan.signals.get(name)
            every_ms = plan.every_ms if plan is not None else 0
            stale_ms = self._stale_ms.get(name, max(STALE_MS, STALE_POLLS * every_ms))
            self.signals[name] = SignalState(
                name, plan.unit if plan is not None else None, stale_ms
            )
        return self.signals[name]

    def zero_ppm(self, signal: str) -> float:
        """How far the zero of a signal's sensor may be off, ppm."""
        box, _, role = signal.partition(".")
        plan = self.plan.boxes.get(box)
        known = [a.zero_uncertainty_ppm for a in plan.analyzers if a.role == role] if plan else []
        return known[0] if known else ZERO_PPM

    def window(self, signal: SignalState, over_ms: int) -> MedianWindow:
        """The slope window of a signal over that time; rules of one time share it."""
        for window in signal.windows:
            if isinstance(window, MedianWindow) and window.over_ms == over_ms:
                return window
        window = MedianWindow(over_ms)
        signal.windows = (*signal.windows, window)
        return window

    def _wire_slopes(self) -> None:
        for name, plan in self.plan.signals.items():
            into = slope_name(plan, self.plan)
            if into is not None:
                target = self.signal(into)
                target.unit = target.unit or "ppm/h"
                self.derived.add(target)
                self.derive.slope(self.window(self.signal(name), SLOPE_OVER_MS), target)

    def _wire_alarms(self) -> dict[str, Alarm]:
        depth = ranks(self.plan.rules)
        names = sorted(self.plan.rules, key=lambda name: depth[name])
        alarms = {name: self._wire_alarm(self.plan.rules[name]) for name in names}
        for rank, alarm in enumerate(alarms.values()):
            alarm.rank = rank
        return alarms

    def _wire_alarm(self, rule: RulePlan) -> Alarm:
        condition = compile_condition(rule, self.signal, self.window, self.zero_ppm)
        guard = rule.only_while and RuleGuard(rule.only_while, self.signal(rule.only_while.signal))
        evaluator = RuleEvaluator(rule, condition, guard or None)
        alarm = Alarm(rule, evaluator)
        condition.signal.alarms.append(alarm)
        if condition.windowed:
            condition.signal.windowed.append(alarm)
        condition.signal.bands.append(evaluator.band)
        for limit_signal in condition.limit_signals():
            limit_signal.dependents.append(condition.signal)
            limit_signal.bands.append(limit_signal.exact_band)
        if guard:
            guard.signal.guarded.append(alarm)
            guard.signal.bands.append(guard.band)
        return alarm

    def _wire_modes(self) -> dict[str, BoxModes]:
        modes = {box: BoxModes(box, self.plan, self.signals) for box in self.plan.boxes}
        for box in modes.values():
            for signal in box.listened():
                signal.modes.append(box)
                signal.bands.append(partial(box.band, signal))
        return modes

    def _wire_gates(self) -> dict[str, AnalyzerGate]:
        gates: dict[str, AnalyzerGate] = {}
        for box in self.plan.boxes:
            switch = f"{box}.analyzer_on"
            if switch in self.signals:
                gates[switch] = AnalyzerGate()
                for signal in self.gated(switch):
                    signal.gate = gates[switch]
        return gates

    def gated(self, switch: str) -> list[SignalState]:
        """The signals that an ``analyzer_on`` switches."""
        box = switch.partition(".")[0]
        names = (f"{box}.{role}" for role in GATED_ROLES)
        return [self.signals[name] for name in names if name in self.signals]

    def _find_rate_signal(self) -> SignalState | None:
        for name, plan in self.plan.signals.items():
            if plan.place == DAEMON and plan.role in RATE_ROLES:
                self.derived.add(self.signals[name])
                return self.signals[name]
        return None
