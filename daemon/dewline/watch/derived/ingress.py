"""What comes in, mL/h at 0 °C, 1013.25 mbar, from the balance of the box.

G = eta Q (C - C_out) + V dC/dt over ten minutes. Oxygen from either state of the
loop; water only while it runs and has run for an hour, because walls hide most
of an isolated rise. Both sit on the sensor's zero: eta Q times its uncertainty
is the uncertainty of the source.
"""

from __future__ import annotations

from typing import NamedTuple

from dewline.gas.cleanup import source_isolated_cm3_h
from dewline.readings import Quality, Reading
from dewline.watch.derived.bucket import Run
from dewline.watch.derived.facts import BED_EFFICIENCY, BoxFacts, worst
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState
from dewline.watch_plan import Mode

EVERY_MS = 10 * 60_000
SETTLED_MS = {"oxygen": 10 * 60_000, "moisture": 60 * 60_000}
NOT_WHILE: tuple[Mode, ...] = ("purging", "transferring", "opened")
FEWEST_RUNS = 30


class Source(NamedTuple):
    """mL/h at 0 °C, 1013.25 mbar, and what the zero uncertainty makes of it."""

    ml_h: float
    uncertainty_ml_h: float


class Ingress(Kept):
    """One gas of one box."""

    KEPT = ("_area", "_hours", "_runs", "_first", "_last", "_steady_ms", "_running", "latest")

    def __init__(self, facts: BoxFacts, gas: str, signal: SignalState) -> None:
        self._facts, self._gas, self._signal = facts, gas, signal
        self._outlet = facts.outlets[gas]
        self._steady_ms = 0  # since when the loop runs, or stands, and nothing disturbs
        self._running: bool | None = None
        self.latest: list[float] | None = None  # the last Source
        self._reset()

    def _reset(self) -> None:
        self._area = self._hours = 0.0
        self._runs = 0
        self._first = self._last = 0.0

    def take(self, run: Run) -> None:
        """Ten seconds of the gas."""
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
        """Since when it may count what comes in, and since when it surely counts all of it."""
        first_ms = self._steady_ms + SETTLED_MS[self._gas]
        return first_ms, first_ms + EVERY_MS  # a first short window is thrown away

    def tell(self, at_ms: int) -> Reading | None:
        """Every ten minutes: the source of the last ten; None where there is none to tell."""
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
        self.latest = list(source)
        quality = worst(at_ms, self._signal)
        bad = quality >= FIRST_BAD
        return Reading(None if bad else source.ml_h, max(quality, Quality.GOOD))

    def _zero(self) -> float:
        """eta Q times the sensor's zero uncertainty, cm³/h; none while the loop stands."""
        flow = self._facts.flow_m3_h or 0.0
        return BED_EFFICIENCY * flow * self._facts.zero_ppm.get(self._gas, 0.0)
