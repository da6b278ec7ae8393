"""All that is derived of one box, and its ledgers: told of edges, runs of ten seconds, minutes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from itertools import pairwise
from math import sqrt
from typing import Any

from dewline.errors import OutOfRange
from dewline.gas.humidity import FROST_LOW_C, frost_point_c
from dewline.readings import Quality, Reading
from dewline.watch.derived.bucket import Bucket, Run
from dewline.watch.derived.duty import Duty
from dewline.watch.derived.excess import Excess, Impulse
from dewline.watch.derived.facts import BoxFacts, Listen, flow_band, is_on, switch_band, worst
from dewline.watch.derived.gas_use import GasUse
from dewline.watch.derived.idle import Idle
from dewline.watch.derived.ingress import Ingress
from dewline.watch.derived.nitrogen import Nitrogen
from dewline.watch.ledgers.chamber import Chamber
from dewline.watch.ledgers.gap import GapBook
from dewline.watch.ledgers.impulses import ImpulseBook, PumpDowns
from dewline.watch.ledgers.isolation import IsolationBook
from dewline.watch.ledgers.purge import PurgeBook
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.ledgers.transfer import TransferBook
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import FIRST_BAD, FIRST_UNCERTAIN, SignalState
from dewline.watch_plan import WatchPlan

GASES = ("oxygen", "moisture")
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000
LEARNING_MS = 7 * DAY_MS
# Hands: kicks of a box whose own valves are still. Common practice, no source.
KICK_MBAR_S = 1.0
UNREST_MBAR = 0.3
SHORT_GAP_MS = 2 * MINUTE_MS
AFTER_VALVE_MS = 2_000

Tell = Callable[[str, Reading], None]


class BoxBooks(Kept):
    """``tell`` takes a derived reading by role. Nothing here knows other boxes."""

    KEPT = ("first_ms", "_valve_ms", "_residuals", "_retell")

    def __init__(
        self,
        facts: BoxFacts,
        plan: WatchPlan,
        signals: dict[str, SignalState],
        rows: RowBook,
        tell: Tell,
    ) -> None:
        self.facts, self.tell = facts, tell
        self.dosed: Callable[[Impulse], None] = lambda _: None  # set by the purifier
        self.first_ms: int | None = None  # when anything of the box was first heard
        self._valve_ms = 0
        self._retell = False  # figures that hold for long are told again after a gap
        self._residuals: dict[str, float | None] = {}
        self._gas = {g: s for g in GASES if (s := facts.own(g)) is not None}
        self._excess = {g: Excess(facts, g, s) for g, s in self._gas.items()}
        self._idle = {g: Idle(facts, s) for g, s in self._gas.items()}
        self._ingress = {g: Ingress(facts, g, s) for g, s in self._gas.items()}
        self._impulses = ImpulseBook(facts, rows)
        self._isolation = IsolationBook(facts, rows)
        self._gap = GapBook(facts.name, plan.signals, signals, rows)
        self._nitrogen = Nitrogen(facts) if facts.box.gas == "argon" else None
        chambers = [Chamber(a, facts) for a in facts.box.antechambers]
        self._transfers = {c.plan.name: TransferBook(c, rows) for c in chambers if c.signals}
        self._pumps = {n: PumpDowns(facts.name, n, rows) for n in self._transfers}
        purging, fill = facts.own("purging"), facts.own("fill_valve")
        self._purge = None if purging is None else PurgeBook(facts, purging, rows)
        self._duty = {
            role: Duty(signal)
            for role, of in (("fill_duty", "fill_valve"), ("freezer_duty", "freezer_compressor"))
            if (signal := facts.own(of)) is not None
        }
        counted = (
            fill is not None and facts.pressure is not None and facts.box.volume_m3 is not None
        )
        relief = facts.own("relief_valve")
        self._gas_use = GasUse(facts, fill, relief, rows) if fill and counted else None
        self.buckets: dict[Bucket, Callable[[int, Run], None]] = {}
        self._hang_buckets()

    # ---------------------------------------------------------------- wiring

    def _hang_buckets(self) -> None:
        for gas, signal in self._gas.items():
            self._hang(signal, partial(self._gas_run, gas), Bucket())
        if self.facts.pressure is not None:
            self._hang(self.facts.pressure, self._pressure_run, Bucket())
        for book in self._transfers.values():
            if book.chamber.pressure is not None:
                self._hang(book.chamber.pressure, book.run, book.chamber.bucket)

    def _hang(self, signal: SignalState, take: Callable[[int, Run], None], bucket: Bucket) -> None:
        signal.add_window(bucket)
        self.buckets[bucket] = take

    def listen(self, listen: Listen) -> None:
        """Say which changes of which signals are to be heard at once."""
        facts = self.facts

        def switch(signal: SignalState | None, hear: Callable[[int], None]) -> None:
            if signal is not None:
                listen(signal, hear, switch_band)

        switch(facts.find("circulating"), self._isolation.hear)
        if (flow := facts.find("circulation_flow")) is not None:
            listen(flow, self._isolation.hear, lambda signal: flow_band(signal, facts))
        for gas, signal in self._gas.items():
            listen(signal, self._excess[gas].hear)
        for role, duty in self._duty.items():
            switch(
                facts.own("fill_valve" if role == "fill_duty" else "freezer_compressor"), duty.hear
            )
        if self._gas_use is not None:
            switch(facts.own("fill_valve"), self._gas_use.fill.hear)
            if self._gas_use.relief is not None:
                switch(facts.own("relief_valve"), self._gas_use.relief.hear)
        if self._purge is not None:
            switch(facts.own("purging"), self._purge.hear)
        for role in ("fill_valve", "relief_valve", "purging", "foot_pedal"):
            switch(facts.own(role), self._valve_moved)
        for book in self._transfers.values():
            chamber = book.chamber
            for valve in (chamber.evacuating, chamber.refilling):
                switch(valve, self._valve_moved)
            for part in (chamber.evacuating, chamber.refilling, chamber.outer, chamber.inner):
                switch(part, partial(self._chamber_moved, book))

    def outputs(self) -> Iterator[tuple[str, str, int]]:
        """Roles it tells, their units and how often at least, ms."""
        if "moisture" in self._gas:
            yield "frost_point_calc", "degC", MINUTE_MS
        for gas in self._gas:
            yield f"{gas}_idle", "ppm", HOUR_MS
            if self.facts.box.volume_m3 is not None:
                yield f"{gas}_ingress", "mL/h", 10 * MINUTE_MS
        for role in self._duty:
            yield role, "%", 10 * MINUTE_MS
        if self._gas_use is not None:
            yield "gas_use", "L/d", HOUR_MS
            yield "gas_idle", "L/h", HOUR_MS
        for name, book in self._transfers.items():
            if book.chamber.pressure is not None:
                yield f"{name}_residual", "ppm", HOUR_MS
        if "oxygen" in self._gas:
            yield "clean_up_time", "s", HOUR_MS

    # ---------------------------------------------------------------- edges and runs

    def run(self, at_ms: int, bucket: Bucket) -> None:
        """Ten seconds of one of its signals are complete."""
        if (run := bucket.fetch()) is not None:
            self.buckets[bucket](at_ms, run)

    def _valve_moved(self, at_ms: int) -> None:
        self._valve_ms = at_ms
        if self.facts.in_modes("purging"):
            self._isolation.disturb(at_ms)

    def _chamber_moved(self, book: TransferBook, at_ms: int) -> None:
        opened, closed = book.hear(at_ms)
        if opened:
            for excess in self._excess.values():
                excess.open(at_ms)
        if closed and not any(b.inner_open for b in self._transfers.values()):
            for excess in self._excess.values():
                excess.release(at_ms)
        if opened or closed:
            self._isolation.disturb(at_ms)

    def _gas_run(self, gas: str, at_ms: int, run: Run) -> None:
        self._isolation.take(gas, run)
        self._ingress[gas].take(run)
        excess = self._excess[gas]
        impulse = excess.take(run)
        if gas == "oxygen" and excess.steep and excess.on:
            self._isolation.disturb(at_ms)
        if impulse is not None:
            self._impulse(at_ms, impulse)

    def _impulse(self, at_ms: int, impulse: Impulse) -> None:
        """An excess is over: it belongs to the transfer whose inner door was opened."""
        mine = [b for b in self._transfers.values() if b.waits_for(impulse.role)]
        by = "transfer" if mine or impulse.door else None
        if by is None and self.facts.in_modes("purging"):
            by = "purge"
        elif by is None and self.facts.in_modes("opened", "recovering", "solvent-work"):
            by = "opening"
        expected = sum(b.expected_cm3 or 0.0 for b in mine) if mine else None
        if by in {"purge", "opening"}:  # not the bed alone took it away
            impulse = impulse._replace(tenth_times=None)
        impulse = self._impulses.without_slip(impulse)
        self._impulses.take(impulse, by, expected)
        if impulse.seen:
            self.dosed(impulse)
            if self._nitrogen is not None and "oxygen" in self._ingress:
                self._nitrogen.dose(impulse, *self._ingress["oxygen"].balanced_ms)
        for book in mine:
            book.dose(at_ms, impulse)
        if self._impulses.clean_up_s is not None and impulse.role == "oxygen":
            self.tell("clean_up_time", Reading(self._impulses.clean_up_s, Quality.GOOD))

    def _pressure_run(self, at_ms: int, run: Run) -> None:
        """Hands in the gloves move the pressure while no valve does."""
        if run.from_ms - self._valve_ms < AFTER_VALVE_MS or self._valves_at_work():
            return
        step_s = (run.to_ms - run.from_ms) / 1000 / len(run.values)
        kick = max((abs(b - a) for a, b in pairwise(run.values)), default=0.0)
        if kick > KICK_MBAR_S * step_s or _spread(run.values) > UNREST_MBAR:
            self.facts.modes.mark_working(at_ms)

    def _valves_at_work(self) -> bool:
        signals = [self.facts.own(r) for r in ("fill_valve", "relief_valve", "purging")]
        for book in self._transfers.values():
            signals += [book.chamber.evacuating, book.chamber.refilling]
        return any(is_on(signal) for signal in signals)

    # ---------------------------------------------------------------- minutes

    def minute(self, at_ms: int, day: int, minute: int) -> None:
        """A minute passed; ``minute`` is local, after midnight."""
        if self.first_ms is None:
            if all(s.value is None for s in self._gas.values()):
                return
            self.first_ms = at_ms
        self._isolation.minute()
        self._gap.minute(at_ms)
        if self._purge is not None:
            self._purge.minute()
        hourly, self._retell = self._retell or minute % 60 == 0, False
        self._chambers(at_ms, hourly=hourly)
        self._tell_frost_point(at_ms)
        for gas, idle in self._idle.items():
            if idle.minute(day, minute, self._fresh(at_ms, gas)) or hourly:
                self._tell_idle(at_ms, gas)
        for role, duty in self._duty.items():
            self._tell_number(role, duty.minute(at_ms))
        if self._gas_use is not None:
            self._tell_number("gas_use", self._gas_use.minute(at_ms, day, minute))
            if hourly:
                self._tell_number("gas_idle", self._gas_use.night_l_h)
        for gas, ingress in self._ingress.items():
            source = ingress.tell(at_ms) if minute % 10 == 0 else None
            if source is not None:
                self.tell(f"{gas}_ingress", source)
        if hourly:
            self._tell_number("clean_up_time", self._impulses.clean_up_s)
        if self._nitrogen is not None:
            self._nitrogen.minute(at_ms, *self._oxygen_source())

    def _chambers(self, at_ms: int, *, hourly: bool) -> None:
        for name, book in self._transfers.items():
            book.tick(at_ms)
            self._pumps[name].take(book.chamber.fetch_pump_downs())
            residual = book.chamber.residual_ppm
            if residual is not None and (hourly or residual != self._residuals.get(name)):
                quality = worst(at_ms, book.chamber.pressure)
                bad = quality >= FIRST_BAD
                self.tell(f"{name}_residual", Reading(None if bad else residual, quality))
            self._residuals[name] = residual

    def _fresh(self, at_ms: int, gas: str) -> bool:
        return worst(at_ms, self._gas[gas]) < FIRST_UNCERTAIN

    def _oxygen_source(self) -> tuple[float | None, float]:
        latest = self._ingress["oxygen"].latest if "oxygen" in self._ingress else None
        return (None, 0.0) if latest is None else (latest[0], latest[1])

    def learning(self, at_ms: int) -> bool:
        """The first seven days: the box's own figures are not yet its own."""
        return self.first_ms is None or at_ms - self.first_ms < LEARNING_MS

    def _tell_number(self, role: str, value: float | None) -> None:
        if value is not None:
            self.tell(role, Reading(value, Quality.GOOD))

    def _tell_frost_point(self, at_ms: int) -> None:
        signal = self._gas.get("moisture")
        if signal is not None:
            quality = worst(at_ms, signal, self.facts.pressure, self.facts.barometer)
            value = signal.value if quality < FIRST_BAD else None
            self.tell("frost_point_calc", _frost_point(value, self.facts.pressure_pa, quality))

    def _tell_idle(self, at_ms: int, gas: str) -> None:
        """Unproven while the box is learning: no rule compares with it then."""
        latest = self._idle[gas].latest
        if latest is not None:
            quality = Quality.UNPROVEN if self.learning(at_ms) else Quality.GOOD
            self.tell(f"{gas}_idle", Reading(latest, quality))

    def night(self, gas: str, day: int) -> tuple[float, float, bool] | None:
        """Idle ppm, cleaned m³/h and whether at the floor, of the night of ``day``."""
        idle = self._idle.get(gas)
        if idle is None or not idle.nights:
            return None
        of, ppm, flow, floored = idle.nights[-1]
        if of != day or ppm is None or flow is None:
            return None
        return ppm, flow, bool(floored)

    # ---------------------------------------------------------------- gaps, state, tables

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """The watch was away: what was open is closed where the watching ended.

        After a moment's absence everything goes on.
        """
        last_ms = at_ms - gap_ms
        self._retell = True
        if gap_ms < SHORT_GAP_MS:
            return
        self._isolation.reset(last_ms)
        for book in self._transfers.values():
            book.reset(last_ms)
        for excess in self._excess.values():
            excess.reset()
        for duty in self._duty.values():
            duty.reset()
        if self._purge is not None:
            self._purge.reset(last_ms)
        if self._gas_use is not None:
            self._gas_use.reset()
        self._gap.resume(at_ms, gap_ms)

    def open_rows(self) -> Iterator[dict[str, Any]]:
        """Rows not yet closed; ``started_at_ms`` is watch time."""
        parts: list[IsolationBook | TransferBook | PurgeBook] = [self._isolation]
        parts += [*self._transfers.values(), *([] if self._purge is None else [self._purge])]
        yield from (row for part in parts if (row := part.status()) is not None)
        yield from self._gap.status()

    def outlook(self, at_ms: int) -> dict[str, Any]:
        """What status shows of the box's own figures."""
        return {
            "learning": self.learning(at_ms),
            "idle_ppm": {g: i.latest for g, i in self._idle.items()},
            "nights": {g: len(i.nights) for g, i in self._idle.items()},
            "ingress_ml_h": {g: i.latest for g, i in self._ingress.items()},
            "clean_up_s": self._impulses.clean_up_s,
            "best_clean_up_s": self._impulses.best_s,
            "idle_gas_loss_l_h": None if self._gas_use is None else self._gas_use.idle_l_h,
            "proven_ms": dict(self._impulses.proven_ms),
            "nitrogen": None if self._nitrogen is None else self._nitrogen.status(),
        }

    def _parts(self) -> Iterable[tuple[str, Kept]]:
        yield from (
            ("isolation", self._isolation),
            ("gap", self._gap),
            ("impulses", self._impulses),
        )
        single = {"purge": self._purge, "gas use": self._gas_use, "nitrogen": self._nitrogen}
        yield from ((name, part) for name, part in single.items() if part is not None)
        groups: dict[str, dict[str, Any]] = {
            "excess": self._excess,
            "idle": self._idle,
            "ingress": self._ingress,
            "transfer": self._transfers,
            "pump": self._pumps,
            "duty": self._duty,
        }
        for kind, parts in groups.items():
            yield from ((f"{kind} {name}", part) for name, part in parts.items())

    def save(self) -> dict[str, Any]:
        return {**super().save(), **{name: part.save() for name, part in self._parts()}}

    def restore(self, state: Any) -> None:
        super().restore(state)
        for name, part in self._parts():
            if name in state:
                part.restore(state[name])


def _spread(values: list[float]) -> float:
    """Standard deviation."""
    mean = sum(values) / len(values)
    return sqrt(sum((v - mean) ** 2 for v in values) / len(values))


def _frost_point(ppm: float | None, pressure_pa: float, quality: Quality) -> Reading:
    """Frost point over ice; beyond -110 or 0.01 °C that end of the range, marked so."""
    if ppm is None:
        return Reading(None, max(quality, Quality.NO_ANSWER))
    try:
        return Reading(frost_point_c(ppm, pressure_pa), quality)
    except OutOfRange:
        if ppm < 1.0:
            return Reading(FROST_LOW_C, max(quality, Quality.UNDER_RANGE))
        return Reading(0.01, max(quality, Quality.OVER_RANGE))
