"""The watch: one pure object that takes items in and says what follows from them.

It knows no clock, socket, file or task. Its only time is ``at_ms`` of its items, which never
goes back. The order for each item: modes, derived signals, rules (parents first), alarm states
and overlays. ``save`` holds everything: a watch restored from it gives the same events for the
same items.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple, assert_never

from dewline.events import NOTHING, EventDocument, Outcome, Reply
from dewline.readings import BEYOND_RANGE, Command, Item, Reading, Resumed, Scan, Tick, Verdict
from dewline.typed_json import Json
from dewline.watch.alarms.operator_commands import OperatorCommands
from dewline.watch.derived.outlook_table import BoxOutlook
from dewline.watch.intake import Intake
from dewline.watch.ledgers.rows import LedgerTable
from dewline.watch.saved import SAVED_VERSION, Kept, State, current, last_events
from dewline.watch.signals.signal_state import update_bands
from dewline.watch.sweep import Sweep
from dewline.watch.wiring import Wiring
from dewline.watch_plan import CLOCK_SET, DAEMON, Mode, WatchPlan


class LastRead(NamedTuple):
    """The last number of a signal, its wall time and its age; None where nothing ever was read.

    Of a signal beyond its range, the last one within it.
    ``overdue``: nothing that can be believed was read for longer than the signal may be silent.
    """

    value: float | None
    time_ms: int | None
    age_ms: int | None
    overdue: bool


class Watch(Kept):
    """Watches the signals of one site by one plan.

    ``at_ms``: watch time of the last item. ``_orphans``: the last events of alarms whose rule
    is gone; the next ``Resumed`` clears these alarms.
    """

    at_ms: int = 0
    _started: bool = False
    _orphans: dict[str, EventDocument]

    def __init__(self, plan: WatchPlan) -> None:
        self.plan = plan
        self._orphans = {}
        self._parts = Wiring(plan)
        self._sweep = Sweep(self._parts)
        self._intake = Intake(self._parts, self._sweep)
        self._operator = OperatorCommands(
            self._parts.alarms,
            self._parts.engine,
            self._parts.modes,
            self._parts.note,
        )

    @property
    def event_seq(self) -> int:
        """``seq`` of the last event."""
        return self._parts.writer.seq

    def alarm_table(self) -> list[EventDocument]:
        """The last event document of every alarm that is not normal."""
        return [a.last_event for a in self._parts.alarms.values() if a.last_event is not None]

    def modes(self) -> dict[str, list[Mode]]:
        """The modes of every box, in the order in which they began.

        Of those in ``modes_unread`` it is only known that they held when last read.
        """
        return {
            name: sorted(box.since, key=box.since.__getitem__)
            for name, box in self._parts.modes.items()
        }

    def planned(self) -> dict[str, dict[str, int]]:
        """The planned work of every box, and when each kind of it ends; wall time."""
        label = self._parts.writer.label
        return {
            name: {kind: label(until_ms) for kind, until_ms in box.planned.items()}
            for name, box in self._parts.modes.items()
        }

    def modes_unread(self) -> dict[str, set[Mode]]:
        """The modes of every box that come from signals of which none is read now."""
        return {name: box.unread(self.at_ms) for name, box in self._parts.modes.items()}

    def last_read(self, signal: str) -> LastRead:
        """What was last read of a signal; wall time."""
        state = self._parts.signals[signal]
        overdue = state.overdue(self.at_ms)
        value, read_ms = state.value, state.read_ms
        if state.quality in BEYOND_RANGE:
            value, read_ms = state.last_good or (None, None)
        if read_ms is None:
            return LastRead(None, None, None, overdue)
        time_ms, age_ms = self._parts.local_time.label(read_ms), self.at_ms - read_ms
        return LastRead(value, time_ms, age_ms, overdue)

    def verdicts(self) -> tuple[Verdict, ...]:
        """What the watch says of the readings of each signal now, beyond what the bus said."""
        return self._parts.verdicts.standing

    def alarm_rate(self) -> int:
        """New alarms of the last ten minutes."""
        return self._parts.rate.count(self.at_ms)

    def ledger_table(self) -> LedgerTable:
        """Ledger rows: ``open`` ones so far, the last closed as ``recent``; in wall times."""
        derive = self._parts.derive
        return derive.rows.table(derive.open_rows())

    def outlook_table(self) -> dict[str, BoxOutlook]:
        """Of every box: whether it is still learning, its idle baselines, its bed."""
        return self._parts.derive.outlook_table(self.at_ms)

    # ---------------------------------------------------------------- items

    def feed(self, item: Item) -> Outcome:
        """Take in one item, and give what follows from it.

        Never raises, whatever the item says. An item older than the last one counts as if it
        came at the time of the last one.
        """
        at_ms = item.at_ms if item.at_ms > self.at_ms else self.at_ms
        parts = self._parts
        self.at_ms = parts.writer.at_ms = at_ms
        parts.explain.start_item()
        if not self._started:
            self._started = True
            parts.reset_signals(at_ms)
        if isinstance(item, Tick):
            return self._outcome(at_ms, self._sweep.tick(at_ms))
        parts.local_time.offset_ms = item.time_ms - at_ms
        if isinstance(item, Scan):
            if item.source == DAEMON:
                parts.writer.note_clock(item.readings.get(CLOCK_SET))
            return self._outcome(at_ms, self._intake.scan(at_ms, item))
        if isinstance(item, Command):
            return self._command(at_ms, item)
        if isinstance(item, Resumed):
            return self._resume(at_ms, item)
        assert_never(item)

    def _command(self, at_ms: int, command: Command) -> Outcome:
        if command.at_ms != at_ms:
            command = replace(command, at_ms=at_ms)
        reply = self._operator.carry_out(command)
        self._start_over(at_ms)
        return self._outcome(at_ms, {}, reply)

    def _resume(self, at_ms: int, resumed: Resumed) -> Outcome:
        for last in self._orphans.values():
            self._parts.writer.retire(last, "rule removed")
        self._orphans.clear()
        readings: dict[str, Reading] = {}
        if resumed.reason != "reload":
            if resumed.reason == "restart":
                self._parts.derive.resume(at_ms, resumed.gap_ms)
                self._parts.explain.resume(at_ms)
            self._parts.reset_signals(at_ms)
            for alarm in self._parts.alarms.values():
                alarm.evaluator.reset(at_ms)
            readings = self._sweep.sweep(at_ms)
        self._start_over(at_ms)
        return self._outcome(at_ms, readings)

    def _start_over(self, at_ms: int) -> None:
        """Something beside the readings has changed: compute all bands, and sweep at once."""
        update_bands(self._parts.signals.values(), at_ms)
        self._sweep.not_later_than(0)

    def _outcome(
        self, at_ms: int, readings: dict[str, Reading] | None, reply: Reply | None = None
    ) -> Outcome:
        """Release what may be released, count new alarms, and give all that the item caused.

        ``readings``: the derived ones; None where the item changed nothing.
        """
        verdicts = self._parts.verdicts.changes(at_ms)
        if readings is None:
            if not self._parts.engine.held:
                return Outcome(verdicts=verdicts) if verdicts else NOTHING
            readings = {}
        self._parts.engine.release_what_may()
        self._sweep.publish_rate(at_ms, readings)
        events, rows = self._parts.writer.pop_events(), self._parts.derive.rows.fetch_closed()
        if not events and not readings and not rows and reply is None and not verdicts:
            return NOTHING
        if events:
            self._sweep.not_later_than(0)  # a raise or a shelf has timers of its own
        return Outcome(events, readings, rows, reply, verdicts)

    # ---------------------------------------------------------------- state

    def save(self) -> dict[str, Json]:
        """Everything, ready for JSON."""
        return {"version": SAVED_VERSION, **super().save(), **self._parts.save()}

    def restore(self, state: State) -> None:
        """Take over a saved state, also one of another plan: what is in both goes on.

        DewlineError for a state of a version that this program does not know.
        """
        state = current(state)
        super().restore(state)
        self._parts.reset_signals(self.at_ms)
        self._parts.restore(state)
        last = {**self._orphans, **last_events(state)}
        self._orphans = {n: event for n, event in last.items() if n not in self._parts.alarms}
        self._start_over(self.at_ms)
