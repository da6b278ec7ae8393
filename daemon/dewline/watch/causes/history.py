"""The last three days of a box: every role each 10 s for 30 min, each minute for 4 h, each 10 min
for 72 h.

Kept as numbers with six digits, so that a restored history is the same one. Nothing here is wall
time: the number of a sample is its watch time over ten seconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from itertools import islice
from statistics import fmean, median
from typing import NamedTuple

from dewline.events import Trend
from dewline.readings import Quality
from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import SignalState

SAMPLE_MS = 10_000
# Besides good readings: a saturated one is at least so high, an unproven one is what is shown.
USED = frozenset(
    {Quality.GOOD, Quality.LOW, Quality.OVER_RANGE, Quality.UNDER_RANGE, Quality.UNPROVEN}
)
FINE, MID, SLOW = 180, 240, 432
MIN_MS, SLOW_MS = 60_000, 600_000
NIGHTS = 40
# A trend that is told: over so many minutes, of so many samples at least, so much of the value.
# Common practice, no source.
TREND_MIN, FEWEST_OF_TREND, TREND_SHARE = 3.0, 12, 0.05

Series = list[tuple[float, float]]  # minutes before now (negative), value


class Track(Kept):
    """One role on three grids, None where there was no usable reading."""

    __slots__ = ("fine", "is_bit", "mid", "signal", "slow")
    fine: deque[float | None]
    mid: deque[float | None]
    slow: deque[float | None]

    def __init__(self, signal: SignalState) -> None:
        self.signal = signal
        self.is_bit = signal.unit in (None, "")
        self.fine = deque(maxlen=FINE)
        self.mid = deque(maxlen=MID)
        self.slow = deque(maxlen=SLOW)

    def sample(self, at_ms: int) -> None:
        """Every ten seconds: keep the reading, if it is usable and not overdue."""
        signal = self.signal
        value = signal.value
        lives = signal.quality in USED and at_ms - signal.alive_ms < signal.stale_ms
        self.fine.append(_short(value) if lives and value is not None else None)

    def skip(self, samples: int, minutes: int, tens: int) -> None:
        """Leave so many samples, minutes and ten minutes unknown."""
        self.fine.extend([None] * min(samples, FINE))
        self.mid.extend([None] * min(minutes, MID))
        self.slow.extend([None] * min(tens, SLOW))

    def minute(self) -> None:
        """Every minute: keep the level of its six samples."""
        self.mid.append(self._one(islice(reversed(self.fine), 6)))

    def ten_minutes(self) -> None:
        """Every ten minutes: keep the level of these minutes."""
        self.slow.append(self._one(islice(reversed(self.mid), 10)))

    def _one(self, values: Iterable[float | None]) -> float | None:
        """Of a bit the share of time on, else the median, which a short jump does not move."""
        known = [v for v in values if v is not None]
        if not known:
            return None
        return _short(fmean(known) if self.is_bit else median(known))


class Birth(NamedTuple):
    """The onset of a rise that goes on, as a sample number, and how long the rise took."""

    onset: float
    rise_min: float


class History(Kept):
    """All roles of one box, its purifier, its supply and the room.

    ``number``: of the last sample. ``nights``: idle baselines by gas, newest last. ``births``:
    by gas the rise that goes on, as seen on the finest grid.
    """

    number: int = 0
    nights: dict[str, list[float]]
    births: dict[str, Birth]
    tracks: dict[str, Track]

    def __init__(self, tracks: dict[str, SignalState]) -> None:
        self.tracks = {role: Track(signal) for role, signal in tracks.items()}
        self.nights = {}
        self.births = {}

    def sample(self, at_ms: int) -> None:
        """Every ten seconds: sample all roles, and on the minute fill the coarser grids.

        Samples missed since the last one, in a gap, are unknown.
        """
        number = at_ms // SAMPLE_MS
        missed = number - self.number - 1
        if self.number and missed > 0:
            self._skip(missed)
        self.number = number
        minute, ten = number % 6 == 0, number % 60 == 0
        for track in self.tracks.values():
            track.sample(at_ms)
            if minute:
                track.minute()
            if ten:
                track.ten_minutes()

    def _skip(self, missed: int) -> None:
        first = self.number + 1
        minutes = (first + missed) // 6 - first // 6
        tens = (first + missed) // 60 - first // 60
        for track in self.tracks.values():
            track.skip(missed, minutes, tens)

    def add_night(self, gas: str, ppm: float) -> None:
        """Add an idle baseline."""
        self.nights[gas] = [*self.nights.get(gas, []), _short(ppm)][-NIGHTS:]

    # ---------------------------------------------------------------- the past

    def has(self, role: str) -> bool:
        """Whether the box has a signal of this role."""
        return role in self.tracks

    def now(self, role: str) -> float | None:
        """The last usable reading; None where there is none younger than ten seconds."""
        track = self.tracks.get(role)
        if track is None or not track.fine or track.signal.quality not in USED:
            return None
        return None if track.fine[-1] is None else track.signal.value

    def level(self, role: str) -> float | None:
        """The level now: median of half a minute, or the last reading where it has jumped.

        A jump is more than 0.3 and 30 % of the median.
        """
        track = self.tracks.get(role)
        if track is None:
            return None
        known = [v for v in islice(reversed(track.fine), 3) if v is not None]
        live = self.now(role)
        if not known or live is None:
            return median(known) if known else live
        middle = median(known)
        return live if abs(live - middle) > 0.3 + 0.3 * abs(middle) else middle

    def series(self, role: str, minutes: float) -> Series:
        """The last ``minutes``, oldest first, on the finest grid that holds so many.

        Each point is its time in minutes (0 is now, the past is negative) and the value.
        """
        track = self.tracks.get(role)
        if track is None:
            return []
        if minutes <= FINE / 6:
            live = self.now(role)
            return _laid(track.fine, 1 / 6, minutes) + ([] if live is None else [(0.0, live)])
        if minutes <= MID:
            return _laid(track.mid, 1.0, minutes)
        return _laid(track.slow, 10.0, minutes)

    def values(self, role: str, from_min: float, to_min: float = 0.0) -> list[float]:
        """Values between so many and so many minutes ago."""
        return [v for t, v in self.series(role, from_min) if t <= -to_min]

    def trend(self, role: str) -> Trend | None:
        """Where a level goes: over the last minute, and over three where that says no more.

        None where it stays, where the minute contradicts the three, or nothing is known.
        """
        track = self.tracks.get(role)
        values = self.values(role, TREND_MIN)
        if track is None or track.is_bit or len(values) < FEWEST_OF_TREND:
            return None
        now, minute_ago, first = (median(part) for part in (values[-3:], values[-8:-5], values[:3]))
        least = TREND_SHARE * max(abs(now), abs(minute_ago))
        change = now - minute_ago
        if abs(change) < least and change * (now - first) > 0:
            change = now - first
        if abs(change) < least:
            return None
        return "rising" if change > 0 else "falling"

    def typical(self, role: str, from_min: float, to_min: float) -> float | None:
        """Median of ``values``; None where fewer than three are known."""
        found = self.values(role, from_min, to_min)
        return median(found) if len(found) >= 3 else None

    def share_on(self, role: str, from_min: float, to_min: float = 0.0) -> float | None:
        """Share of the time that a switch was on; None where nothing is known."""
        found = self.values(role, from_min, to_min)
        return fmean(found) if found else None


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _laid(
    ring: Sequence[float | None] | deque[float | None], step: float, minutes: float
) -> Series:
    count = min(len(ring), int(minutes / step) + 1)
    newest = list(islice(reversed(ring), count))
    return [(-i * step, v) for i, v in reversed(list(enumerate(newest))) if v is not None]
