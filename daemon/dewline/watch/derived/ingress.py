"""Source of a trace gas in a box, mL/h at 0 °C and 1013.25 mbar, from the balance of the box.

G = eta Q (C - C_out) + V dC/dt over ten minutes, with the flow Q, the efficiency eta of the bed,
its outlet C_out and the volume V. Oxygen with the loop on or off; water only after the loop has
run for an hour, because in a stopped box the walls hide most of a rise. The zero error of the
sensor is in it: eta Q times its uncertainty is the uncertainty of the source.
"""

from __future__ import annotations

from typing import NamedTuple

from dewline.gas.cleanup import source_isolated_cm3_h
from dewline.readings import Quality, Reading
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BED_EFFICIENCY, BoxFacts, worst
from dewline.watch.signals.bucket import Run
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState
from dewline.watch_plan import Mode

EVERY_MS = 10 * 60_000
SETTLED_MS = {"oxygen": 10 * 60_000, "moisture": 60 * 60_000}
NOT_WHILE: tuple[Mode, ...] = ("purging", "transferring", "opened")
FEWEST_RUNS = 30


class Source(NamedTuple):
    """A source and its uncertainty from the sensor's zero, mL/h at 0 °C, 1013.25 mbar."""

    ml_h: float
    uncertainty_ml_h: float


class Ingress(Kept):
    """One gas of one box. ``latest``: the last source found.

    ``_area``: flow times excess over the outlet, summed over time (m³ ppm). ``_steady_ms``: since
    when the loop runs, or stands, without a disturbance.
    """

    _area: float = 0.0
    _hours: float = 0.0
    _runs: int = 0
    _first: float = 0.0
    _last: float = 0.0
    _steady_ms: int = 0
    _running: bool | None = None
    latest: Source | None = None

    def __init__(self, facts: BoxFacts, gas: str, signal: SignalState) -> None:
        self._facts, self._gas, self._signal = facts, gas, signal
        self._outlet = facts.outlets[gas]

    def _reset(self) -> None:
        self._area = self._hours = 0.0
        self._runs = 0
        self._first = self._last = 0.0

    def add_run(self, run: Run) -> None:
        """Take in ten seconds of the gas, ppm.

        After a start or stop of the loop, a purge or a transfer the balance begins again, once
        the box has settled.
        """
        running = self._facts.circulating
        if running != self._running or self._facts.in_modes(*NOT_WHILE):
            self._running, self._steady_ms = running, run.to_ms
            self._reset()
        flow = self._facts.cleaned_m3_h
        if flow is None or run.from_ms - self._steady_ms < SETTLED_MS[self._gas]:
            return
        mean = run.mean
        if not self._runs:
            self._first = mean
        outlet = self._facts.value(self._outlet, 0.0)
        self._area += flow * (mean - outlet) * run.hours
        self._hours += run.hours
        self._runs, self._last = self._runs + 1, mean

    @property
    def balanced_ms(self) -> tuple[int, int]:
        """Since when sources are found at all, and since when they surely hold all that came in."""
        first_ms = self._steady_ms + SETTLED_MS[self._gas]
        return first_ms, first_ms + EVERY_MS  # a first short window is thrown away

    def close_window(self, at_ms: int) -> Reading | None:
        """The source over the ten minutes that end now, mL/h; None where too little is known.

        Its quality is that of the gas.
        """
        runs, volume = self._runs, self._facts.box.volume_m3
        stands = self._running is False
        if runs < FEWEST_RUNS or volume is None or (stands and self._gas == "moisture"):
            self._reset()
            self.latest = None if stands else self.latest
            return None
        between_h = self._hours * (runs - 1) / runs  # from the middle of the first run to the last
        change = source_isolated_cm3_h((self._last - self._first) / between_h, volume)
        standard = self._facts.to_standard
        source = Source((self._area / self._hours + change) * standard, self._zero() * standard)
        self._reset()
        self.latest = source
        quality = worst(at_ms, self._signal)
        bad = quality >= FIRST_BAD
        return Reading(None if bad else source.ml_h, max(quality, Quality.GOOD))

    def _zero(self) -> float:
        """eta Q times the sensor's zero uncertainty, cm³/h; none while the loop stands."""
        flow = self._facts.flow_m3_h or 0.0
        return BED_EFFICIENCY * flow * self._facts.zero_ppm.get(self._gas, 0.0)
