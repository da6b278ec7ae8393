"""The excess of a trace gas over its baseline, and the dose that caused it.

Dose = flow x efficiency x area of the excess, plus what is still in the box at the end. A
first-order sensor changes the area by its lag times the change of its reading, more on the way
down than on the way up; that is taken out, so that a slow sensor gives the same dose.
"""

from __future__ import annotations

from statistics import median

from dewline.readings import Quality
from dewline.watch.ledgers.impulse import LEAST_PPM, Impulse
from dewline.watch.saved import Kept
from dewline.watch.signals.box_facts import BoxFacts
from dewline.watch.signals.bucket import Run
from dewline.watch.signals.signal_state import SignalState

MINUTE_MS = 60_000
BASELINE_MINUTES = 30
LEAST_SHARE = 0.3  # of the baseline, which an excess is above besides ``LEAST_PPM``
LONGEST_MS = {"oxygen": 2 * 3_600_000, "moisture": 6 * 3_600_000}
# How long an excess stays open after a door has closed, for the sensor's lag and the walls.
SETTLE_MS = {"oxygen": 5 * MINUTE_MS, "moisture": 15 * MINUTE_MS}
ISOLATED_MS = 10 * MINUTE_MS  # dead corners empty in about this time
# Time constants up and down, s, by kind of sensor. Common practice, no source.
LAG_S = {
    "electrochemical": (8.0, 12.0), "zirconia": (3.0, 3.0), "optical": (10.0, 10.0),
    "capacitive": (60.0, 180.0), "p2o5": (30.0, 60.0), "mirror": (60.0, 60.0), "laser": (5.0, 5.0),
}  # fmt: skip


