"""Takes in the readings of a scan, and evaluates what depends on those that change something."""

from __future__ import annotations

from collections.abc import Set

from dewline.readings import Quality, Reading, Scan
from dewline.watch.signals.signal_state import FIRST_UNCERTAIN, SignalState, update_bands
from dewline.watch.signals.window import Window
from dewline.watch.sweep import Sweep
from dewline.watch.wiring import Wiring, write_derived

OutsideBand = tuple[SignalState, float | None, Quality]


class Intake:
    """Takes scans into the signals of one watch.

    A recorded reading of a derived signal is left out: another plan may have derived it.
    """

    def __init__(self, parts: Wiring, sweep: Sweep) -> None:
        self._parts = parts
        self._sweep = sweep
        self._sensors = parts.sensors
        self._gates = parts.gates
        self._measured = {n: s for n, s in parts.signals.items() if s not in parts.derived}

    def scan(self, at_ms: int, scan: Scan) -> dict[str, Reading] | None:
        """Take in a scan; gives the derived readings, or None where nothing can have changed.

        A good reading inside its signal's band is only stored (``signals/signal_state.py``),
        unless a window of the signal closes or the delay of a rule runs. This loop is what limits
        the speed of a replay.
        """
        readings = self._sensors.screen(at_ms, scan.readings)
        for switch in self._gates:
            if switch in readings:
                self._switch_analyzers(at_ms, switch, readings[switch])
        signal_of = self._measured.get
        to_update: list[OutsideBand] = []
        inside_band: set[SignalState] = set()
        for name, (value, quality) in readings.items():
            signal = signal_of(name)
            if signal is None:
                continue
            if quality < FIRST_UNCERTAIN and value is not None and signal.lo <= value <= signal.hi:
                if at_ms >= signal.closes_at:  # a window closes, or a delay runs (0 then)
                    inside_band.add(signal)
                    to_update.append((signal, value, quality))
                    continue
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
                to_update.append((signal, value, quality))
        return self._update(at_ms, to_update, inside_band) if to_update else None

    def _switch_analyzers(self, at_ms: int, switch: str, reading: Reading) -> None:
        """Apply ``analyzer_on`` before the readings of the analyzers in the same scan."""
        gate = self._gates[switch]
        if reading.value is None or reading.quality >= FIRST_UNCERTAIN:
            return
        was_off = gate.off
        gate.update(at_ms, reading.value)
        if gate.off != was_off:
            self._sensors.note_move()
            update_bands(self._parts.gated(switch), at_ms)

    def _update(
        self, at_ms: int, to_update: list[OutsideBand], inside_band: set[SignalState]
    ) -> dict[str, Reading]:
        """Take in readings that may change something, and evaluate what depends on them.

        ``inside_band``: those of them that are inside their band; they are here because a window
        of theirs closes or the delay of a rule runs.
        """
        closed: dict[Window, SignalState] = {}
        for signal, value, quality in to_update:
            if signal.delay_running and signal.verdict is not None:
                inside_band.discard(signal)  # doubted while a delay runs: evaluate all its rules
            closed.update(dict.fromkeys(signal.update(at_ms, value, quality), signal))
        updated = [signal for signal, _, _ in to_update]
        dependents = self._parts.dependents
        for box in dict.fromkeys(box for s in updated for box in dependents[s].modes):
            box.update(at_ms)
            self._sweep.not_later_than(box.due_ms())
        readings: dict[str, Reading] = {}
        derived = self._parts.derive.scan(at_ms, closed, updated)
        updated += write_derived(at_ms, derived, readings)
        updated += self._parts.formulas.write(at_ms, updated, readings)
        limited = self._limited(updated, inside_band)
        updated += [signal for signal in limited if signal.alive_ms == at_ms]
        self._sweep.run_rules(at_ms, updated, inside_band.difference(limited))
        return readings

    def _limited(
        self, updated: list[SignalState], inside_band: Set[SignalState]
    ) -> list[SignalState]:
        """Signals of which a limit moved: in this scan they were compared with the old one."""
        return [
            signal
            for limit in updated
            if limit not in inside_band
            for signal in self._parts.dependents[limit].limited
        ]
