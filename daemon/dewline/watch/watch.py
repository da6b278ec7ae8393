"""The watch: one pure object that takes items in and says what follows from them.

It knows no clock, socket, file or task. Its only time is ``at_ms`` of its
items, which never goes back. The order for each item: modes, derived signals,
rules (parents first), alarm states and overlays. ``save`` holds everything:
a watch restored from it gives the same events for the same items.
"""

from __future__ import annotations

from collections.abc import Iterable, Set
from dataclasses import replace
from typing import Any, assert_never

from dewline.errors import DewlineError
from dewline.events import NOTHING, EventDocument, Outcome, Reply
from dewline.readings import Command, Item, Quality, Reading, Resumed, Scan, Tick
from dewline.watch.alarms.alarm import Alarm, AlarmEngine
from dewline.watch.alarms.event_writer import EventWriter
from dewline.watch.alarms.operator_commands import OperatorCommands
from dewline.watch.alarms.suppression import Suppression
from dewline.watch.alarms.timers import Timers
from dewline.watch.causes.explain import Explain
from dewline.watch.derived.derive import DerivedReadings
from dewline.watch.signals.signal_state import FIRST_UNCERTAIN, SignalState, Window
from dewline.watch.signals.slope import NEVER_MS
from dewline.watch.wiring import Wiring
from dewline.watch_plan import CLOCK_SET, DAEMON, Mode, WatchPlan

OutsideBand = tuple[SignalState, float | None, Quality]
SAVED_VERSION = 1