class Excess(Kept):
    """Follows one trace gas of one box by runs of ten seconds.

    ``on``: there is an excess now. ``held``: a door is open, so that it may not end. ``steep``:
    it stands out by itself. ``_recent``: medians of the last minutes without an excess, whose
    median is the baseline; ``_near``: the last seven means. ``_over``: saturated since the last
    run; ``_at_least``: saturated at some time of this excess. ``_unknown``: the flow was not
    known at some time; ``_stood``: the loop stood all the time.
    """

    _minute: list[float]
    _minute_no: int = 0
    _recent: list[float]
    _near: list[float]
    on: bool = False
    held: bool = False
    steep: bool = False
    _started_ms: int = 0
    _base: float = 0.0
    _limit: float
    _area: float = 0.0
    _dose: float = 0.0
    _peak: float = 0.0
    _peak_ms: int = 0
    _tenth_ms: int | None = None
    _last: float = 0.0
    _last_ms: int = 0
    _below: int = 0
    _released_ms: int = 0
    _over: bool = False
    _at_least: bool = False
    _unknown: bool = False
    _stood: bool = True

    def __init__(self, facts: BoxFacts, role: str, signal: SignalState) -> None:
        self.role = role
        self._facts, self._signal = facts, signal
        kind = next((a.kind for a in facts.box.analyzers if a.role == role), "")
        self._lag_s = LAG_S.get(kind.lower(), (0.0, 0.0))
        self._minute = []
        self._recent = []
        self._near = []
        self._limit = _limit(role, 0.0)

    @property
    def baseline(self) -> float | None:
        """Median of the last half hour without an excess."""
        return median(self._recent) if self._recent else None

    def update(self, at_ms: int) -> None:
        """A reading was outside the band: one of a saturated sensor is an excess by itself."""
        if self._signal.quality == Quality.OVER_RANGE:
            self._over = True
            if not self.on:
                self._begin(at_ms, self._base_now(0.0))
                self.steep = True
            self._at_least = True

    def add_run(self, run: Run) -> Impulse | None:
        """Take in ten seconds of readings, ppm; gives the excess that ended with them.

        Outside an excess they add to the baseline, or begin an excess.
        """
        mean = run.mean
        if not self.on:
            self._learn(run.middle_ms, mean)
            if not self._stands_out(mean):
                self._note(run, mean)
                return None
            self._begin(run.from_ms, self._base_now(mean))
            self.steep = True
        ended = self._follow(run, mean)
        self._note(run, mean)
        return ended

    def open(self, at_ms: int) -> None:
        """A door opened: what comes in from now on belongs to it."""
        if not self.on:
            self._begin(at_ms, self._base_now(self._last))
        self.held = True

    def release(self, at_ms: int) -> None:
        """The door closed."""
        if self.held:
            self.held, self._released_ms = False, at_ms

    def so_far(self) -> Impulse | None:
        """The excess that goes on, as of the last run; None where there is none.

        Its dose counts what the bed has taken and what is still in the box.
        """
        if not self.on:
            return None
        return self._impulse(self._last_ms, self._last - self._base, settled=False)

    def reset(self) -> None:
        """Give up an excess after a gap: what came in meanwhile is not known."""
        self.on = self.held = False
        self._minute, self._near, self._over = [], [], False

    def _base_now(self, otherwise: float) -> float:
        baseline = self.baseline
        return otherwise if baseline is None else baseline

    def _learn(self, at_ms: int, mean: float) -> None:
        number = at_ms // MINUTE_MS
        if number != self._minute_no:
            if self._minute:
                self._recent = [*self._recent, median(self._minute)][-BASELINE_MINUTES:]
            self._minute, self._minute_no = [], number
        self._minute.append(mean)

    def _stands_out(self, mean: float) -> bool:
        """Above the baseline and up within a minute: a ramp is no impulse."""
        if len(self._recent) < 3 or not self._near:
            return False
        base = self._base_now(mean)
        limit = _limit(self.role, base)
        return mean - base > limit and mean - min(self._near) > limit / 2

    def _note(self, run: Run, mean: float) -> None:
        self._near = [*self._near, mean][-7:]
        self._last, self._last_ms, self._over = mean, run.to_ms, False

    def _begin(self, at_ms: int, base: float) -> None:
        self.on, self.steep = True, False
        self._started_ms = self._peak_ms = self._released_ms = at_ms
        self._base, self._limit = base, _limit(self.role, base)
        self._area = self._dose = self._peak = 0.0
        self._tenth_ms = None
        self._below = 0
        self._at_least = self._unknown = False
        self._stood = True

    def _follow(self, run: Run, mean: float) -> Impulse | None:
        excess, flow = mean - self._base, self._facts.cleaned_m3_h
        self._unknown |= flow is None
        self._stood &= not flow
        hours = run.hours
        if self._over:
            # Off the scale: at least the greatest reading before or after.
            gap_h = max(0, run.from_ms - max(self._last_ms, self._started_ms)) / 3_600_000
            self._add(max(self._peak, excess) * gap_h, flow)
        change = mean - (self._last if self._last_ms > self._started_ms else self._base)
        lag_h = self._lag_s[0 if change > 0 else 1] / 3600
        self._add(excess * hours + lag_h * change, flow)
        self._rise(excess, run.middle_ms)
        self._watch_decay(run, excess)
        return self._ended(run, excess)

    def _add(self, ppm_h: float, flow: float | None) -> None:
        self._area += ppm_h
        self._dose += ppm_h * (flow or 0.0)

    def _rise(self, excess: float, at_ms: int) -> None:
        if excess > self._peak:
            self._peak, self._peak_ms, self._tenth_ms = excess, at_ms, None
            self.steep = self.steep or excess > self._limit

    def _watch_decay(self, run: Run, excess: float) -> None:
        if self._tenth_ms is None and self._peak > 0 and excess <= self._peak / 10:
            before = self._last - self._base
            share = (before - self._peak / 10) / (before - excess) if before > excess else 1.0
            self._tenth_ms = round(run.middle_ms - (1 - min(1.0, max(0.0, share))) * 10_000)
        small = excess < max(self._limit / 2, 0.02 * self._peak)
        self._below = self._below + 1 if small else 0

    def _ended(self, run: Run, excess: float) -> Impulse | None:
        if self.held:
            return None
        since_ms = run.to_ms - max(self._released_ms, self._started_ms)
        late = run.to_ms - self._started_ms > LONGEST_MS[self.role]
        stood = self._stood and run.to_ms - max(self._peak_ms, self._released_ms) > ISOLATED_MS
        inside_band = self._below >= 6 and since_ms >= (
            SETTLE_MS[self.role] if self._door else 120_000
        )
        if not (late or stood or inside_band):
            return None
        self.on = False
        if late or stood:
            self._recent = []  # a new level, learned from here
        settled = stood or excess < 0.2 * self._peak or self._peak <= self._limit
        return self._impulse(run.to_ms, excess, settled)

    @property
    def _door(self) -> bool:
        return self._released_ms > self._started_ms

    def _impulse(self, at_ms: int, excess: float, settled: bool) -> Impulse:
        volume = self._facts.box.volume_m3
        known = volume is not None and not self._unknown
        dose = (self._dose + (volume or 0.0) * excess) * self._facts.to_standard
        tenth = None if self._tenth_ms is None else (self._tenth_ms - self._peak_ms) / 1000
        return Impulse(
            self.role, self._started_ms, at_ms, self._peak_ms, self._base, self._peak, self._area,
            dose if known else None, tenth, settled, self._at_least, self.steep, self._stood,
            self._door, self._tenth_times(tenth),
        )  # fmt: skip

    def _tenth_times(self, tenth_s: float | None) -> float | None:
        flow, volume = self._facts.cleaned_m3_h, self._facts.box.volume_m3
        if not tenth_s or not flow or volume is None or self._at_least or self._stood:
            return None
        return tenth_s / 3600 * flow / volume


def _limit(role: str, base: float) -> float:
    return LEAST_PPM[role] + LEAST_SHARE * max(0.0, base)
