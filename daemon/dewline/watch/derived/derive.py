"""Derived signals and ledgers: computed from measured signals, laid beside them, never fed back.

``scan`` is called once an item, after the modes and before the rules; ``tick`` once a minute.
A measured signal of the same name is not overwritten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from math import isfinite

from dewline.hours import LocalTime, calendar_of
from dewline.readings import Quality, Reading
from dewline.watch.derived.box import BoxBooks
from dewline.watch.derived.box_parts import BoxParts
from dewline.watch.derived.outlook_table import BoxOutlook
from dewline.watch.derived.purifier import PurifierBooks
from dewline.watch.ledgers.impulse import Impulse
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts
from dewline.watch.signals.bucket import Bucket
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import STALE_POLLS, Band, SignalState
from dewline.watch.signals.slope import MEDIANS, MedianWindow
from dewline.watch.signals.window import Window
from dewline.watch_plan import SignalPlan, WatchPlan

SLOPE_OVER_MS = 30 * 60_000
SLOPE_CONFIDENCE = 0.95
LEAP_PPM = 0.25  # least change that can be a leap; below, a trace sensor's digits flicker
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


class Derive(Kept):
    """The slopes of trace gases, and the books of every box and purifier.

    ``slopes``: the windows whose slope, in ppm/h over 30 min, is written into a signal with
    every median. ``signal`` gives the state of a signal by its name, made where it is missing.
    """

    _minute: int = 0
    rows: RowBook
    boxes: dict[str, BoxBooks]
    purifiers: dict[str, PurifierBooks]

    def __init__(
        self,
        plan: WatchPlan,
        slopes: Mapping[MedianWindow, SignalState],
        signals: dict[str, SignalState],
        modes: Mapping[str, BoxModes],
        signal: Callable[[str], SignalState],
    ) -> None:
        self._plan, self._slopes = plan, slopes
        for output in slopes.values():
            output.stale_ms = max(output.stale_ms, STALE_POLLS * SLOPE_OVER_MS // MEDIANS)
        self.clock = LocalTime(calendar_of(plan.timezone, plan.holidays))
        self._pending: DerivedReadings = []
        self._listeners: dict[SignalState, list[Callable[[int], None]]] = {}
        self._outputs: dict[str, SignalState] = {}
        self.rows = RowBook(plan.site, self.clock)
        self.boxes = {
            name: BoxBooks(
                BoxParts(BoxFacts(box, plan, signals, modes[name]), plan, signals, self.rows),
                partial(self._publish, name),
                partial(self._add_dose, box.purifier or ""),
            )
            for name, box in plan.boxes.items()
        }
        self._of_bucket = {bucket: box for box in self.boxes.values() for bucket in box.buckets}
        for name, box in self.boxes.items():
            box.subscribe(self._subscribe)
            for role, unit, every_ms in box.parts.outputs():
                self._add_output(signal, f"{name}.{role}", unit, every_ms)
        self.purifiers = {}
        for name, purifier in plan.purifiers.items():
            boxes = [box for box in self.boxes.values() if box.facts.box.purifier == name]
            if boxes:
                books = self.purifiers[name] = PurifierBooks(purifier, boxes, signals, self.rows)
                books.subscribe(self._subscribe)
                for box in boxes:
                    for role, unit in books.outputs():
                        self._add_output(signal, f"{box.facts.name}.{role}", unit, HOUR_MS)

    def written(self) -> Iterable[SignalState]:
        """The signals that are written here, slopes apart."""
        return self._outputs.values()

    def _add_output(
        self, signal: Callable[[str], SignalState], name: str, unit: str, every_ms: int
    ) -> None:
        known = self._plan.signals.get(name)
        if known is not None and known.instrument is not None:
            return
        output = signal(name)
        output.unit = output.unit or unit
        output.stale_ms = max(output.stale_ms, STALE_POLLS * every_ms)
        self._outputs[name] = output

    def _subscribe(
        self,
        signal: SignalState,
        update: Callable[[int], None],
        band: Callable[[SignalState], Band] | None = None,
    ) -> None:
        if band is not None:
            signal.add_band(partial(band, signal))
        self._listeners.setdefault(signal, []).append(update)

    def _publish(self, box: str, role: str, reading: Reading) -> None:
        """Lay a derived reading aside until the next ``scan`` or ``tick`` hands it over."""
        output = self._outputs.get(f"{box}.{role}")
        if reading.value is not None and not isfinite(reading.value):
            reading = Reading(None, max(reading.quality, Quality.NOT_A_NUMBER))
        if output is not None:
            self._pending.append((output, reading))

    def _add_dose(self, purifier: str, impulse: Impulse) -> None:
        if purifier in self.purifiers:
            self.purifiers[purifier].add_dose(impulse)

    # ---------------------------------------------------------------- items

    @property
    def due_ms(self) -> int:
        """The next watch time at which time alone makes a derived reading or a row."""
        return (self._minute + 1) * MINUTE_MS

    def scan(
        self, at_ms: int, closed: Mapping[Window, SignalState], updated: Iterable[SignalState]
    ) -> DerivedReadings:
        """The readings that follow from a scan.

        ``closed``: the windows of which a stretch has just closed. ``updated``: the signals
        whose reading was outside its band.
        """
        for window in closed:
            if isinstance(window, Bucket):
                self._of_bucket[window].run(at_ms, window)
            elif isinstance(window, MedianWindow):
                self._slope_of(window)
        for signal in updated:
            for update in self._listeners.get(signal, ()):
                update(at_ms)
        return self._fetch_pending()

    def tick(self, at_ms: int) -> DerivedReadings:
        """The readings that follow from the time alone; none while a minute is not over.

        Boxes come before purifiers, which use what the boxes have found.
        """
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
        return self._fetch_pending()

    def note(self, box: str, kind: str) -> None:
        """Take in a note of a person."""
        if box in self.boxes:
            self.boxes[box].parts.note(kind)

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """Go on after ``gap_ms`` without items. Call it before the signals are reset."""
        for books in self.boxes.values():
            books.resume(at_ms, gap_ms)
        for purifier in self.purifiers.values():
            purifier.resume(at_ms, gap_ms)

    def _slope_of(self, window: MedianWindow) -> None:
        output = self._slopes.get(window)
        estimate = window.estimate(SLOPE_CONFIDENCE) if output is not None else None
        if output is not None and estimate is not None:
            quality = Quality.UNPROVEN if window.leaps(LEAP_PPM) else Quality.GOOD
            self._pending.append((output, Reading(estimate.slope, quality)))

    def _fetch_pending(self) -> DerivedReadings:
        pending, self._pending = self._pending, []
        return pending

    # ---------------------------------------------------------------- tables

    def open_rows(self) -> list[OpenRow]:
        """The rows of all boxes and purifiers that are not yet closed."""
        found = [row for box in self.boxes.values() for row in box.parts.open_rows()]
        return found + [row for p in self.purifiers.values() for row in p.open_rows()]

    def outlook_table(self, at_ms: int) -> dict[str, BoxOutlook]:
        """Of every box: whether it is learning, its own figures, the days its bed has left."""
        beds = {name: books.outlook() for name, books in self.purifiers.items()}
        return {
            name: books.outlook(at_ms, beds.get(books.facts.box.purifier or ""))
            for name, books in self.boxes.items()
        }
