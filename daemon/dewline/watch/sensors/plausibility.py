"""Plausibility of sensors: whether what an instrument shows can be believed.

- Frozen: every number of an instrument has stayed the same bit for bit for five minutes. A box
  pressure among them always moves, so the instrument repeats old values.
- All zero: a panel that has just started shows 0 ppm, 0 mbar and 0.0 degC at once. These are no
  readings, and never a clean box.
- Doubt: the reading of a trace gas is no proof of a clean box; see ``Doubt``. The doubt of each
  gas is published as ``oxygen_doubt`` or ``moisture_doubt``, for rules to stand on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import takewhile
from statistics import median

from dewline.readings import Quality, Reading
from dewline.watch.derived.derive import DerivedReadings
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept, State
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.sensors.instrument_block import Finding, instrument_blocks
from dewline.watch.sensors.sudden_zero import SuddenZero
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState
from dewline.watch_plan import BoxPlan, WatchPlan

GASES = ("oxygen", "moisture")
DAY_MS = 86_400_000
# A sensor without a seen response for so long is not proven. Common practice, no source.
PROOF_MS = {"oxygen": 7 * DAY_MS, "moisture": 30 * DAY_MS}
BURNING_KINDS = ("zirconia",)
VAPOUR_PPM = 5.0
LOW_PPM = 0.2  # at or below this a reading depends on the sensor's zero
SLIP = 10.0
SLIP_WITHIN = 0.12
SLIP_LEAST_PPM = 0.05
BEFORE, AFTER = 12, 6  # samples of ten seconds

# In these modes levels are not compared with those before. Hands in gloves lower no oxygen.
DISTURBED = ("isolated", "purging", "transferring", "opened", "regenerating", "recovering")


class GasSensor(Kept):
    """The sensor of one trace gas of one box, and the doubt there is about it.

    ``output``: the signal that bears the doubt. ``burns``: a hot cell, on which solvent and
    hydrogen burn. ``proven_ms``: when it last responded to a dose, or was first seen.
    ``missed_ms``: when a dose should have shown and did not. ``slipped``: the factor, 10 or 0.1,
    by which the reading jumped and stayed.
    """

    proven_ms: int | None = None
    missed_ms: int | None = None
    slipped: float | None = None
    _recent: list[float]
    doubt: Doubt = Doubt.NONE
    sudden_zero: SuddenZero | None

    def __init__(self, gas: str, signal: SignalState, output: SignalState, burns: bool) -> None:
        self.gas, self.signal, self.output, self.burns = gas, signal, output, burns
        self._recent = []
        self.sudden_zero = SuddenZero() if burns else None

    def sample(self, disturbed: bool) -> None:
        """Every ten seconds: find a jump to ten times or a tenth of the level that then stays.

        ``disturbed``: somebody works at the box, so that a jump may be real.
        """
        value = self.signal.usable
        self._recent = [] if value is None else [*self._recent, value][-(BEFORE + AFTER) :]
        if disturbed or len(self._recent) < BEFORE + AFTER:
            return
        before, after = self._recent[:BEFORE], self._recent[BEFORE:]
        a, b = median(before), median(after)
        steady = min(after) > 0.8 * max(after) and min(before) > 0.6 * max(before)
        if min(a, b) < SLIP_LEAST_PPM or not steady:
            return
        for factor in (SLIP, 1 / SLIP):
            if abs(b / a / factor - 1) < SLIP_WITHIN:
                back = self.slipped is not None and abs(self.slipped * factor - 1) < 0.01
                self.slipped, self._recent = (None if back else factor), []
                return

    def evaluate(self, at_ms: int, vapour: bool) -> Doubt:
        """The doubt that holds now; the first in this order where several do.

        ``vapour``: there is solvent or hydrogen in the box.
        """
        if self.proven_ms is None and self.signal.value is not None:
            self.proven_ms = at_ms  # first seen: it has the full time to be proven
        if self.missed_ms is not None:
            return Doubt.DOSE_MISSED
        if self.slipped is not None:
            return Doubt.SLIPPED
        if self.burns and vapour:
            return Doubt.BURNING
        if self.sudden_zero is not None and self.sudden_zero.from_ppm is not None:
            return Doubt.SANK
        long = self.proven_ms is not None and at_ms - self.proven_ms > PROOF_MS[self.gas]
        return Doubt.NOT_PROVEN if long else Doubt.NONE

    def qualify(self, signal: SignalState, value: float | None, quality: Quality) -> Quality:
        """The quality of a reading while in doubt: low ones are unproven, high ones unchanged."""
        if quality >= FIRST_BAD or value is None:
            return quality
        not_proven = self.doubt is Doubt.NOT_PROVEN
        low = quality == Quality.LOW if not_proven else value <= LOW_PPM
        return max(quality, Quality.UNPROVEN) if low else quality

    def finding(self) -> Finding | None:
        """Which readings are unproven now, as ``qualify`` judges them."""
        if not self.doubt:
            return None
        if self.doubt is Doubt.NOT_PROVEN:
            return Finding(self.signal, Quality.UNPROVEN, at_floor=True)
        return Finding(self.signal, Quality.UNPROVEN, up_to=LOW_PPM)

    def record_response(self, answered: bool, at_ms: int) -> None:
        """A dose has come in: it showed (``answered``), or it should have shown and did not."""
        if answered:
            self.proven_ms, self.missed_ms = at_ms, None
            if self.sudden_zero is not None:
                self.sudden_zero.believe()
        else:
            self.missed_ms = at_ms

    def follow(self, at_ms: int, water: SignalState, modes: BoxModes) -> None:
        """Every minute: compare a hot cell with the moisture of its box."""
        if self.sudden_zero is None:
            return
        if "circulating" not in modes.since or any(m in modes.since for m in DISTURBED):
            return self.sudden_zero.disturb()
        signal = self.signal
        shown = signal.shown if signal.quality == Quality.UNPROVEN else signal.usable
        oxygen = shown if at_ms - signal.alive_ms < signal.stale_ms else None
        self.sudden_zero.minute(at_ms, oxygen, water.usable, signal.quality == Quality.LOW)

    def restore(self, state: State) -> None:
        """Take over a saved state, and judge readings by its doubt from here on."""
        super().restore(state)
        self.signal.verdict = self.qualify if self.doubt else None


class Sensors(Kept):
    """All instruments and trace gas sensors of a site.

    ``gases``: the sensors by box and gas. ``_seen_row``: id of the last ledger row looked at.
    ``moved``: what is found of a signal may have changed since this was last set to False.
    """

    KEPT = ("_seen_row", "gases", "frozen", "zeroed")
    _seen_row: str | None = None
    gases: dict[str, dict[str, GasSensor]]

    def __init__(
        self,
        plan: WatchPlan,
        signals: dict[str, SignalState],
        signal: Callable[[str], SignalState],
        modes: Mapping[str, BoxModes],
        rows: RowBook,
    ) -> None:
        self._signals, self._modes, self._rows = signals, modes, rows
        self.moved = True
        self.blocks = list(instrument_blocks(plan, signals, self.note_move))
        self._witnesses = {block.witness: block for block in self.blocks}
        self.gases = {b.name: dict(_gas_sensors(b, signals, signal)) for b in plan.boxes.values()}
        lows = (f"{box}.{gas}_idle_low" for box, found in self.gases.items() for gas in found)
        self._lows = [_output(signal(name), "ppm") for name in lows]

    def written(self) -> Iterable[SignalState]:
        """The signals that are written here: the doubts, and the lowest idle baselines."""
        return [*self._lows, *(s.output for box in self.gases.values() for s in box.values())]

    def note_move(self) -> None:
        """What is found of a signal may have changed."""
        self.moved = True

    def findings(self) -> Iterator[Finding]:
        """What is found of the readings of instruments and trace gas sensors now."""
        for block in self.blocks:
            yield from block.findings()
        for sensors in self.gases.values():
            for sensor in sensors.values():
                if (finding := sensor.finding()) is not None:
                    yield finding

    def screen(self, at_ms: int, readings: Mapping[str, Reading]) -> Mapping[str, Reading]:
        """The readings of a scan, those of an instrument that shows only zeros marked bad."""
        for witness, block in self._witnesses.items():
            reading = readings.get(witness)
            if reading is None:
                continue
            zeroed = reading.value == 0.0 and block.zeroed(readings)
            if zeroed:
                bad = Reading(None, Quality.INSTRUMENT_FAULT)
                readings = {n: bad if n in block.names else r for n, r in readings.items()}
            if zeroed != (block.zero_since_ms is not None):
                block.zero_since_ms = at_ms if zeroed else None
                self.moved = True
        return readings

    def sample(self, at_ms: int) -> list[SignalState]:
        """Every ten seconds: find instruments that stand still, and slips of the gas sensors.

        Gives the signals whose readings are judged otherwise from now on.
        """
        changed: list[SignalState] = []
        for block in self.blocks:
            if not block.frozen and block.stands_still(at_ms):
                block.freeze()
                changed += block.signals
        for box, sensors in self.gases.items():
            since = self._modes[box].since
            busy = any(m in since for m in ("transferring", "working", "opened", "purging"))
            for sensor in sensors.values():
                sensor.sample(busy)
        return changed

    def minute(self, at_ms: int) -> DerivedReadings:
        """Every minute; gives the readings of the doubts.

        A doubt that holds is repeated every minute, because the delays of rules end on readings.
        """
        self._read_rows(at_ms)
        found: DerivedReadings = []
        for box, sensors in self.gases.items():
            modes = self._modes[box]
            vapour = self._vapour(box)
            if "oxygen" in sensors and "moisture" in sensors:
                sensors["oxygen"].follow(at_ms, sensors["moisture"].signal, modes)
            for sensor in sensors.values():
                doubt = sensor.evaluate(at_ms, vapour)
                if doubt or doubt != sensor.doubt or sensor.output.value is None:
                    self.moved = self.moved or doubt != sensor.doubt
                    sensor.doubt = doubt
                    found.append((sensor.output, Reading(float(doubt), Quality.GOOD)))
                self._apply(sensor)
        return found

    def standing(self, box: str) -> dict[str, Doubt]:
        """The doubts that hold at a box, by gas."""
        return {
            gas: sensor.doubt for gas, sensor in self.gases.get(box, {}).items() if sensor.doubt
        }

    @property
    def frozen(self) -> list[str]:
        """The names of the instruments whose numbers stand still."""
        return [block.name for block in self.blocks if block.frozen]

    @frozen.setter
    def frozen(self, names: list[str]) -> None:
        """Freeze these instruments, when a state is restored."""
        for block in self.blocks:
            if block.name in names:
                block.freeze()

    @property
    def zeroed(self) -> dict[str, int]:
        """Since when each instrument shows only zeros."""
        shown = {block.name: block.zero_since_ms for block in self.blocks}
        return {name: since_ms for name, since_ms in shown.items() if since_ms is not None}

    @zeroed.setter
    def zeroed(self, since_ms: dict[str, int]) -> None:
        """Take these over, when a state is restored."""
        for block in self.blocks:
            block.zero_since_ms = since_ms.get(block.name)

    def _apply(self, sensor: GasSensor) -> None:
        """Have the readings of a sensor judged by its doubt; a frozen instrument goes before."""
        if not any(block.frozen and sensor.signal in block.signals for block in self.blocks):
            sensor.signal.verdict = sensor.qualify if sensor.doubt else None

    def _vapour(self, box: str) -> bool:
        """Whether there is solvent or hydrogen in the box, by its own sensor or a note."""
        vapour = self._signals.get(f"{box}.solvent_vapour")
        seen = vapour is not None and vapour.usable is not None and vapour.usable > VAPOUR_PPM
        return seen or "solvent-work" in self._modes[box].since

    def _read_rows(self, at_ms: int) -> None:
        """Take in the responses of sensors that the ledger has closed since the last minute."""
        recent = self._rows.recent
        fresh = list(takewhile(lambda row: row.id != self._seen_row, reversed(recent)))
        if recent:
            self._seen_row = recent[-1].id
        for row in reversed(fresh):
            gas = row.document.get("gas")
            sensor = self.gases.get(row.box, {}).get(gas) if isinstance(gas, str) else None
            if sensor is not None and row.kind == "sensor-response":
                sensor.record_response(bool(row.document.get("answered")), at_ms)


def _gas_sensors(
    box: BoxPlan, signals: Mapping[str, SignalState], signal: Callable[[str], SignalState]
) -> Iterator[tuple[str, GasSensor]]:
    """The trace gas sensors of a box, each with the signal that bears its doubt."""
    for gas in GASES:
        source = signals.get(f"{box.name}.{gas}")
        if source is not None:
            kinds = [a.kind.lower() for a in box.analyzers if a.role == gas]
            burns = gas == "oxygen" and any(kind in BURNING_KINDS for kind in kinds)
            output = _output(signal(f"{box.name}.{gas}_doubt"), "")
            yield gas, GasSensor(gas, source, output, burns)


def _output(signal: SignalState, unit: str) -> SignalState:
    """A signal that is written here, with ``unit`` unless the plan gives it one."""
    signal.unit, signal.stale_ms = signal.unit or unit, 3 * DAY_MS
    return signal
