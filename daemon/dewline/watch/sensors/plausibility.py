"""Sensors judged: whether what an instrument shows can be believed.

Frozen: every number of an instrument stands bit for bit for five minutes, though
pressure always moves. All-zero: a panel that has just started shows 0 ppm, 0 mbar,
0.0 degC at once; that is no reading, and never clean. Doubt: why the reading of a
trace gas is no proof of clean, told as the signal ``oxygen_doubt`` or
``moisture_doubt`` for rules to stand on:

0 none · 1 not proven for long · 2 solvent or hydrogen about on a cell that burns it ·
3 a dose that had to show did not · 4 slipped by a factor of ten ·
5 sank to nothing at once on a cell that burns solvent
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from statistics import median
from typing import Any

from dewline.readings import Quality, Reading
from dewline.watch.derived.derive import Derive
from dewline.watch.sensors.sudden_zero import Sunk
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD, FIRST_UNCERTAIN, SignalState
from dewline.watch_plan import WatchPlan

GASES = ("oxygen", "moisture")
FROZEN_MS = 300_000
FEWEST_NUMBERS = 4  # of an instrument, to be judged as a block
FEWEST_ZEROS = 3
DAY_MS = 86_400_000
PROOF_MS = {"oxygen": 7 * DAY_MS, "moisture": 30 * DAY_MS}  # common practice, no source
BURNING_KINDS = ("zirconia",)
VAPOUR_PPM = 5.0
LOW_PPM = 0.2  # at or below, a reading leans on the sensor's zero
SLIP = 10.0
SLIP_WITHIN = 0.12
SLIP_LEAST_PPM = 0.05
BEFORE, AFTER = 12, 6  # samples of ten seconds
WORDS = {
    1: "not proven for long",
    2: "solvent or hydrogen about: the cell burns it and shows less oxygen than there is",
    3: "a dose that had to show did not",
    4: "the reading slipped by a factor of ten",
    5: "it sank to nothing at once, on a cell that burns solvent, and the water did not sink",
}

# Modes in which a level is not held against the one before; hands in gloves lower no oxygen.
DISTURBED = ("isolated", "purging", "transferring", "opened", "regenerating", "recovering")

DerivedReadings = list[tuple[SignalState, Reading]]


class InstrumentBlock:
    """All signals of one instrument: frozen together, or zero together."""

    def __init__(self, name: str, signals: list[SignalState], numbers: list[SignalState]) -> None:
        self.name, self.signals, self.numbers = name, signals, numbers
        self.names = frozenset(signal.name for signal in signals)
        self.witness = numbers[0].name
        self.frozen = False

    def zeroed(self, readings: Mapping[str, Reading]) -> bool:
        """Whether every number of it in a scan is nothing at all.

        A current loop shows its zero as a fault: what has no value contradicts nothing.
        """
        shown = (readings[s.name].value for s in self.numbers if s.name in readings)
        values = [value for value in shown if value is not None]
        return len(values) >= FEWEST_ZEROS and not any(values)

    def stands(self, at_ms: int) -> bool:
        """Alive, and not one number has moved for five minutes; a box pressure is among them."""
        good = [signal for signal in self.numbers if signal.quality < FIRST_UNCERTAIN]
        return (
            len(good) >= FEWEST_NUMBERS
            and any(signal.unit == "mbar" for signal in good)
            and any(signal.value for signal in good)
            and all(self._stands(signal, at_ms) for signal in good)
        )

    def _stands(self, signal: SignalState, at_ms: int) -> bool:
        alive = at_ms - signal.alive_ms < signal.stale_ms
        return alive and at_ms - signal.same_since_ms >= FROZEN_MS

    def freeze(self) -> None:
        self.frozen = True
        for signal in self.signals:
            signal.verdict = self.judge

    def thaw(self) -> None:
        self.frozen = False
        for signal in self.signals:
            signal.verdict = None

    def judge(self, signal: SignalState, value: float | None, quality: Quality) -> Quality:
        """A reading of a frozen instrument; the first one that differs ends it."""
        if quality < FIRST_BAD and value != signal.value:
            self.thaw()
            return quality
        return max(quality, Quality.FROZEN)


class Doubt:
    """One trace gas of one box."""

    def __init__(self, gas: str, signal: SignalState, into: SignalState, burns: bool) -> None:
        self.gas, self.signal, self.into, self.burns = gas, signal, into, burns
        self.proven_ms: int | None = None
        self.missed_ms: int | None = None
        self.slipped: float | None = None  # the factor of ten it slipped by
        self.recent: list[float] = []
        self.level = 0
        self.sunk = Sunk() if burns else None

    def sample(self, busy: bool) -> None:
        """Ten seconds passed: has it jumped to ten times or a tenth, and stayed there?"""
        value = self.signal.usable
        self.recent = [] if value is None else [*self.recent, value][-(BEFORE + AFTER) :]
        if busy or len(self.recent) < BEFORE + AFTER:
            return
        before, after = self.recent[:BEFORE], self.recent[BEFORE:]
        a, b = median(before), median(after)
        steady = min(after) > 0.8 * max(after) and min(before) > 0.6 * max(before)
        if min(a, b) < SLIP_LEAST_PPM or not steady:
            return
        for factor in (SLIP, 1 / SLIP):
            if abs(b / a / factor - 1) < SLIP_WITHIN:
                back = self.slipped is not None and abs(self.slipped * factor - 1) < 0.01
                self.slipped, self.recent = (None if back else factor), []
                return

    def judge(self, at_ms: int, about: bool) -> int:
        """The level of doubt now."""
        if self.proven_ms is None and self.signal.value is not None:
            self.proven_ms = at_ms  # learning begins here
        if self.missed_ms is not None:
            return 3
        if self.slipped is not None:
            return 4
        if self.burns and about:
            return 2
        if self.sunk is not None and self.sunk.from_ppm is not None:
            return 5
        long = self.proven_ms is not None and at_ms - self.proven_ms > PROOF_MS[self.gas]
        return 1 if long else 0

    def qualify(self, signal: SignalState, value: float | None, quality: Quality) -> Quality:
        """A low reading that nothing proves is none of clean; a high one stays what it is."""
        if quality >= FIRST_BAD or value is None:
            return quality
        low = quality == Quality.LOW if self.level == 1 else value <= LOW_PPM
        return max(quality, Quality.UNPROVEN) if low else quality

    def hear(self, answered: bool, at_ms: int) -> None:
        """A response row of the ledger."""
        if answered:
            self.proven_ms, self.missed_ms = at_ms, None
            if self.sunk is not None:
                self.sunk.believe()
        else:
            self.missed_ms = at_ms

    def save(self) -> dict[str, Any]:
        return {
            "proven_ms": self.proven_ms,
            "missed_ms": self.missed_ms,
            "slipped": self.slipped,
            "recent": list(self.recent),
            "level": self.level,
            "sunk": None if self.sunk is None else self.sunk.save(),
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self.proven_ms, self.missed_ms = state["proven_ms"], state["missed_ms"]
        self.slipped, self.recent = state["slipped"], list(state["recent"])
        self.level = state["level"]
        if self.sunk is not None and state.get("sunk") is not None:
            self.sunk.restore(state["sunk"])


class Sensors:
    """All blocks and doubts of a site."""

    def __init__(
        self, plan: WatchPlan, signals: dict[str, SignalState], signal: Callable[[str], SignalState]
    ) -> None:
        self._plan, self._signals = plan, signals
        self.blocks = list(_blocks(plan, signals))
        self._witnesses = {block.witness: block for block in self.blocks}
        self.doubts: dict[str, dict[str, Doubt]] = {}
        self._seen_row: str | None = None
        self._lows: list[SignalState] = []
        for box in plan.boxes.values():
            found = {}
            for gas in GASES:
                source = signals.get(f"{box.name}.{gas}")
                if source is None:
                    continue
                low = signal(f"{box.name}.{gas}_idle_low")
                low.unit, low.stale_ms = low.unit or "ppm", 3 * DAY_MS
                self._lows.append(low)
                into = signal(f"{box.name}.{gas}_doubt")
                into.unit, into.stale_ms = into.unit or "", 3 * DAY_MS
                kinds = [a.kind.lower() for a in box.analyzers if a.role == gas]
                burns = gas == "oxygen" and any(kind in BURNING_KINDS for kind in kinds)
                found[gas] = Doubt(gas, source, into, burns)
            self.doubts[box.name] = found

    def written(self) -> Iterable[SignalState]:
        """The signals that are told from here."""
        return [*self._lows, *(d.into for box in self.doubts.values() for d in box.values())]

    def screen(self, readings: Mapping[str, Reading]) -> Mapping[str, Reading]:
        """A scan with the blocks that are all zero marked bad."""
        for witness, block in self._witnesses.items():
            reading = readings.get(witness)
            if reading is not None and reading.value == 0.0 and block.zeroed(readings):
                bad = Reading(None, Quality.INSTRUMENT_FAULT)
                readings = {n: bad if n in block.names else r for n, r in readings.items()}
        return readings

    def sample(self, at_ms: int, modes: Mapping[str, BoxModes]) -> list[SignalState]:
        """Ten seconds passed. Gives the signals whose readings are judged otherwise from now on."""
        changed: list[SignalState] = []
        for block in self.blocks:
            if not block.frozen and block.stands(at_ms):
                block.freeze()
                changed += block.signals
        for box, doubts in self.doubts.items():
            since = modes[box].since
            busy = any(m in since for m in ("transferring", "working", "opened", "purging"))
            for doubt in doubts.values():
                doubt.sample(busy)
        return changed

    def minute(self, at_ms: int, derive: Derive, modes: Mapping[str, BoxModes]) -> DerivedReadings:
        """Levels of doubt that changed."""
        self._read_rows(at_ms, derive)
        told: DerivedReadings = []
        for box, doubts in self.doubts.items():
            about = self._about(box, modes[box])
            self._follow(at_ms, box, modes[box])
            for doubt in doubts.values():
                level = doubt.judge(at_ms, about)
                if level or level != doubt.level or doubt.into.value is None:
                    doubt.level = level  # a doubt is told every minute: delays end on readings
                    told.append((doubt.into, Reading(float(level), Quality.GOOD)))
                self._mark(doubt)
        return told

    def _follow(self, at_ms: int, box: str, modes: BoxModes) -> None:
        """A minute of a hot cell, held against the water of its box."""
        doubts = self.doubts[box]
        doubt, water = doubts.get("oxygen"), doubts.get("moisture")
        if doubt is None or doubt.sunk is None or water is None:
            return
        if "circulating" not in modes.since or any(m in modes.since for m in DISTURBED):
            return doubt.sunk.disturb()
        signal = doubt.signal
        fresh = at_ms - signal.alive_ms < signal.stale_ms
        told = signal.shown if signal.quality == Quality.UNPROVEN else signal.usable
        oxygen = told if fresh else None
        doubt.sunk.minute(at_ms, oxygen, water.signal.usable, signal.quality == Quality.LOW)

    def _mark(self, doubt: Doubt) -> None:
        wanted = doubt.qualify if doubt.level else None
        if doubt.signal.verdict is None or wanted is None:
            frozen = any(b.frozen and doubt.signal in b.signals for b in self.blocks)
            if not frozen:
                doubt.signal.verdict = wanted

    def _about(self, box: str, modes: BoxModes) -> bool:
        """Solvent or hydrogen in the box, as far as signals or notes tell."""
        vapour = self._signals.get(f"{box}.solvent_vapour")
        seen = vapour is not None and vapour.usable is not None and vapour.usable > VAPOUR_PPM
        return seen or "solvent-work" in modes.since

    def _read_rows(self, at_ms: int, derive: Derive) -> None:
        """Sensor responses that the ledger has closed since the last look."""
        fresh: list[dict[str, Any]] = []
        for row in reversed(derive.rows.recent):
            if row["id"] == self._seen_row:
                break
            fresh.append(row)
        if derive.rows.recent:
            self._seen_row = derive.rows.recent[-1]["id"]
        for row in reversed(fresh):
            doubt = self.doubts.get(row["box"], {}).get(row["document"].get("gas", ""))
            if doubt is not None and row["kind"] == "sensor-response":
                doubt.hear(bool(row["document"].get("answered")), at_ms)

    def words(self) -> dict[str, dict[str, str]]:
        """Why a reading is doubted, by box and gas, where one is."""
        return {
            box: {gas: WORDS[d.level] for gas, d in doubts.items() if d.level}
            for box, doubts in self.doubts.items()
        }

    def save(self) -> dict[str, Any]:
        return {
            "frozen": [block.name for block in self.blocks if block.frozen],
            "seen_row": self._seen_row,
            "doubts": {
                box: {gas: d.save() for gas, d in doubts.items()}
                for box, doubts in self.doubts.items()
            },
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self._seen_row = state["seen_row"]
        for box, doubts in self.doubts.items():
            for gas, doubt in doubts.items():
                if gas in state["doubts"].get(box, {}):
                    doubt.restore(state["doubts"][box][gas])
                    doubt.signal.verdict = doubt.qualify if doubt.level else None
        for block in self.blocks:
            if block.name in state["frozen"]:
                block.freeze()


def _blocks(plan: WatchPlan, signals: Mapping[str, SignalState]) -> Iterator[InstrumentBlock]:
    """Instruments with several numbers."""
    of: dict[str, list[SignalState]] = {}
    for name, known in plan.signals.items():
        if known.instrument is not None:
            of.setdefault(known.instrument, []).append(signals[name])
    for instrument, found in of.items():
        numbers = [signal for signal in found if signal.unit not in (None, "")]
        if len(numbers) >= FEWEST_ZEROS:
            yield InstrumentBlock(instrument, found, numbers)
