"""Gas drawn from the supply, from the pressure steps of fills, and how much of it was lost.

A fill lifts the box by dp and brings (V/p + C) dp, with C the compliance of gloves and window,
and what went on into an antechamber meanwhile. Without a flow meter C is taken as usual; V/p
alone gives a third to two thirds of the truth. A box that cools by 3 K, or a barometer that
rises by 20 mbar, draws as much gas in a night as a hole does, so the change of the box's content
is taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from dewline.gas.constants import ATM_PA, ZERO_C_K
from dewline.watch.derived.idle import DISTURBED
from dewline.watch.ledgers.rows import RowBook
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts, is_on, sound
from dewline.watch.signals.signal_state import SignalState

# Two taut gloves and a window, L/mbar; 0.4 to 1.6 are seen. Common practice, no source.
COMPLIANCE_L_MBAR = 0.7
HOURS_KEPT = 24
FEWEST_HOURS = 0.5
IDLE_HOURS = range(2, 5)
FEWEST_IDLE_HOURS = 2
LONGEST_MINUTE_MS = 90_000


class Moved(NamedTuple):
    """What a valve has moved: litres at 0 °C and 1013.25 mbar, seconds open, openings."""

    litres: float
    seconds: float
    times: int


class Valve(Kept):
    """Counts the gas that one valve moves, litres at 0 °C, 1013.25 mbar.

    ``sign``: 1 where the pressure rises while it is open, -1 where it falls. ``beside_l`` gives
    the gas in what is filled from the box at the same time.
    """

    _open: bool | None = None
    _from_mbar: float = 0.0
    _from_ms: int = 0
    _beside_l: float = 0.0
    litres: float = 0.0
    seconds: float = 0.0
    times: int = 0

    def __init__(
        self, facts: BoxFacts, signal: SignalState, sign: int, beside_l: Callable[[], float] = float
    ) -> None:
        self._facts, self._signal, self._sign = facts, signal, sign
        self._beside = beside_l

    def update(self, at_ms: int) -> None:
        """The valve may have opened or shut: count what it moved while it was open.

        That is the pressure step of the box times the gas for 1 mbar, and what is filled beside.
        """
        state = is_on(self._signal)
        pressure = sound(self._facts.pressure)
        if state and self._open is False and pressure is not None:
            self._from_mbar, self._from_ms = pressure, at_ms
            self._beside_l = self._beside()
            self.times += 1
        elif state is False and self._open and self._from_ms:
            self.seconds += (at_ms - self._from_ms) / 1000
            if pressure is not None:
                step = self._sign * (pressure - self._from_mbar) * litres_per_mbar(self._facts)
                self.litres += max(0.0, step + max(0.0, self._beside() - self._beside_l))
            self._from_ms = 0
        self._open = state if state is not None else self._open

    def reset(self) -> None:
        """Forget the state of the valve, after a gap."""
        self._open, self._from_ms = None, 0

    def fetch(self) -> Moved:
        """What it moved since the last call."""
        found = Moved(self.litres, self.seconds, self.times)
        self.litres, self.seconds, self.times = 0.0, 0.0, 0
        return found


def litres_per_mbar(facts: BoxFacts) -> float:
    """Gas, L at 0 °C, 1013.25 mbar, that lifts the box by 1 mbar."""
    rigid = (facts.box.volume_m3 or 0.0) * 1e3 * 100 / facts.pressure_pa
    return (rigid + COMPLIANCE_L_MBAR) * facts.to_standard


def content_l(facts: BoxFacts) -> float:
    """Gas in the box, L at 0 °C, 1013.25 mbar."""
    volume_l = (facts.box.volume_m3 or 0.0) * 1e3
    return volume_l * facts.pressure_pa / ATM_PA * ZERO_C_K / facts.kelvin


class GasUse(Kept):
    """One box with a fill valve, hour by hour for a day; a ledger row at local midnight.

    ``night_l_h``: loss of the last night that was quiet enough. ``_hours``: of the last 24 the
    gas used, L, and how much of the hour was watched. ``_totals``: sums of the day.
    ``_quiet``: nothing has disturbed this hour so far. ``_idle``: losses of this night's quiet
    hours, L/h.
    """

    fill: Valve
    relief: Valve | None
    _metered_l: float = 0.0
    _hours: list[tuple[float, float]]
    _passed_h: float = 0.0
    _content_l: float | None = None
    _last_ms: int = 0
    _quiet: bool = True
    _day: int = 0
    _day_ms: int = 0
    _totals: list[float]
    _idle: list[float]
    _purged_s: float = 0.0
    night_l_h: float | None = None

    def __init__(
        self, facts: BoxFacts, fill: SignalState, relief: SignalState | None, rows: RowBook
    ) -> None:
        self._facts, self._rows = facts, rows
        self._flow = facts.own("flow")
        self.fill = Valve(facts, fill, 1, self._chambers_l)
        self.relief = Valve(facts, relief, -1) if relief is not None else None
        self._hours = []
        self._totals = [0.0] * 5
        self._idle = []

    def minute(self, at_ms: int, day: int, minute: int) -> float | None:
        """Every minute, ``minute`` after local midnight of ``day``.

        Gives the use of the last 24 h in L/d at the full hour, else None.
        """
        passed_ms = at_ms - self._last_ms if self._last_ms else 0
        self._last_ms = at_ms
        if passed_ms <= LONGEST_MINUTE_MS:
            self._meter(passed_ms)
            self._passed_h += passed_ms / 3_600_000
        known = sound(self._facts.pressure) is not None  # of a frozen panel no hour counts as quiet
        self._quiet &= known and not self._facts.in_modes(*DISTURBED)
        if self._content_l is None:
            self._content_l = content_l(self._facts)
            self._day, self._day_ms = day, at_ms
        if day != self._day:
            self._close_day(at_ms, day)
        return self._hour(minute // 60) if minute % 60 == 0 else None

    def reset(self) -> None:
        """Start anew after a gap: the fills meanwhile are not known."""
        for valve in (self.fill, self.relief):
            if valve is not None:
                valve.reset()
        self._content_l, self._quiet, self._last_ms = None, False, 0
        self._hours, self._passed_h = [], 0.0

    @property
    def idle_l_h(self) -> float | None:
        """Loss of the last undisturbed hours of a night, L/h."""
        return sum(self._idle) / len(self._idle) if self._idle else None

    def _chambers_l(self) -> float:
        """Gas in antechambers that are refilled from the box, L at 0 °C, 1013.25 mbar."""
        facts = self._facts
        if facts.box.refill_from != "box":
            return 0.0
        held = 0.0
        for chamber in facts.box.antechambers:
            mbar = facts.value(facts.own(f"{chamber.name}_pressure"), 0.0)
            held += chamber.volume_m3 * 1e3 * mbar * 100 / facts.pressure_pa
        return held * facts.to_standard

    def _meter(self, passed_ms: int) -> None:
        flow = sound(self._flow)
        if flow is not None:
            self._metered_l += flow * passed_ms / 60_000
        if self._facts.in_modes("purging"):
            self._purged_s += passed_ms / 1000

    def _hour(self, ended_hour: int) -> float | None:
        """Close an hour; gives the use of the last 24 h in L/d if enough of them was watched."""
        litres, seconds, times = self.fill.fetch()
        if self._flow is not None:
            litres, self._metered_l = self._metered_l, 0.0
        vented = self.relief.fetch().litres if self.relief is not None else 0.0
        now = content_l(self._facts)
        gained = now - (self._content_l if self._content_l is not None else now)
        self._content_l = now
        lost = litres - vented - gained
        self._hours = [*self._hours, (litres - gained, self._passed_h)][-HOURS_KEPT:]
        if self._quiet and (ended_hour - 1) % 24 in IDLE_HOURS and self._passed_h > 0.9:
            self._idle = [*self._idle, lost / self._passed_h][-len(IDLE_HOURS) :]
        if ended_hour == IDLE_HOURS.stop and len(self._idle) >= FEWEST_IDLE_HOURS:
            self.night_l_h = self.idle_l_h
        self._passed_h = 0.0
        self._quiet = True
        for i, value in enumerate((litres, vented, gained, times, seconds)):
            self._totals[i] += value
        used, hours = (sum(hour[i] for hour in self._hours) for i in (0, 1))
        return 24 * used / hours if hours >= FEWEST_HOURS else None

    def _close_day(self, at_ms: int, day: int) -> None:
        """Write the row. ``corrected_l``: without the change of the box's own content."""
        used, vented, gained, times, seconds = self._totals
        document = {
            "used_l": used,
            "corrected_l": used - gained,
            "vented_l": vented,
            "content_change_l": gained,
            "fills": round(times),
            "fill_s": seconds,
            "purged_s": self._purged_s,
            "idle_night_l_h": self.idle_l_h,
            "measured_by": "flow" if self._flow is not None else "pressure steps",
            "hours": (at_ms - self._day_ms) / 3_600_000,
        }
        self._rows.close(self._facts.name, "gas-use", self._day_ms, at_ms, document)
        self._totals, self._idle, self._purged_s = [0.0] * 5, [], 0.0
        self._day, self._day_ms = day, at_ms
