"""Runs rules, and does what time alone brings about in a watch."""

from __future__ import annotations

from collections.abc import Sequence, Set

from dewline.readings import Quality, Reading
from dewline.watch.signals.signal_state import SignalState, update_bands
from dewline.watch.wiring import Wiring, write_derived


class Sweep:
    """Samples histories, ends what is over and raises what has lasted long enough.

    ``due_ms``: no tick before this one can change anything but the histories.
    """

    def __init__(self, parts: Wiring) -> None:
        self._parts = parts
        self.due_ms = 0

    def not_later_than(self, due_ms: int) -> None:
        """Sweep at ``due_ms`` at the latest."""
        self.due_ms = min(self.due_ms, due_ms)

    def run_rules(
        self,
        at_ms: int,
        updated: Sequence[SignalState],
        inside_band: Set[SignalState] = frozenset(),
    ) -> None:
        """Evaluate the rules that depend on the updated signals (see ``RuleRunner.run``)."""
        self.not_later_than(self._parts.rules.run(at_ms, updated, inside_band))

    def tick(self, at_ms: int) -> dict[str, Reading] | None:
        """A second has passed: sample what is due, and sweep if it is time.

        Gives the derived readings, or None where nothing can have changed.
        """
        parts = self._parts
        if at_ms >= parts.explain.due_ms:
            parts.explain.sample(at_ms)
            update_bands(parts.sensors.sample(at_ms), at_ms)
        return self.sweep(at_ms) if at_ms >= self.due_ms else None

    def sweep(self, at_ms: int) -> dict[str, Reading]:
        """Do everything that is due, and find when the next thing is.

        Gives the derived readings that this brought about.
        """
        parts = self._parts
        readings: dict[str, Reading] = {}
        minute = at_ms >= parts.explain.again_ms
        updated = write_derived(at_ms, parts.derive.tick(at_ms), readings)
        if minute:
            found = [*parts.sensors.minute(at_ms), *parts.explain.fetch_readings()]
            updated += write_derived(at_ms, found, readings)
        updated += parts.formulas.write(at_ms, updated, readings)
        if updated:
            self.run_rules(at_ms, updated)
        for box in parts.modes.values():
            if box.due_ms() <= at_ms:
                ended = box.end_due_work(at_ms)
                box.tick(at_ms)
                update_bands(box.inputs(), at_ms)
                for mode in ended:
                    parts.engine.release_planned(box.box, mode)
        parts.rules.tick(at_ms)
        for alarm in parts.alarms.values():
            if alarm.state != "normal":
                parts.timers.tick(alarm, at_ms)
        if minute:
            for name, cause in parts.explain.rejudge(at_ms, parts.alarms):
                parts.engine.change_cause(parts.alarms[name], cause)
        self.due_ms = self._next_due_ms(at_ms)
        return readings

    def _next_due_ms(self, at_ms: int) -> int:
        parts = self._parts
        due = [parts.derive.due_ms, parts.explain.again_ms, parts.rules.due_ms()]
        due += [box.due_ms() for box in parts.modes.values()]
        for alarm in parts.alarms.values():
            if alarm.state != "normal":
                due.extend(parts.timers.due_ms(alarm))
        due.append(parts.rate.due_ms(at_ms))
        return min(due)

    def publish_rate(self, at_ms: int, readings: dict[str, Reading]) -> None:
        """Write the number of new alarms as a signal, which rules may be about."""
        signal, rate = self._parts.rate_signal, self._parts.rate
        if signal is None:
            return
        count = rate.count(at_ms)
        if count == rate.published and signal.value is not None:
            return
        rate.published = count
        reading = Reading(float(count), Quality.GOOD)
        self.run_rules(at_ms, write_derived(at_ms, [(signal, reading)], readings))
