"""Derived signals and ledgers: computed from measured signals, laid in beside them, never fed back.

``scan`` is called once an item, after the modes and before the rules; ``tick``
once a minute. A measured signal of the same name wins.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from math import isfinite
from typing import Any

from dewline.events import LedgerRow
from dewline.hours import LocalTime
from dewline.readings import Quality, Reading
from dewline.watch.derived.box import BoxBooks
from dewline.watch.derived.bucket import Bucket
from dewline.watch.derived.facts import BoxFacts
from dewline.watch.derived.purifier import PurifierBooks
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import STALE_POLLS, Band, SignalState
from dewline.watch.signals.slope import MEDIANS, MedianWindow
from dewline.watch.signals.window import Window
from dewline.watch_plan import SignalPlan, WatchPlan

SLOPE_OVER_MS = 30 * 60_000
SLOPE_CONFIDENCE = 0.95
SLOPES = {"oxygen": "oxygen_slope", "moisture": "moisture_slope"}
MINUTE_MS, HOUR_MS = 60_000, 3_600_000

DerivedReadings = list[tuple[SignalState, Reading]]


def slope_name(source: SignalPlan, plan: WatchPlan) -> str | None:
    """Full name of the slope signal of a box's oxygen or moisture; None where there is none."""
    if source.place not in plan.boxes or source.role not in SLOPES:
        return None
    name = f"{source.place}.{SLOPES[source.role]}"
    measured = plan.signals.get(name)
    return None if measured is not None and measured.instrument is not None else name


