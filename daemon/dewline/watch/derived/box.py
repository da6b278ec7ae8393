"""The figures and ledgers of one box, updated by changes, by ten seconds and by minutes."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import pairwise
from math import sqrt

from dewline.errors import OutOfRange
from dewline.gas.humidity import FROST_LOW_C, frost_point_c
from dewline.readings import Quality, Reading
from dewline.typed_json import Json
from dewline.watch.derived.box_parts import DUTIES, BoxParts
from dewline.watch.derived.outlook_table import BedOutlook, BoxOutlook
from dewline.watch.ledgers.impulse import Impulse
from dewline.watch.ledgers.impulses import By
from dewline.watch.ledgers.transfer import TransferBook
from dewline.watch.saved import Kept, State
from dewline.watch.signals.box_facts import (
    BoxFacts,
    Subscribe,
    flow_band,
    is_on,
    switch_band,
    worst,
)
from dewline.watch.signals.bucket import Bucket, Run
from dewline.watch.signals.signal_state import FIRST_BAD, FIRST_UNCERTAIN, SignalState

MINUTE_MS, DAY_MS = 60_000, 86_400_000
LEARNING_MS = 7 * DAY_MS
SHORT_GAP_MS = 2 * MINUTE_MS
AFTER_VALVE_MS = 2_000  # so long after a valve has moved, the pressure shows no hands
# Least jump and least unrest (standard deviation) of the pressure. Common practice, no source.
KICK_MBAR_S = 1.0
KICK_S = 2.0  # a kick lasts no longer, however seldom the pressure is read
UNREST_MBAR = 0.3

Publish = Callable[[str, Reading], None]


class BoxBooks(Kept):
    """All that is computed of one box, except for its purifier.

    ``publish`` is called with the role of each derived reading, ``add_dose`` with each excess
    that is over. ``first_ms``: when the box first had readings. ``_residuals``: by antechamber
    the residual last published. ``_republish``: figures that are published once an hour are due
    at once, after a gap. ``_fill_ms`` and ``_relief_ms``: when that valve last moved, and
    ``_valve_ms``: one of a purge or a chamber. ``_last_mbar``: the last pressure of the run that
    ended at ``_last_ms``.
    """

    first_ms: int | None = None
    _valve_ms: int = 0
    _fill_ms: int = 0
    _relief_ms: int = 0
    _last_mbar: float = 0.0
    _last_ms: int = 0
    _residuals: dict[str, float | None]
    _republish: bool = False

    def __init__(
        self, parts: BoxParts, publish: Publish, add_dose: Callable[[Impulse], None]
    ) -> None:
        self.parts, self.facts = parts, parts.facts
        self.publish, self._add_dose = publish, add_dose
        self._residuals = {}
        self.buckets: dict[Bucket, Callable[[int, Run], None]] = {}
        for gas, signal in self.parts.gas.items():
            self._hang(signal, partial(self._gas_run, gas), Bucket())
        if self.facts.pressure is not None:
            self._hang(self.facts.pressure, self._pressure_run, Bucket())
        for book in self.parts.transfers.values():
            if book.chamber.pressure is not None:
                self._hang(book.chamber.pressure, book.add_run, book.chamber.bucket)

    def _hang(
        self, signal: SignalState, add_run: Callable[[int, Run], None], bucket: Bucket
    ) -> None:
        signal.add_window(bucket)
        self.buckets[bucket] = add_run

    def subscribe(self, subscribe: Subscribe) -> None:
        """Subscribe to the changes that have to be known at once.

        These are the loop, valves and doors, a purge, and saturated readings of the trace gases.
        """
        facts, parts = self.facts, self.parts

        def switch(signal: SignalState | None, update: Callable[[int], None]) -> None:
            if signal is not None:
                subscribe(signal, update, switch_band)

        switch(facts.find("circulating"), parts.isolation.update)
        if (flow := facts.find("circulation_flow")) is not None:
            subscribe(flow, parts.isolation.update, lambda signal: flow_band(signal, facts))
        for gas, signal in parts.gas.items():
            subscribe(signal, parts.excess[gas].update)
        for role, duty in parts.duty.items():
            switch(facts.own(DUTIES[role]), duty.update)
        if parts.gas_use is not None:
            switch(facts.own("fill_valve"), parts.gas_use.fill.update)
            if parts.gas_use.relief is not None:
                switch(facts.own("relief_valve"), parts.gas_use.relief.update)
        if parts.purge is not None:
            switch(facts.own("purging"), parts.purge.update)
            switch(facts.own("purging"), self._update_purge_limits)
        for role in ("purging", "foot_pedal"):
            switch(facts.own(role), self._valve_moved)
        switch(facts.own("fill_valve"), self._fill_moved)
        switch(facts.own("relief_valve"), self._relief_moved)
        for book in parts.transfers.values():
            chamber = book.chamber
            for valve in (chamber.evacuating, chamber.refilling):
                switch(valve, self._valve_moved)
            for part in (chamber.evacuating, chamber.refilling, chamber.outer, chamber.inner):
                switch(part, partial(self._chamber_moved, book))

    # ---------------------------------------------------------------- changes and ten seconds

    def run(self, at_ms: int, bucket: Bucket) -> None:
        """Ten seconds of a signal of the box are complete in ``bucket``."""
        if (run := bucket.fetch()) is not None:
            self.buckets[bucket](at_ms, run)

    def _fill_moved(self, at_ms: int) -> None:
        self._fill_ms = at_ms
        self._disturbed_by_purge(at_ms)

    def _relief_moved(self, at_ms: int) -> None:
        self._relief_ms = at_ms
        self._disturbed_by_purge(at_ms)

    def _valve_moved(self, at_ms: int) -> None:
        self._valve_ms = at_ms
        self._disturbed_by_purge(at_ms)

    def _disturbed_by_purge(self, at_ms: int) -> None:
        if self.facts.in_modes("purging"):
            self.parts.isolation.disturb(at_ms)

    def _minute_of_purges(self, at_ms: int, hourly: bool) -> None:
        if hourly or any(part.purging for part in self.parts.purge_limit.values()):
            self._update_purge_limits(at_ms)

    def _update_purge_limits(self, at_ms: int) -> None:
        for gas, part in self.parts.purge_limit.items():
            ppm = part.update(at_ms)
            quality = Quality.GOOD if ppm is not None else Quality.NO_ANSWER
            self.publish(f"{gas}_purge_limit", Reading(ppm, quality))

    def _chamber_moved(self, book: TransferBook, at_ms: int) -> None:
        opened, closed = book.update(at_ms)
        if opened:
            for excess in self.parts.excess.values():
                excess.open(at_ms)
        if closed and not any(b.inner_open for b in self.parts.transfers.values()):
            for excess in self.parts.excess.values():
                excess.release(at_ms)
        if opened or closed:
            self.parts.isolation.disturb(at_ms)

    def _gas_run(self, gas: str, at_ms: int, run: Run) -> None:
        self.parts.isolation.add_run(gas, run)
        self.parts.ingress[gas].add_run(run)
        excess = self.parts.excess[gas]
        impulse = excess.add_run(run)
        if gas == "oxygen" and excess.steep and excess.on:
            self.parts.isolation.disturb(at_ms)
        if impulse is not None:
            self._record_impulse(at_ms, impulse)

    def _record_impulse(self, at_ms: int, impulse: Impulse) -> None:
        """Record an excess that is over; it belongs to the transfer whose inner door was opened."""
        parts = self.parts
        mine = [b for b in parts.transfers.values() if b.waits_for(impulse.role)]
        by: By | None = "transfer" if mine or impulse.door else None
        if by is None and self.facts.in_modes("purging"):
            by = "purge"
        elif by is None and self.facts.in_modes("opened", "recovering", "solvent-work"):
            by = "opening"
        expected = sum(b.expected_cm3 or 0.0 for b in mine) if mine else None
        if by in {"purge", "opening"}:  # the bed was not alone in cleaning it
            impulse = impulse._replace(tenth_times=None)
        impulse = parts.impulses.without_slip(impulse)
        parts.impulses.record(impulse, by, expected)
        if impulse.seen:
            self._add_dose(impulse)
            if parts.nitrogen is not None and "oxygen" in parts.ingress:
                parts.nitrogen.add_dose(impulse, *parts.ingress["oxygen"].balanced_ms)
        for book in mine:
            book.add_dose(at_ms, impulse)
        if impulse.role == "oxygen":
            self._publish_number("clean_up_time", parts.impulses.clean_up_s)

    def _pressure_run(self, at_ms: int, run: Run) -> None:
        """Find hands in the gloves: they move the pressure as no valve that works just now does.

        A fill only raises it and a relief only lowers it.
        """
        before = [self._last_mbar] if self._last_ms == run.from_ms else []
        self._last_mbar, self._last_ms = run.values[-1], run.to_ms
        signals = [self.facts.own("purging")]
        for book in self.parts.transfers.values():
            signals += [book.chamber.evacuating, book.chamber.refilling]
        if run.from_ms - self._valve_ms < AFTER_VALVE_MS or any(is_on(s) for s in signals):
            return
        fills = self._works("fill_valve", self._fill_ms, run)
        relieves = self._works("relief_valve", self._relief_ms, run)
        if moved_by_hands(run, before, fills=fills, relieves=relieves):
            self.facts.modes.mark_working(at_ms)

    def _works(self, role: str, moved_ms: int, run: Run) -> bool:
        return run.from_ms - moved_ms < AFTER_VALVE_MS or is_on(self.facts.own(role)) is True

    # ---------------------------------------------------------------- minutes

    def minute(self, at_ms: int, day: int, minute: int) -> None:
        """Every minute; ``minute`` after local midnight of ``day``.

        Publishes what is due and closes the rows that time alone closes.
        """
        parts = self.parts
        if self.first_ms is None:
            if all(s.value is None for s in parts.gas.values()):
                return
            self.first_ms = at_ms
        parts.minute(at_ms)
        hourly, self._republish = self._republish or minute % 60 == 0, False
        self._minute_of_chambers(at_ms, hourly)
        if "moisture" in parts.gas:
            reading = frost_point(at_ms, parts.gas["moisture"], self.facts)
            self.publish("frost_point_calc", reading)
        for gas, idle in parts.idle.items():
            fresh = worst(at_ms, parts.gas[gas]) < FIRST_UNCERTAIN
            if idle.minute(day, minute, fresh) or hourly:
                self._publish_idle(at_ms, gas)
        for role, duty in parts.duty.items():
            self._publish_number(role, duty.minute(at_ms))
        if parts.gas_use is not None:
            self._publish_number("gas_use", parts.gas_use.minute(at_ms, day, minute))
            if hourly:
                self._publish_number("gas_idle", parts.gas_use.night_l_h)
        for gas, ingress in parts.ingress.items():
            source = ingress.close_window(at_ms) if minute % 10 == 0 else None
            if source is not None:
                self.publish(f"{gas}_ingress", source)
        if hourly:
            self._publish_number("clean_up_time", parts.impulses.clean_up_s)
        self._minute_of_purges(at_ms, hourly)
        if parts.nitrogen is not None:
            latest = parts.ingress["oxygen"].latest if "oxygen" in parts.ingress else None
            calm = "oxygen" not in parts.excess or not parts.excess["oxygen"].on
            parts.nitrogen.minute(at_ms, *(latest or (None, 0.0)), calm=calm)

    def _minute_of_chambers(self, at_ms: int, hourly: bool) -> None:
        for name, book in self.parts.transfers.items():
            book.minute(at_ms)
            for done in book.chamber.fetch_pump_downs():
                self.parts.pumps[name].record(done)
            residual = book.chamber.residual_ppm
            if residual is not None and (hourly or residual != self._residuals.get(name)):
                quality = worst(at_ms, book.chamber.pressure)
                bad = quality >= FIRST_BAD
                self.publish(f"{name}_residual", Reading(None if bad else residual, quality))
            self._residuals[name] = residual

    def learning(self, at_ms: int) -> bool:
        """Whether it is within the first seven days, in which its own figures are unproven."""
        return self.first_ms is None or at_ms - self.first_ms < LEARNING_MS

    def _publish_number(self, role: str, value: float | None) -> None:
        if value is not None:
            self.publish(role, Reading(value, Quality.GOOD))

    def _publish_idle(self, at_ms: int, gas: str) -> None:
        """Unproven while the box is learning, so that no rule compares with it then."""
        latest = self.parts.idle[gas].latest
        if latest is not None:
            quality = Quality.UNPROVEN if self.learning(at_ms) else Quality.GOOD
            self.publish(f"{gas}_idle", Reading(latest, quality))

    def night(self, gas: str, day: int) -> tuple[float, float, bool] | None:
        """Idle ppm, cleaned m³/h and whether at the floor, of the night of ``day``."""
        idle = self.parts.idle.get(gas)
        if idle is None or not idle.nights:
            return None
        night = idle.nights[-1]
        if night.day != day or night.cleaned_m3_h is None:
            return None
        return night.ppm, night.cleaned_m3_h, bool(night.floored)

    # ---------------------------------------------------------------- gaps, state, tables

    def resume(self, at_ms: int, gap_ms: int) -> None:
        """Go on after ``gap_ms`` without items.

        After less than two minutes everything goes on; after more, what was open is closed where
        the watching ended.
        """
        self._republish = True
        if gap_ms >= SHORT_GAP_MS:
            self.parts.reset(at_ms - gap_ms)
            self.parts.gap.resume(at_ms, gap_ms)

    def outlook(self, at_ms: int, bed: BedOutlook | None) -> BoxOutlook:
        """The box's own figures, as status shows them."""
        return self.parts.outlook(self.learning(at_ms), bed)

    def save(self) -> dict[str, Json]:
        """Everything, its parts beside its own attributes."""
        return {**super().save(), **{name: part.save() for name, part in self.parts.named()}}

    def restore(self, state: State) -> None:
        """Take over a saved state, as far as the box has the parts for it."""
        super().restore(state)
        for name, part in self.parts.named():
            saved = state.get(name)
            if isinstance(saved, dict):
                part.restore(saved)