class Watch:
    """Judges the signals of one site by one plan."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self.at_ms = 0
        self._started = False
        self._wiring = Wiring(plan)
        self._signals = self._wiring.signals
        # What is derived here is never fed: a recorded one would be the verdict of another plan.
        self._fed = {n: s for n, s in self._signals.items() if s not in self._wiring.derived}
        self._alarms = self._wiring.alarms
        self._modes = self._wiring.modes
        self._gates = self._wiring.gates
        self._derive = self._wiring.derive
        self._sensors = self._wiring.sensors
        self._timed = [a for a in self._alarms.values() if a.evaluator.condition.timed]
        self._writer = EventWriter(plan)
        self._engine = AlarmEngine(self._writer, Suppression(self._alarms, self._modes))
        self._engine.rate_signal = self._wiring.rate_signal
        self._timers = Timers(plan, self._engine)
        self._explain = Explain(plan, self._signals, self._modes, self._derive)
        self._writer.explain = self._explain.explain
        self._operator = OperatorCommands(
            plan, self._alarms, self._engine, self._modes, self._explain.note
        )
        self._orphans: dict[str, EventDocument] = {}  # alarms whose rule is gone, as last told
        self._rate_told = 0
        self._due_ms = 0  # no tick before this one can change anything

    @property
    def event_seq(self) -> int:
        """``seq`` of the last event."""
        return self._writer.seq

    def alarm_table(self) -> list[EventDocument]:
        """The last event document of every alarm that is not normal."""
        return [a.told for a in self._alarms.values() if a.state != "normal" and a.told]

    def modes(self) -> dict[str, list[Mode]]:
        """The modes of every box, in the order in which they began."""
        return {
            name: sorted(box.since, key=box.since.__getitem__) for name, box in self._modes.items()
        }

    def alarm_rate(self) -> int:
        """New alarms of the last ten minutes."""
        return self._engine.rate.count(self.at_ms)

    def ledger_table(self) -> dict[str, list[dict[str, Any]]]:
        """Ledger rows: ``open`` ones so far, and the last closed ones as ``recent``."""
        return self._derive.ledger_table()

    def outlook_table(self) -> dict[str, dict[str, Any]]:
        """Of every box: whether it is still learning, its idle baselines, its bed."""
        return self._derive.outlook_table(self.at_ms)

    # ---------------------------------------------------------------- items

    def feed(self, item: Item) -> Outcome:
        """Take one item in. Never raises, whatever the item says."""
        at_ms = item.at_ms if item.at_ms > self.at_ms else self.at_ms
        self.at_ms = self._writer.at_ms = at_ms
        self._explain.turn()
        if not self._started:
            self._start(at_ms)
        if isinstance(item, Tick):
            return self._tick(at_ms)
        self._writer.offset_ms = self._derive.clock.offset_ms = item.time_ms - at_ms
        if isinstance(item, Scan):
            return self._scan(at_ms, item)
        if isinstance(item, Command):
            return self._command(at_ms, item)
        if isinstance(item, Resumed):
            return self._resume(at_ms, item)
        assert_never(item)

    def _start(self, at_ms: int) -> None:
        self._started = True
        for signal in self._signals.values():
            signal.reset(at_ms)

    def _scan(self, at_ms: int, scan: Scan) -> Outcome:
        if scan.source == DAEMON:
            self._writer.note_clock(scan.readings.get(CLOCK_SET))
        readings = self._sensors.screen(scan.readings)
        for switch in self._gates:
            if switch in readings:
                self._switch_analyzers(at_ms, switch, readings[switch])
        signal_of = self._fed.get
        outside_band: list[OutsideBand] = []
        inside_band: set[SignalState] = set()
        for name, (value, quality) in readings.items():
            signal = signal_of(name)
            if signal is None:
                continue
            if quality < FIRST_UNCERTAIN and value is not None and signal.lo <= value <= signal.hi:
                if at_ms >= signal.closes_at:
                    inside_band.add(signal)
                    outside_band.append((signal, value, quality))
                    continue
                # Quiet: nothing listens to a change as small as this (see slots).
                if value != signal.value:
                    signal.value = value
                    signal.same_since_ms = at_ms
                elif at_ms - signal.alive_ms >= signal.stale_ms:
                    signal.same_since_ms = at_ms
                signal.alive_ms = at_ms
                signal.quality = quality
                for window in signal.windows:
                    window.values.append(value)
            else:
                outside_band.append((signal, value, quality))
        if outside_band:
            return self._take_outside_band(at_ms, outside_band, inside_band)
        return self._outcome(at_ms, {}) if self._engine.held else NOTHING

    def _switch_analyzers(self, at_ms: int, switch: str, reading: Reading) -> None:
        """``analyzer_on`` speaks before the analyzers it switches, also within one scan."""
        gate = self._gates[switch]
        if reading.value is None or reading.quality >= FIRST_UNCERTAIN:
            return
        was_off = gate.off
        gate.hear(at_ms, reading.value)
        if gate.off != was_off:
            self._update_bands(at_ms, self._wiring.gated(switch))

    def _take_outside_band(
        self, at_ms: int, outside_band: list[OutsideBand], inside_band: set[SignalState]
    ) -> Outcome:
        """``inside_band``: those inside their band, where a window closes or a delay runs."""
        closed: dict[Window, SignalState] = {}
        for signal, value, quality in outside_band:
            if signal.delay_running and signal.verdict is not None:
                inside_band.discard(signal)  # judged anew while a delay ran: all rules hear that
            closed.update(dict.fromkeys(signal.take(at_ms, value, quality), signal))
        updated = [signal for signal, _, _ in outside_band]
        boxes = dict.fromkeys(box for signal in updated for box in signal.modes)
        for box in boxes:
            box.hear(at_ms)
            self._due_ms = min(self._due_ms, box.due_ms())
        readings: dict[str, Reading] = {}
        updated += self._lay_in(at_ms, self._derive.scan(at_ms, closed, updated), readings)
        # A limit that moved in this very scan: what leans on it was quiet by the old one.
        dependents = [
            signal for limit in updated if limit not in inside_band for signal in limit.dependents
        ]
        updated += [signal for signal in dependents if signal.alive_ms == at_ms]
        self._judge(at_ms, updated, inside_band.difference(dependents))
        return self._outcome(at_ms, readings)

    def _lay_in(
        self, at_ms: int, told: DerivedReadings, readings: dict[str, Reading]
    ) -> list[SignalState]:
        """Put derived readings beside the measured ones; gives the slots written."""
        for into, reading in told:
            readings[into.name] = reading
            into.take(at_ms, reading.value, reading.quality)
        return [into for into, _ in told]

    def _judge(
        self, at_ms: int, updated: list[SignalState], inside_band: Set[SignalState] = frozenset()
    ) -> None:
        """Rules of the signals heard, parents first; then their quiet bands anew.

        To those that are ``inside_band`` only the rules listen that look at their windows or whose
        delay runs.
        """
        own = dict.fromkeys(
            a
            for s in updated
            for a in (s.windowed + s.delay_running if s in inside_band else s.alarms)
        )
        guarded = dict.fromkeys(
            a for s in updated if s.delay_running or s not in inside_band for a in s.guarded
        )
        moved: set[SignalState] = set()
        for alarm in sorted({**own, **guarded}, key=_rank):
            evaluator, pending_ms = alarm.evaluator, alarm.evaluator.delay.pending_ms
            if evaluator.hear(at_ms) if alarm in own else evaluator.evaluate_guard(at_ms):
                self._engine.flip(alarm)
                moved.add(alarm.signal)
            elif evaluator.delay.pending_ms != pending_ms:
                moved.add(alarm.signal)
            if evaluator.condition.timed:
                self._due_ms = min(self._due_ms, evaluator.due_ms() or NEVER_MS)
        for signal in updated:
            if signal not in inside_band:
                moved.update(
                    (signal, *signal.dependents), (alarm.signal for alarm in signal.guarded)
                )
            elif signal.windowed and signal.verdict is not None:  # doubted since it was tuned
                moved.add(signal)
            else:
                signal.reopen()
        self._update_bands(at_ms, moved)

    def _update_bands(self, at_ms: int, signals: Iterable[SignalState]) -> None:
        for signal in signals:
            signal.update_band(at_ms)

    def _tick(self, at_ms: int) -> Outcome:
        readings: dict[str, Reading] = {}
        if at_ms >= self._explain.due_ms:
            self._explain.sample(at_ms)
            self._update_bands(at_ms, self._sensors.sample(at_ms, self._modes))
        if at_ms >= self._due_ms:
            self._sweep(at_ms, readings)
        elif not self._engine.held:
            return NOTHING
        return self._outcome(at_ms, readings)

    def _sweep(self, at_ms: int, readings: dict[str, Reading]) -> None:
        """Everything that time alone may move; then when to look again."""
        updated = self._lay_in(at_ms, self._derive.tick(at_ms), readings)
        if at_ms >= self._explain.again_ms:
            doubts = self._sensors.minute(at_ms, self._derive, self._modes)
            updated += self._lay_in(at_ms, [*doubts, *self._explain.take_doubts()], readings)
            self._explain.doubts = self._sensors.words()
        if updated:
            self._judge(at_ms, updated)
        for box in self._modes.values():
            if box.due_ms() <= at_ms:
                box.tick(at_ms)
                self._update_bands(at_ms, box.listened())
        for alarm in self._timed:
            due_ms = alarm.evaluator.due_ms()
            if due_ms is not None and due_ms <= at_ms:
                if alarm.evaluator.hear(at_ms):
                    self._engine.flip(alarm)
                alarm.signal.update_band(at_ms)
        for alarm in self._alarms.values():
            if alarm.state != "normal":
                self._timers.tick(alarm, at_ms)
        if at_ms >= self._explain.again_ms:
            self._explain.rejudge(at_ms, self._alarms, self._engine)
        self._due_ms = self._next_due_ms()

    def _next_due_ms(self) -> int:
        due = [
            self._derive.due_ms,
            self._explain.again_ms,
            *(box.due_ms() for box in self._modes.values()),
        ]
        due += [alarm.evaluator.due_ms() or NEVER_MS for alarm in self._timed]
        for alarm in self._alarms.values():
            if alarm.state != "normal":
                due.extend(self._timers.due_ms(alarm))
        due.append(self._engine.rate.due_ms(self.at_ms))
        return min(due)

    def _command(self, at_ms: int, command: Command) -> Outcome:
        if command.at_ms != at_ms:
            command = replace(command, at_ms=at_ms)
        reply = self._operator.obey(command)
        self._update_bands(at_ms, self._signals.values())
        self._due_ms = 0
        return self._outcome(at_ms, {}, reply)

    def _resume(self, at_ms: int, resumed: Resumed) -> Outcome:
        for told in self._orphans.values():
            self._writer.retire(told, "rule removed")
        self._orphans.clear()
        readings: dict[str, Reading] = {}
        if resumed.reason != "reload":
            if resumed.reason == "restart":
                self._derive.resume(at_ms, resumed.gap_ms)
                self._explain.resume(at_ms)
            for signal in self._signals.values():
                signal.reset(at_ms)
            for alarm in self._alarms.values():
                alarm.evaluator.reset(at_ms)
            self._sweep(at_ms, readings)
        self._update_bands(at_ms, self._signals.values())
        self._due_ms = 0
        return self._outcome(at_ms, readings)

    def _outcome(
        self, at_ms: int, readings: dict[str, Reading], reply: Reply | None = None
    ) -> Outcome:
        """Let go what may go, count new alarms, and hand over what this item brought about."""
        for alarm in sorted(self._engine.held, key=_rank):
            if self._engine.suppression.may_go(alarm, at_ms) and alarm.hold is not None:
                self._engine.let_go(alarm, alarm.hold.over)
        self._tell_rate(at_ms, readings)
        events, rows = self._writer.events, self._derive.take_rows()
        if not events and not readings and not rows and reply is None:
            return NOTHING
        if events:
            self._writer.events = []
            self._due_ms = 0  # a raise or a shelf has timers of its own
        return Outcome(tuple(events), readings, rows, reply)

    def _tell_rate(self, at_ms: int, readings: dict[str, Reading]) -> None:
        """New alarms of the last ten minutes, as a signal with rules like any other."""
        signal = self._wiring.rate_signal
        if signal is None:
            return
        count = self._engine.rate.count(at_ms)
        if count == self._rate_told and signal.value is not None:
            return
        self._rate_told = count
        reading = Reading(float(count), Quality.GOOD)
        readings[signal.name] = reading
        signal.take(at_ms, reading.value, reading.quality)
        self._judge(at_ms, [signal])

    # ---------------------------------------------------------------- state

    def save(self) -> dict[str, Any]:
        """Everything, ready for JSON."""
        return {
            "version": SAVED_VERSION,
            "at_ms": self.at_ms,
            "started": self._started,
            "scribe": self._writer.save(),
            "slots": {name: signal.save() for name, signal in self._signals.items()},
            "gates": {name: gate.save() for name, gate in self._gates.items()},
            "modes": {name: box.save() for name, box in self._modes.items()},
            "alarms": {name: alarm.save() for name, alarm in self._alarms.items()},
            "orphans": self._orphans,
            "rate": self._engine.rate.save(),
            "rate_told": self._rate_told,
            "derive": self._derive.save(),
            "explain": self._explain.save(),
            "sensors": self._sensors.save(),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Take up a saved state, also one of another plan: what both know goes on.

        DewlineError for a state that another version has saved.
        """
        if state.get("version") != SAVED_VERSION:
            raise DewlineError(f"a watch state of version {state.get('version')!r} cannot be read")
        self.at_ms = state["at_ms"]
        self._started = state["started"]
        self._writer.restore(state["scribe"])
        for signal in self._signals.values():
            signal.reset(self.at_ms)
        for parts, kind in (
            (self._signals, "slots"),
            (self._gates, "gates"),
            (self._modes, "modes"),
        ):
            for name, part in parts.items():
                if name in state[kind]:
                    part.restore(state[kind][name])
        self._restore_alarms(state)
        self._engine.rate.restore(state["rate"])
        self._rate_told = state["rate_told"]
        if "derive" in state:
            self._derive.restore(state["derive"])
        if "explain" in state:
            self._explain.restore(state["explain"])
        if "sensors" in state:
            self._sensors.restore(state["sensors"])
            self._explain.doubts = self._sensors.words()
        self._derive.clock.offset_ms = self._writer.offset_ms
        self._update_bands(self.at_ms, self._signals.values())
        self._due_ms = 0

    def _restore_alarms(self, state: dict[str, Any]) -> None:
        for name, alarm in self._alarms.items():
            if name in state["alarms"]:
                alarm.restore(state["alarms"][name])
        self._engine.held = {a for a in self._alarms.values() if a.hold is not None}
        gone = {n: a["told"] for n, a in state["alarms"].items() if a["state"] != "normal"}
        known = {**state["orphans"], **gone}
        self._orphans = {n: told for n, told in known.items() if n not in self._alarms and told}


def _rank(alarm: Alarm) -> int:
    return alarm.rank