class Derive:
    """Slopes in ppm/h over 30 min, anew with every median; and the books of every box."""

    def __init__(self, plan: WatchPlan) -> None:
        self._plan = plan
        self._slopes: dict[MedianWindow, SignalState] = {}
        self.clock = LocalTime(plan.timezone)
        self.rows = RowBook(plan.site, self.clock)
        self.boxes: dict[str, BoxBooks] = {}
        self.purifiers: dict[str, PurifierBooks] = {}
        self._of_bucket: dict[Bucket, BoxBooks] = {}
        self._listeners: dict[SignalState, list[Callable[[int], None]]] = {}
        self._outputs: dict[str, SignalState] = {}
        self._told: DerivedReadings = []
        self._minute = 0

    # ---------------------------------------------------------------- wiring

    def slope(self, window: MedianWindow, into: SignalState) -> None:
        """Have the slope of ``window`` written into signal ``into``."""
        self._slopes[window] = into
        into.stale_ms = max(into.stale_ms, STALE_POLLS * SLOPE_OVER_MS // MEDIANS)

    def furnish(
        self,
        signals: dict[str, SignalState],
        modes: Mapping[str, BoxModes],
        signal: Callable[[str], SignalState],
    ) -> Iterable[SignalState]:
        """Set up the books of every box; gives the slots that are written here."""
        for name, box in self._plan.boxes.items():
            facts = BoxFacts(box, self._plan, signals, modes[name])
            books = BoxBooks(facts, self._plan, signals, self.rows, partial(self._tell, name))
            self.boxes[name] = books
            self._of_bucket.update(dict.fromkeys(books.buckets, books))
            books.listen(self._listen)
            for role, unit, every_ms in books.outputs():
                self._output(f"{name}.{role}", unit, every_ms, signal)
        for name, purifier in self._plan.purifiers.items():
            mine = [b for b in self.boxes.values() if b.facts.box.purifier == name]
            if mine:
                self._furnish_purifier(
                    PurifierBooks(purifier, mine, signals, self.rows), mine, signal
                )
        return self._outputs.values()

    def _furnish_purifier(
        self, books: PurifierBooks, boxes: list[BoxBooks], signal: Callable[[str], SignalState]
    ) -> None:
        self.purifiers[books.plan.name] = books
        books.listen(self._listen)
        for box in boxes:
            box.dosed = books.dose
            for role, unit in books.outputs():
                self._output(f"{box.facts.name}.{role}", unit, HOUR_MS, signal)

    def _output(
        self, name: str, unit: str, every_ms: int, signal: Callable[[str], SignalState]
    ) -> None:
        known = self._plan.signals.get(name)
        if known is not None and known.instrument is not None:
            return
        target = signal(name)
        target.unit = target.unit or unit
        target.stale_ms = max(target.stale_ms, STALE_POLLS * every_ms)
        self._outputs[name] = target

    def _listen(
        self,
        signal: SignalState,
        hear: Callable[[int], None],
        band: Callable[[SignalState], Band] | None = None,
    ) -> None:
        if band is not None:
            signal.add_band(partial(band, signal))
        self._listeners.setdefault(signal, []).append(hear)

    def _tell(self, box: str, role: str, reading: Reading) -> None:
        into = self._outputs.get(f"{box}.{role}")
        if reading.value is not None and not isfinite(reading.value):
            reading = Reading(None, max(reading.quality, Quality.NOT_A_NUMBER))
        if into is not None:
            self._told.append((into, reading))

    # ---------------------------------------------------------------- items

    @property
    def due_ms(self) -> int:
        """The next moment at which time alone makes something."""
        return (self._minute + 1) * MINUTE_MS

    def scan(
        self, at_ms: int, closed: Mapping[Window, SignalState], updated: Iterable[SignalState]
    ) -> DerivedReadings:
        """Derived readings that follow from the windows just closed and the signals just heard."""
        for window in closed:
            if isinstance(window, Bucket):
                self._of_bucket[window].run(at_ms, window)
            elif isinstance(window, MedianWindow):
                self._slope_of(window)
        for signal in updated:
            for hear in self._listeners.get(signal, ()):
                hear(at_ms)
        return self._take_told()

    def tick(self, at_ms: int) -> DerivedReadings:
        """A minute passed, if it did."""
        if at_ms < self.due_ms:
            return []
        if not self._minute:  # minutes are counted from the first item on
            self._minute = at_ms // MINUTE_MS
            return []
        self._minute = at_ms // MINUTE_MS
        day, minute = self.clock.day_minute(at_ms)
        for books in self.boxes.values():
            books.minute(at_ms, day, minute)
        for purifier in self.purifiers.values():
            purifier.minute(at_ms, day, minute)
        return self._take_told()

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """Nothing was watched for a while. Called before the slots start anew."""
        for books in self.boxes.values():
            books.resume(at_ms, gap_ms)
        for purifier in self.purifiers.values():
            purifier.resume(at_ms, gap_ms)

    def take_rows(self) -> tuple[LedgerRow, ...]:
        """Ledger rows closed since the last call."""
        return self.rows.take() if self.rows.closed else ()

    def _slope_of(self, window: MedianWindow) -> None:
        into = self._slopes.get(window)
        estimate = window.estimate(SLOPE_CONFIDENCE) if into is not None else None
        if into is not None and estimate is not None:
            self._told.append((into, Reading(estimate.slope, Quality.GOOD)))

    def _take_told(self) -> DerivedReadings:
        told, self._told = self._told, []
        return told

    # ---------------------------------------------------------------- tables and state

    def ledger_table(self) -> dict[str, list[dict[str, Any]]]:
        """Rows still open, and the last closed ones, newest last; times are wall times."""
        still = [row for books in self.boxes.values() for row in books.open_rows()]
        still += [row for books in self.purifiers.values() for row in books.open_rows()]
        return {
            "open": [
                {
                    "box": row["box"],
                    "kind": row["kind"],
                    "started_ms": self.clock.label(row["started_at_ms"]),
                    "ended_ms": None,
                    "document": row["document"],
                }
                for row in still
            ],
            "recent": list(self.rows.recent),
        }

    def outlook_table(self, at_ms: int) -> dict[str, dict[str, Any]]:
        """Of every box: learning, idle baselines, days left of its bed."""
        beds = {name: books.outlook() for name, books in self.purifiers.items()}
        return {
            name: {**books.outlook(at_ms), "bed": beds.get(books.facts.box.purifier or "")}
            for name, books in self.boxes.items()
        }

    def save(self) -> dict[str, Any]:
        return {
            "minute": self._minute,
            "rows": self.rows.save(),
            "boxes": {name: books.save() for name, books in self.boxes.items()},
            "purifiers": {name: books.save() for name, books in self.purifiers.items()},
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self._minute = state["minute"]
        self.rows.restore(state["rows"])
        for name, books in self.boxes.items():
            if name in state["boxes"]:
                books.restore(state["boxes"][name])
        for name, purifier in self.purifiers.items():
            if name in state["purifiers"]:
                purifier.restore(state["purifiers"][name])