def frost_point(at_ms: int, moisture: SignalState, facts: BoxFacts) -> Reading:
    """Frost point over ice, °C, at the pressure of the box.

    Its quality is that of the worst input. Beyond -110 or 0.01 °C it is that end of the range,
    marked as beyond it.
    """
    quality = worst(at_ms, moisture, facts.pressure, facts.barometer)
    ppm = moisture.value
    if ppm is None or quality >= FIRST_BAD:
        return Reading(None, max(quality, Quality.NO_ANSWER))
    try:
        return Reading(frost_point_c(ppm, facts.pressure_pa), quality)
    except OutOfRange:
        if ppm < 1.0:
            return Reading(FROST_LOW_C, max(quality, Quality.UNDER_RANGE))
        return Reading(0.01, max(quality, Quality.OVER_RANGE))


def moved_by_hands(run: Run, before: list[float], *, fills: bool, relieves: bool) -> bool:
    """Whether the pressures of a stretch, mbar, jump or vary as hands in the gloves make them.

    Jumps in the direction of a valve that works do not count, and unrest only while none does.
    ``before``: the pressure just before the stretch, where it is known.
    """
    step_s = min(KICK_S, (run.to_ms - run.from_ms) / 1000 / len(run.values))
    jumps = [b - a for a, b in pairwise([*before, *run.values])]
    kick = max(
        0.0,
        0.0 if fills else max(jumps, default=0.0),
        0.0 if relieves else -min(jumps, default=0.0),
    )
    unrest = not fills and not relieves and _deviation(run.values) > UNREST_MBAR
    return kick > KICK_MBAR_S * step_s or unrest


def _deviation(values: list[float]) -> float:
    mean = sum(values) / len(values)
    return sqrt(sum((v - mean) ** 2 for v in values) / len(values))
