"""Builds the working parts of a watch from its plan and ties them together once.

After this nothing is looked up by name on the way of a reading but its slot.
"""

from __future__ import annotations

from functools import partial

from dewline.watch.alarms import Alarm
from dewline.watch.conditions import ZERO_PPM, compile_condition
from dewline.watch.derive import SLOPE_OVER_MS, Derive, slope_name
from dewline.watch.judge import GuardSlot, Judge
from dewline.watch.modes import BoxModes
from dewline.watch.plan import DAEMON, RulePlan, StaleAfter, WatchPlan
from dewline.watch.sensors import Sensors
from dewline.watch.slope import MedianWindow
from dewline.watch.slots import STALE_MS, STALE_POLLS, AnalyzerGate, Slot
from dewline.watch.suppression import ranks

GATED_ROLES = ("oxygen", "moisture")
RATE_ROLES = ("alarm-rate", "alarm_rate")


class Wiring:
    """The parts: slots, alarms (parents first), modes, gates, derived signals."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self.slots: dict[str, Slot] = {}
        self.derived: set[Slot] = set()  # written by the watch itself
        self._stale_ms = {
            rule.signal: rule.condition.after_ms
            for rule in plan.rules.values()
            if isinstance(rule.condition, StaleAfter)
        }
        for name in plan.signals:
            self.slot(name)
        self.derive = Derive(plan)
        self._wire_slopes()
        self.alarms = self._wire_alarms()
        self.modes = self._wire_modes()
        self.derived.update(self.derive.furnish(self.slots, self.modes, self.slot))
        self.sensors = Sensors(plan, self.slots, self.slot)
        self.derived.update(self.sensors.written())
        self.gates = self._wire_gates()
        self.rate_slot = self._find_rate_slot()

    def slot(self, name: str) -> Slot:
        """The slot of a signal, made at the first asking."""
        if name not in self.slots:
            signal = self.plan.signals.get(name)
            every_ms = signal.every_ms if signal is not None else 0
            stale_ms = self._stale_ms.get(name, max(STALE_MS, STALE_POLLS * every_ms))
            self.slots[name] = Slot(name, signal.unit if signal is not None else None, stale_ms)
        return self.slots[name]

    def zero_ppm(self, signal: str) -> float:
        """How far the zero of a signal's sensor may be off, ppm."""
        box, _, role = signal.partition(".")
        plan = self.plan.boxes.get(box)
        known = [a.zero_uncertainty_ppm for a in plan.analyzers if a.role == role] if plan else []
        return known[0] if known else ZERO_PPM

    def window(self, slot: Slot, over_ms: int) -> MedianWindow:
        """The slope window of a signal over that time; rules of one time share it."""
        for window in slot.windows:
            if isinstance(window, MedianWindow) and window.over_ms == over_ms:
                return window
        window = MedianWindow(over_ms)
        slot.windows = (*slot.windows, window)
        return window

    def _wire_slopes(self) -> None:
        for name, signal in self.plan.signals.items():
            into = slope_name(signal, self.plan)
            if into is not None:
                target = self.slot(into)
                target.unit = target.unit or "ppm/h"
                self.derived.add(target)
                self.derive.slope(self.window(self.slot(name), SLOPE_OVER_MS), target)

    def _wire_alarms(self) -> dict[str, Alarm]:
        depth = ranks(self.plan.rules)
        names = sorted(self.plan.rules, key=lambda name: depth[name])
        alarms = {name: self._wire_alarm(self.plan.rules[name]) for name in names}
        for rank, alarm in enumerate(alarms.values()):
            alarm.rank = rank
        return alarms

    def _wire_alarm(self, rule: RulePlan) -> Alarm:
        condition = compile_condition(rule, self.slot, self.window, self.zero_ppm)
        guard = rule.only_while and GuardSlot(rule.only_while, self.slot(rule.only_while.signal))
        judge = Judge(rule, condition, guard or None)
        alarm = Alarm(rule, judge)
        condition.slot.alarms.append(alarm)
        if condition.windowed:
            condition.slot.windowed.append(alarm)
        condition.slot.bands.append(judge.band)
        for limit_slot in condition.leans_on():
            limit_slot.leaning.append(condition.slot)
            limit_slot.bands.append(limit_slot.exact_band)
        if guard:
            guard.slot.guarded.append(alarm)
            guard.slot.bands.append(guard.band)
        return alarm

    def _wire_modes(self) -> dict[str, BoxModes]:
        modes = {box: BoxModes(box, self.plan, self.slots) for box in self.plan.boxes}
        for box in modes.values():
            for slot in box.listened():
                slot.modes.append(box)
                slot.bands.append(partial(box.band, slot))
        return modes

    def _wire_gates(self) -> dict[str, AnalyzerGate]:
        gates: dict[str, AnalyzerGate] = {}
        for box in self.plan.boxes:
            switch = f"{box}.analyzer_on"
            if switch in self.slots:
                gates[switch] = AnalyzerGate()
                for slot in self.gated(switch):
                    slot.gate = gates[switch]
        return gates

    def gated(self, switch: str) -> list[Slot]:
        """The signals that an ``analyzer_on`` switches."""
        box = switch.partition(".")[0]
        names = (f"{box}.{role}" for role in GATED_ROLES)
        return [self.slots[name] for name in names if name in self.slots]

    def _find_rate_slot(self) -> Slot | None:
        for name, signal in self.plan.signals.items():
            if signal.place == DAEMON and signal.role in RATE_ROLES:
                self.derived.add(self.slots[name])
                return self.slots[name]
        return None
