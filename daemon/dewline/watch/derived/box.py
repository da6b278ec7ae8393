"""All that is derived of one box, and its ledgers: told of edges, runs of ten seconds, minutes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from statistics import pstdev
from typing import Any

from dewline.errors import OutOfRange
from dewline.gas.humidity import FROST_LOW_C, frost_point_c
from dewline.readings import Quality, Reading
from dewline.watch.derived.bucket import Bucket, Run
from dewline.watch.derived.excess import Excess, Impulse
from dewline.watch.derived.facts import BoxFacts, Listen, flow_band, switch_band, worst
from dewline.watch.derived.idle import Idle
from dewline.watch.derived.kept import Kept
from dewline.watch.ledgers.chamber import Chamber
from dewline.watch.ledgers.gap import GapBook
from dewline.watch.ledgers.isolation import IsolationBook
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.ledgers.transfer import TransferBook
from dewline.watch.plan import WatchPlan
from dewline.watch.slots import FIRST_UNCERTAIN, Slot

GASES = ("oxygen", "moisture")
HOUR_MS = 3_600_000
LEARNING_MS = 7 * 24 * HOUR_MS
# Hands: kicks of a box whose own valves are still. Common practice, no source.
KICK_MBAR_S = 1.0
UNREST_MBAR = 0.3
AFTER_VALVE_MS = 2_000

Tell = Callable[[str, Reading], None]


class BoxBooks(Kept):
    """``tell`` takes a derived reading by role. Nothing here knows other boxes."""

    KEPT = ("first_ms", "_valve_ms")

    def __init__(
        self, facts: BoxFacts, plan: WatchPlan, slots: dict[str, Slot], rows: RowBook, tell: Tell
    ) -> None:
        self.facts = facts
        self._rows, self._tell = rows, tell
        self.first_ms: int | None = None  # when anything of the box was first heard
        self._valve_ms = 0
        self._gas = {g: s for g in GASES if (s := facts.own(g)) is not None}
        self.buckets: dict[Bucket, Slot] = {}
        self._excess = {g: Excess(facts, g, s) for g, s in self._gas.items()}
        self._idle = {g: Idle(facts, s) for g, s in self._gas.items()}
        self._isolation = IsolationBook(facts, rows)
        self._gap = GapBook(facts.name, plan.signals, slots, rows)
        chambers = [Chamber(a, facts) for a in facts.box.antechambers]
        self._transfers = {c.plan.name: TransferBook(c, rows) for c in chambers if c.signals}
        self._takers: dict[Bucket, Callable[[int, Run], None]] = {}
        self._hang_buckets()

    # ---------------------------------------------------------------- wiring

    def _hang_buckets(self) -> None:
        for gas, slot in self._gas.items():
            self._hang(slot, partial(self._gas_run, gas))
        if self.facts.pressure is not None:
            self._hang(self.facts.pressure, self._pressure_run)
        for book in self._transfers.values():
            if book.chamber.pressure is not None:
                self._hang(book.chamber.pressure, book.run, book.chamber.bucket)

    def _hang(
        self, slot: Slot, take: Callable[[int, Run], None], bucket: Bucket | None = None
    ) -> None:
        bucket = bucket or Bucket()
        slot.windows = (*slot.windows, bucket)
        self.buckets[bucket] = slot
        self._takers[bucket] = take

    def listen(self, listen: Listen) -> None:
        """Say which changes of which switches are to be heard."""
        facts = self.facts
        if (slot := facts.find("circulating")) is not None:
            listen(slot, self._isolation.hear, switch_band)
        if (slot := facts.find("circulation_flow")) is not None:
            listen(slot, self._isolation.hear, lambda s: flow_band(s, facts))
        for role in ("fill_valve", "relief_valve", "purging", "foot_pedal"):
            if (slot := facts.own(role)) is not None:
                listen(slot, self._valve_moved, switch_band)
        for gas, slot in self._gas.items():
            listen(slot, self._excess[gas].hear)
        for book in self._transfers.values():
            chamber = book.chamber
            for slot_ in (chamber.evacuating, chamber.refilling):
                if slot_ is not None:
                    listen(slot_, self._valve_moved)
            for slot_ in (chamber.evacuating, chamber.refilling, chamber.outer, chamber.inner):
                if slot_ is not None:
                    listen(slot_, partial(self._chamber_moved, book), switch_band)

    def outputs(self) -> Iterator[tuple[str, str, int]]:
        """Roles it tells, their units and how often at least, ms."""
        if "moisture" in self._gas:
            yield "frost_point_calc", "degC", 60_000
        for gas in self._gas:
            yield f"{gas}_idle", "ppm", HOUR_MS

    # ---------------------------------------------------------------- edges and runs

    def run(self, at_ms: int, bucket: Bucket) -> None:
        """Ten seconds of one of its signals are complete."""
        if (run := bucket.fetch()) is not None:
            self._takers[bucket](at_ms, run)

    def _valve_moved(self, at_ms: int) -> None:
        self._valve_ms = at_ms
        if self.facts.in_modes("purging"):
            self._isolation.disturb(at_ms)

    def _chamber_moved(self, book: TransferBook, at_ms: int) -> None:
        opened, closed = book.hear(at_ms)
        if opened:
            self._isolation.disturb(at_ms)
            for excess in self._excess.values():
                excess.open(at_ms)
        if closed and not any(b.inner_open for b in self._transfers.values()):
            self._isolation.disturb(at_ms)
            for excess in self._excess.values():
                excess.release(at_ms)

    def _gas_run(self, gas: str, at_ms: int, run: Run) -> None:
        self._isolation.take(gas, run)
        impulse = self._excess[gas].take(run)
        if gas == "oxygen" and self._excess[gas].steep and self._excess[gas].on:
            self._isolation.disturb(at_ms)
        if impulse is not None:
            self._impulse(at_ms, impulse)

    def _impulse(self, at_ms: int, impulse: Impulse) -> None:
        """An excess is over: it belongs to the transfer whose inner door was opened."""
        for book in self._transfers.values():
            if book.waits_for_dose and not book.inner_open:
                book.dose(at_ms, impulse)

    def _pressure_run(self, at_ms: int, run: Run) -> None:
        """Hands in the gloves move the pressure while no valve does."""
        if run.from_ms - self._valve_ms < AFTER_VALVE_MS or self._valves_at_work():
            return
        values = run.values
        step_s = (run.to_ms - run.from_ms) / 1000 / len(values)
        kick = max((abs(b - a) for a, b in pairwise(values)), default=0.0)
        if kick / step_s > KICK_MBAR_S or pstdev(values) > UNREST_MBAR:
            self.facts.modes.hands(at_ms)

    def _valves_at_work(self) -> bool:
        slots = [self.facts.own(r) for r in ("fill_valve", "relief_valve", "purging")]
        for book in self._transfers.values():
            slots += [book.chamber.evacuating, book.chamber.refilling]
        return any(s is not None and s.usable is not None and s.usable > 0.5 for s in slots)

    # ---------------------------------------------------------------- minutes

    def minute(self, at_ms: int, day: int, minute: int) -> None:
        """A minute passed; ``minute`` is local, after midnight."""
        if self.first_ms is None:
            if all(s.value is None for s in self._gas.values()):
                return
            self.first_ms = at_ms
        self._isolation.minute()
        self._gap.minute(at_ms)
        for book in self._transfers.values():
            book.tick(at_ms)
        self._tell_frost_point(at_ms)
        for gas, idle in self._idle.items():
            fresh = worst(at_ms, self._gas[gas]) < FIRST_UNCERTAIN
            if idle.minute(day, minute, fresh) or minute % 60 == 0:
                self._tell_idle(at_ms, gas)

    def learning(self, at_ms: int) -> bool:
        """The first seven days: the box's own figures are not yet its own."""
        return self.first_ms is None or at_ms - self.first_ms < LEARNING_MS

    def _tell_frost_point(self, at_ms: int) -> None:
        slot = self._gas.get("moisture")
        if slot is None:
            return
        quality = worst(at_ms, slot, self.facts.pressure, self.facts.barometer)
        value = slot.value if quality < Quality.NO_ANSWER else None
        self._tell("frost_point_calc", _frost_point(value, self.facts.pressure_pa, quality))

    def _tell_idle(self, at_ms: int, gas: str) -> None:
        latest = self._idle[gas].latest
        if latest is not None:
            quality = Quality.UNPROVEN if self.learning(at_ms) else Quality.GOOD
            self._tell(f"{gas}_idle", Reading(latest, quality))

    # ---------------------------------------------------------------- gaps, state, tables

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """The watch was away: what was open is closed where the watching ended."""
        last_ms = at_ms - gap_ms
        self._isolation.start_anew(last_ms)
        for book in self._transfers.values():
            book.start_anew(last_ms)
        for excess in self._excess.values():
            excess.start_anew()
        self._gap.resume(at_ms, gap_ms)

    def open_rows(self) -> Iterator[dict[str, Any]]:
        """Rows not yet closed; ``started_at_ms`` is watch time."""
        parts: list[IsolationBook | TransferBook] = [self._isolation, *self._transfers.values()]
        yield from (row for part in parts if (row := part.status()) is not None)
        yield from self._gap.status()

    def outlook(self, at_ms: int) -> dict[str, Any]:
        """What status shows of the box's own figures."""
        return {
            "learning": self.learning(at_ms),
            "idle_ppm": {g: i.latest for g, i in self._idle.items()},
            "nights": {g: len(i.nights) for g, i in self._idle.items()},
        }

    def _parts(self) -> dict[str, Kept]:
        parts: dict[str, Kept] = {"isolation": self._isolation, "gap": self._gap}
        parts |= {f"excess {g}": p for g, p in self._excess.items()}
        parts |= {f"idle {g}": p for g, p in self._idle.items()}
        parts |= {f"transfer {n}": p for n, p in self._transfers.items()}
        return parts

    def save(self) -> dict[str, Any]:
        return {**super().save(), **{name: part.save() for name, part in self._parts().items()}}

    def restore(self, state: Any) -> None:
        super().restore(state)
        for name, part in self._parts().items():
            if name in state:
                part.restore(state[name])


def _frost_point(ppm: float | None, pressure_pa: float, quality: Quality) -> Reading:
    """Frost point over ice; at or below -110 °C the end of the range, marked so."""
    if ppm is None:
        return Reading(None, max(quality, Quality.NO_ANSWER))
    try:
        return Reading(frost_point_c(ppm, pressure_pa), quality)
    except OutOfRange:
        if ppm < 1.0:
            return Reading(FROST_LOW_C, max(quality, Quality.UNDER_RANGE))
        return Reading(0.01, max(quality, Quality.OVER_RANGE))
