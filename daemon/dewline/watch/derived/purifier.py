"""A purifier with its beds: what they took up, how long they will last, their regenerations.

Load is doses seen plus a steady source, because an integral of ppm sits under
the sensor's zero: 0.3 ppm of zero error is more than the true load of a day.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from dewline.gas.constants import MOLAR_MASS_G, STANDARD_L_PER_MOL
from dewline.readings import Quality, Reading
from dewline.watch.derived.bed import BedForecast, fresh_times, outlook, zero_kept
from dewline.watch.derived.bed_evidence import GLOVES_CM3_H, Bed, Cleaning, Night, PastRun
from dewline.watch.derived.box import SHORT_GAP_MS, BoxBooks
from dewline.watch.derived.excess import Impulse
from dewline.watch.derived.facts import Listen
from dewline.watch.ledgers.regeneration import RegenerationBook, Verdict
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept
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
    """One gas of one bed, since its last regeneration."""

    KEPT = ("known", "hours", "dosed_cm3", "nights", "past", "cleanings", "fresh", "zero")

    def __init__(self) -> None:
        self.past: list[list[float]] = []  # hours, dosed cm³ of whole runs
        self.fresh: list[float] = []  # decays of doses with this bed fresh, of past runs
        self.zero: list[float] | None = None  # the sensor's zero as a past run showed it, sigma
        self.begin(known=False)

    def begin(self, *, known: bool) -> None:
        """A fresh bed, or the first one seen."""
        self.known = known
        self.hours = self.dosed_cm3 = 0.0
        self.nights: list[list[float]] = []
        self.cleanings: list[list[float]] = []

    def regenerated(self, said: BedForecast | None) -> None:
        """This run is over; a whole one teaches how long runs are, its end where the zero is."""
        if self.known and self.hours >= SHORTEST_RUN_H:
            self.past = [*self.past, [self.hours, self.dosed_cm3]][-PAST_KEPT:]
            fresh = fresh_times([times for *_, times in self.cleanings])
            self.fresh = [*self.fresh, *([] if fresh is None else [fresh])][-PAST_KEPT:]
        kept = None if said is None else zero_kept(said)
        self.zero = None if kept is None else list(kept)
        self.begin(known=True)

    def night(self, ppm: float, cleaned_m3_h: float, floored: bool) -> None:
        row = [self.hours, ppm, cleaned_m3_h, self.dosed_cm3, float(floored)]
        self.nights = [*self.nights, row][-NIGHTS_KEPT:]

    def cleaned(self, times: float) -> None:
        row = [self.hours, self.dosed_cm3, times]
        self.cleanings = [*self.cleanings, row][-CLEANINGS_KEPT:]

    def outlook(self, bed: Bed, in_use: float) -> BedForecast:
        """Days left, from all this run and those before it have shown."""
        bed = bed._replace(
            fresh_times=min(self.fresh, default=None),
            zero_known=None if self.zero is None else (self.zero[0], self.zero[1]),
        )
        return outlook(
            bed,
            PastRun(self.hours, self.dosed_cm3, self.known),
            [Night(n[0], n[1], n[2], n[3], bool(n[4])) for n in self.nights],
            [PastRun(hours, dosed) for hours, dosed in self.past],
            in_use=in_use,
            cleanings=[Cleaning(*row) for row in self.cleanings],
        )


class PurifierBooks(Kept):
    """One purifier and the boxes on it."""

    KEPT = ("_loop", "_told", "_day", "_last_ms", "regenerations", "_seen_h", "_loop_h", "_retell")

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
        self._loop = 1  # the bed in the loop, 0 for none
        self._told: dict[str, list[Any]] = {}  # gas -> Outlook
        self._day = self._last_ms = 0
        self._retell = False
        self._seen_h = self._loop_h = 0.0

    def listen(self, listen: Listen) -> None:
        """Bit, step and bed in the loop: every change of them."""
        for signal in self.regenerations.listened():
            listen(signal, self.hear, SignalState.exact_band)

    def outputs(self) -> Iterator[tuple[str, str]]:
        """Roles told at every box on the purifier, and their units."""
        for gas, role in LOADS.items():
            if self._capacity_l(gas) is not None:
                yield role, "%"
        yield "bed_days_left", "d"

    def hear(self, at_ms: int) -> None:
        """A bit, a step or the bed in the loop changed."""
        bed = self.regenerations.bed
        verdict = self.regenerations.hear(at_ms, self.held_l("oxygen", bed))
        loop = self.regenerations.value("bed_in_loop")
        if loop is not None:
            self._loop = max(0, min(self.plan.beds, round(loop)))
        self._over(at_ms, verdict)

    def dose(self, impulse: Impulse) -> None:
        """What a box's excess brought to the bed."""
        if impulse.dose_cm3 and self._loop:
            run = self._runs[f"{impulse.role} {self._loop}"]
            run.dosed_cm3 += max(0.0, impulse.dose_cm3)
            times = impulse.tenth_times
            if impulse.role == "oxygen" and times and impulse.peak_ppm >= CLEANED_FROM_PPM:
                run.cleaned(times)

    def minute(self, at_ms: int, day: int, minute: int) -> None:
        """A minute passed. Call it after the boxes' own."""
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
        if self._retell or minute % 60 == 2:
            self._retell = False
            self._tell(at_ms)

    def held_l(self, gas: str, bed: int) -> float:
        """What a bed holds, L of gas at 0 °C, 1013.25 mbar: doses and the steady source."""
        run = self._runs[f"{gas} {max(1, bed)}"]
        return (run.dosed_cm3 + self._source(gas) * run.hours) / 1000

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """After a gap; a program that was going on is taken as broken off where it began."""
        self._retell = True
        if gap_ms < SHORT_GAP_MS:
            return
        held = self.held_l("oxygen", self.regenerations.bed)
        if self.regenerations.since_ms is not None:
            self.regenerations.reset(at_ms - gap_ms, held)

    def outlook(self) -> dict[str, Any]:
        """Days left of the bed in the loop, by gas and the shorter of both."""
        by_gas = {
            gas: {
                "low": said.low_d,
                "middle": said.middle_d,
                "high": said.high_d,
                "source_ml_h": said.source_cm3_h,
                "since_regeneration": self._run(gas).known,
                "past_runs": len(self._run(gas).past),
            }
            for gas in GASES
            if (said := self._said(gas)) is not None
        }
        shortest = min(by_gas, key=lambda g: by_gas[g]["middle"], default=None)
        return {
            "purifier": self.plan.name,
            "bed": self._loop,
            "bed_days_left": None if shortest is None else {"by": shortest, **by_gas[shortest]},
            "days_left": by_gas,
        }

    def open_rows(self) -> Iterator[dict[str, Any]]:
        if (row := self.regenerations.status()) is not None:
            yield row

    def _run(self, gas: str) -> BedRun:
        return self._runs[f"{gas} {max(1, self._loop)}"]

    def _said(self, gas: str) -> BedForecast | None:
        return BedForecast(*self._told[gas]) if gas in self._told else None

    def _source(self, gas: str) -> float:
        said = self._said(gas)
        return GLOVES_CM3_H[gas][0] * len(self._boxes) if said is None else said.source_cm3_h

    def _over(self, at_ms: int, verdict: Verdict | None) -> None:
        if verdict is None:
            return
        bed = self.regenerations.bed
        for gas, done in (("oxygen", verdict.reduced), ("moisture", verdict.dried)):
            if done:
                self._runs[f"{gas} {bed}"].regenerated(self._said(gas))
                self._told.pop(gas, None)
        self._tell(at_ms)

    def _night(self, day: int) -> None:
        """Gather the night's baselines of all boxes, weighed by their flow, and look ahead."""
        for gas in GASES:
            nights = [n for b in self._boxes if (n := b.night(gas, day)) is not None]
            flow = sum(n[1] for n in nights)
            if flow < LEAST_FLOW_M3_H or not self._loop:
                continue
            ppm = sum(n[0] * n[1] for n in nights) / flow
            run = self._run(gas)
            run.night(ppm, flow, all(n[2] for n in nights))
            about = Bed(gas, len(self._boxes), self._capacity_l(gas), self._zero(gas), LIMIT_PPM)
            in_use = self._loop_h / self._seen_h if self._seen_h else 1.0
            self._told[gas] = list(run.outlook(about, in_use))

    def _zero(self, gas: str) -> float:
        return max(b.facts.zero_ppm.get(gas, 0.2) for b in self._boxes)

    def _capacity_l(self, gas: str) -> float | None:
        if gas == "oxygen":
            return self.plan.oxygen_capacity_l
        kilograms = self.plan.water_capacity_kg
        if kilograms is None:
            return None
        return kilograms * 1e3 / MOLAR_MASS_G["water"] * STANDARD_L_PER_MOL

    def _tell(self, at_ms: int) -> None:
        """Loads in percent of the capacity given, days left, at every box on the purifier."""
        learning = any(b.learning(at_ms) for b in self._boxes)
        quality = Quality.UNPROVEN if learning else Quality.GOOD
        days = []
        for gas in GASES:
            said, capacity = self._said(gas), self._capacity_l(gas)
            if capacity is not None and self._loop:
                known = Quality.GOOD if self._run(gas).known else Quality.UNPROVEN
                load = Reading(100.0 * self.held_l(gas, self._loop) / capacity, known)
                self._each(LOADS[gas], load)
            if said is not None:
                days.append(said.middle_d)
        if days:
            self._each("bed_days_left", Reading(min(days), quality))

    def _each(self, role: str, reading: Reading) -> None:
        for books in self._boxes:
            books.tell(role, reading)

    def save(self) -> dict[str, Any]:
        return {**super().save(), "runs": {n: r.save() for n, r in self._runs.items()}}

    def restore(self, state: Any) -> None:
        super().restore(state)
        for name, run in self._runs.items():
            if name in state["runs"]:
                run.restore(state["runs"][name])
