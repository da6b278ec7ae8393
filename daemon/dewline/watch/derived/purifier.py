"""A purifier with its beds: what they took up, how long they will last, their regenerations.

The load of a bed is the doses seen plus a steady source, because an integral of ppm would hold
the sensor's zero error: 0.3 ppm of it is more than the true load of a day.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from dewline.gas.constants import MOLAR_MASS_G, STANDARD_L_PER_MOL
from dewline.readings import Quality, Reading
from dewline.watch.derived.bed import BedForecast, fresh_times, outlook, zero_kept
from dewline.watch.derived.bed_evidence import GLOVES_CM3_H, Bed, Cleaning, Night, PastRun
from dewline.watch.derived.box import SHORT_GAP_MS, BoxBooks
from dewline.watch.derived.outlook_table import BedOutlook, DaysLeft
from dewline.watch.ledgers.impulse import Impulse
from dewline.watch.ledgers.regeneration import RegenerationBook, Verdict
from dewline.watch.ledgers.rows import OpenRow, RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import Subscribe
from dewline.watch.signals.signal_state import SignalState
from dewline.watch_plan import PurifierPlan

GASES = ("oxygen", "moisture")
LOADS = {"oxygen": "bed_oxygen_load", "moisture": "bed_water_load"}
LIMIT_PPM = 5.0
LEAST_FLOW_M3_H = 1.0
PAST_KEPT = 8
SHORTEST_RUN_H = 48.0
NIGHTS_KEPT = 200
CLEANINGS_KEPT = 60
CLEANED_FROM_PPM = 1.0
LONGEST_MINUTE_MS = 90_000
ROLES = (
    *("regenerating", "regeneration_step", "bed_in_loop", "bed_temperature"),
    *("forming_gas_pressure", "forming_gas_flow"),
)


class BedRun(Kept):
    """One gas of one bed, since its last regeneration.

    ``known``: that regeneration was seen. ``hours``: of the bed in the loop. ``past``: whole runs
    before. ``fresh``: clean-up times with the bed fresh, of past runs. ``zero``: the sensor's
    zero as a past run showed it, and its sigma, ppm.
    """

    known: bool
    hours: float
    dosed_cm3: float
    nights: list[Night]
    past: list[PastRun]
    cleanings: list[Cleaning]
    fresh: list[float]
    zero: tuple[float, float] | None = None

    def __init__(self) -> None:
        self.past = []
        self.fresh = []
        self.begin(known=False)

    def begin(self, *, known: bool) -> None:
        """Start a run: with a bed just regenerated (``known``), or with the first one seen."""
        self.known = known
        self.hours = self.dosed_cm3 = 0.0
        self.nights = []
        self.cleanings = []

    def regenerated(self, forecast: BedForecast | None) -> None:
        """End this run. A whole one adds to what is known of runs, the forecast to the zero."""
        if self.known and self.hours >= SHORTEST_RUN_H:
            self.past = [*self.past, PastRun(self.hours, self.dosed_cm3)][-PAST_KEPT:]
            fresh = fresh_times([cleaning.times for cleaning in self.cleanings])
            self.fresh = [*self.fresh, *([] if fresh is None else [fresh])][-PAST_KEPT:]
        self.zero = None if forecast is None else zero_kept(forecast)
        self.begin(known=True)

    def add_night(self, ppm: float, cleaned_m3_h: float, floored: bool) -> None:
        """Add an idle baseline, and the flow that the bed cleaned then."""
        night = Night(self.hours, ppm, cleaned_m3_h, self.dosed_cm3, floored)
        self.nights = [*self.nights, night][-NIGHTS_KEPT:]

    def add_cleaning(self, times: float) -> None:
        """Add a clean-up: time to a tenth in units of V/(eta Q) of the box."""
        cleaning = Cleaning(self.hours, self.dosed_cm3, times)
        self.cleanings = [*self.cleanings, cleaning][-CLEANINGS_KEPT:]

    def outlook(self, bed: Bed, in_use: float) -> BedForecast:
        """Days left, from all that this run and those before it have shown.

        ``in_use``: the share of time that the bed is in the loop.
        """
        bed = bed._replace(fresh_times=min(self.fresh, default=None), zero_known=self.zero)
        return outlook(
            bed,
            PastRun(self.hours, self.dosed_cm3, self.known),
            self.nights,
            self.past,
            in_use=in_use,
            cleanings=self.cleanings,
        )


class PurifierBooks(Kept):
    """One purifier and the boxes on it.

    ``_runs``: by gas and number of the bed. ``_loop``: number of the bed in the loop, 0 for none.
    ``_forecasts``: the last one of each gas. ``_seen_h`` and ``_loop_h``: hours watched, and of
    them with a bed in the loop. ``_republish``: figures are due at once, after a gap.
    """

    _loop: int = 1
    _forecasts: dict[str, BedForecast]
    _day: int = 0
    _last_ms: int = 0
    regenerations: RegenerationBook
    _seen_h: float = 0.0
    _loop_h: float = 0.0
    _republish: bool = False
    _runs: dict[str, BedRun]

    def __init__(
        self,
        plan: PurifierPlan,
        boxes: Sequence[BoxBooks],
        signals: dict[str, SignalState],
        rows: RowBook,
    ) -> None:
        self.plan, self._boxes = plan, boxes
        places = [plan.name, *(b.facts.name for b in boxes)]
        found = {r: [signals[n] for p in places if (n := f"{p}.{r}") in signals] for r in ROLES}
        place = boxes[0].facts.name if len(boxes) == 1 else plan.name
        self.regenerations = RegenerationBook(place, plan.beds, found, rows)
        self._runs = {f"{g} {n}": BedRun() for g in GASES for n in range(1, plan.beds + 1)}
        self._forecasts = {}

    def subscribe(self, subscribe: Subscribe) -> None:
        """Subscribe to every change of the bit, the step and the bed in the loop."""
        for signal in self.regenerations.listened():
            subscribe(signal, self.update, SignalState.exact_band)

    def outputs(self) -> Iterator[tuple[str, str]]:
        """The roles that are written at every box on the purifier, and their units."""
        for gas, role in LOADS.items():
            if self._capacity_l(gas) is not None:
                yield role, "%"
        yield "bed_days_left", "d"

    def update(self, at_ms: int) -> None:
        """The bit, the step or the bed in the loop may have changed."""
        bed = self.regenerations.bed
        verdict = self.regenerations.update(at_ms, self.held_l("oxygen", bed))
        loop = self.regenerations.value("bed_in_loop")
        if loop is not None:
            self._loop = max(0, min(self.plan.beds, round(loop)))
        if verdict is not None:
            self._end_runs(at_ms, verdict)

    def add_dose(self, impulse: Impulse) -> None:
        """Add the dose of an excess that is over, at a box of the purifier, to the bed's load."""
        if impulse.dose_cm3 and self._loop:
            run = self._runs[f"{impulse.role} {self._loop}"]
            run.dosed_cm3 += max(0.0, impulse.dose_cm3)
            times = impulse.tenth_times
            if impulse.role == "oxygen" and times and impulse.peak_ppm >= CLEANED_FROM_PPM:
                run.add_cleaning(times)

    def minute(self, at_ms: int, day: int, minute: int) -> None:
        """Every minute, after the boxes; ``minute`` after local midnight of ``day``.

        At 05:01 it forecasts from the night's baselines, once an hour it publishes.
        """
        passed_ms = at_ms - self._last_ms
        self._last_ms = at_ms
        self.regenerations.minute(at_ms)
        if passed_ms <= LONGEST_MINUTE_MS:
            hours = passed_ms / 3_600_000
            self._seen_h += hours
            if self._loop and not (self.regenerations.since_ms and self.plan.beds == 1):
                self._loop_h += hours
                for gas in GASES:
                    self._runs[f"{gas} {self._loop}"].hours += hours
        if minute >= 301 and day != self._day:
            self._day = day
            self._night(day)
        if self._republish or minute % 60 == 2:
            self._republish = False
            self._publish(at_ms)

    def held_l(self, gas: str, bed: int) -> float:
        """What a bed holds, L of gas at 0 °C, 1013.25 mbar: doses and the steady source."""
        run = self._runs[f"{gas} {max(1, bed)}"]
        return (run.dosed_cm3 + self._source(gas) * run.hours) / 1000

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """Go on after ``gap_ms`` without items; a longer one breaks off a regeneration."""
        self._republish = True
        if gap_ms < SHORT_GAP_MS:
            return
        held = self.held_l("oxygen", self.regenerations.bed)
        if self.regenerations.since_ms is not None:
            self.regenerations.reset(at_ms - gap_ms, held)

    def outlook(self) -> BedOutlook:
        """Days left of the bed in the loop, by gas and the shorter of both.

        Nothing is known of a gas before its first idle night.
        """
        by_gas: dict[str, DaysLeft] = {
            gas: {
                "low": forecast.low_d,
                "middle": forecast.middle_d,
                "high": forecast.high_d,
                "source_ml_h": forecast.source_cm3_h,
                "since_regeneration": self._run(gas).known,
                "past_runs": len(self._run(gas).past),
            }
            for gas in GASES
            if (forecast := self._forecasts.get(gas)) is not None
        }
        shortest = min(by_gas, key=lambda g: by_gas[g]["middle"], default=None)
        return {
            "purifier": self.plan.name,
            "bed": self._loop,
            "bed_days_left": None if shortest is None else {"by": shortest, **by_gas[shortest]},
            "days_left": by_gas,
        }

    def open_rows(self) -> list[OpenRow]:
        """The regeneration that goes on."""
        row = self.regenerations.open_row()
        return [] if row is None else [row]

    def _run(self, gas: str) -> BedRun:
        return self._runs[f"{gas} {max(1, self._loop)}"]

    def _source(self, gas: str) -> float:
        """The steady source, cm³/h: as last forecast, or what the gloves of the boxes pass."""
        forecast = self._forecasts.get(gas)
        gloves = GLOVES_CM3_H[gas][0] * len(self._boxes)
        return gloves if forecast is None else forecast.source_cm3_h

    def _end_runs(self, at_ms: int, verdict: Verdict) -> None:
        bed = self.regenerations.bed
        for gas, done in (("oxygen", verdict.reduced), ("moisture", verdict.dried)):
            if done:
                self._runs[f"{gas} {bed}"].regenerated(self._forecasts.pop(gas, None))
        self._publish(at_ms)

    def _night(self, day: int) -> None:
        """Forecast from the night's baselines of all boxes, weighted by their flows."""
        for gas in GASES:
            nights = [n for b in self._boxes if (n := b.night(gas, day)) is not None]
            flow = sum(n[1] for n in nights)
            if flow < LEAST_FLOW_M3_H or not self._loop:
                continue
            ppm = sum(n[0] * n[1] for n in nights) / flow
            run = self._run(gas)
            run.add_night(ppm, flow, all(n[2] for n in nights))
            about = Bed(gas, len(self._boxes), self._capacity_l(gas), self._zero(gas), LIMIT_PPM)
            in_use = self._loop_h / self._seen_h if self._seen_h else 1.0
            self._forecasts[gas] = run.outlook(about, in_use)

    def _zero(self, gas: str) -> float:
        return max(b.facts.zero_ppm.get(gas, 0.2) for b in self._boxes)

    def _capacity_l(self, gas: str) -> float | None:
        if gas == "oxygen":
            return self.plan.oxygen_capacity_l
        kilograms = self.plan.water_capacity_kg
        if kilograms is None:
            return None
        return kilograms * 1e3 / MOLAR_MASS_G["water"] * STANDARD_L_PER_MOL

    def _publish(self, at_ms: int) -> None:
        """At every box on the purifier: loads in percent of the capacity given, and days left."""
        learning = any(b.learning(at_ms) for b in self._boxes)
        quality = Quality.UNPROVEN if learning else Quality.GOOD
        days = []
        for gas in GASES:
            forecast, capacity = self._forecasts.get(gas), self._capacity_l(gas)
            if capacity is not None and self._loop:
                known = Quality.GOOD if self._run(gas).known else Quality.UNPROVEN
                load = Reading(100.0 * self.held_l(gas, self._loop) / capacity, known)
                self._publish_each(LOADS[gas], load)
            if forecast is not None:
                days.append(forecast.middle_d)
        if days:
            self._publish_each("bed_days_left", Reading(min(days), quality))

    def _publish_each(self, role: str, reading: Reading) -> None:
        for books in self._boxes:
            books.publish(role, reading)
