"""What a box did lately: every role every ten seconds for 30 min, every minute for 4 h, every
ten minutes for three days.

Kept as numbers with six digits, so that a restored history is the same one.
Nothing here is wall time: a sample's number is watch time over ten seconds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from itertools import islice
from statistics import fmean, median
from typing import Any

from dewline.readings import Quality
from dewline.watch.signals.signal_state import SignalState

SAMPLE_MS = 10_000
# A saturated reading is at least so high, an unproven one is what is shown: worth knowing here.
TELLING = frozenset(
    {Quality.GOOD, Quality.LOW, Quality.OVER_RANGE, Quality.UNDER_RANGE, Quality.UNPROVEN}
)
FINE, MID, SLOW = 180, 240, 432
MIN_MS, SLOW_MS = 60_000, 600_000
NIGHTS = 40

Series = list[tuple[float, float]]  # minutes before now (negative), value


class Track:
    """One role on three grids; None where there was no number to go by."""

    __slots__ = ("fine", "is_bit", "mid", "signal", "slow")

    def __init__(self, signal: SignalState) -> None:
        self.signal = signal
        self.is_bit = signal.unit in (None, "")
        self.fine: deque[float | None] = deque(maxlen=FINE)
        self.mid: deque[float | None] = deque(maxlen=MID)
        self.slow: deque[float | None] = deque(maxlen=SLOW)

    def sample(self, at_ms: int) -> None:
        signal = self.signal
        value = signal.value
        lives = signal.quality in TELLING and at_ms - signal.alive_ms < signal.stale_ms
        self.fine.append(_short(value) if lives and value is not None else None)

    def skip(self, count: int) -> None:
        self.fine.extend([None] * min(count, FINE))

    def minute(self) -> None:
        self.mid.append(self._one(islice(reversed(self.fine), 6)))

    def ten_minutes(self) -> None:
        self.slow.append(self._one(islice(reversed(self.mid), 10)))

    def _one(self, values: Iterable[float | None]) -> float | None:
        """A bit's share of time on, else the median: a kick is no level."""
        known = [v for v in values if v is not None]
        if not known:
            return None
        return _short(fmean(known) if self.is_bit else median(known))

    def save(self) -> dict[str, Any]:
        return {"fine": list(self.fine), "mid": list(self.mid), "slow": list(self.slow)}

    def restore(self, state: dict[str, Any]) -> None:
        for name in ("fine", "mid", "slow"):
            ring: deque[float | None] = getattr(self, name)
            ring.clear()
            ring.extend(state[name])


class History:
    """All roles of one box, its purifier, its supply and the room."""

    def __init__(self, tracks: dict[str, SignalState]) -> None:
        self.tracks = {role: Track(signal) for role, signal in tracks.items()}
        self.number = 0  # of the last sample
        self.nights: dict[str, list[float]] = {}  # idle baselines by gas, newest last
        # Of the rise that goes on: sample number of its onset, and how long it took, minutes.
        self.births: dict[str, list[float]] = {}

    def sample(self, at_ms: int) -> None:
        """Take one sample of everything; what was missed since the last one is unknown."""
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
            track.skip(missed)
            track.mid.extend([None] * min(minutes, MID))
            track.slow.extend([None] * min(tens, SLOW))

    def night(self, gas: str, ppm: float) -> None:
        """One more idle baseline."""
        self.nights[gas] = [*self.nights.get(gas, []), _short(ppm)][-NIGHTS:]

    # ---------------------------------------------------------------- looking back

    def has(self, role: str) -> bool:
        return role in self.tracks

    def now(self, role: str) -> float | None:
        """The last good reading; None where there is none younger than ten seconds."""
        track = self.tracks.get(role)
        if track is None or not track.fine or track.signal.quality not in TELLING:
            return None
        return None if track.fine[-1] is None else track.signal.value

    def level(self, role: str) -> float | None:
        """The level now: median of half a minute, or the last reading where it has jumped."""
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
        """What is known of the last ``minutes``, oldest first, on the finest grid that holds it."""
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

    def typical(self, role: str, from_min: float, to_min: float) -> float | None:
        """Median of that stretch; None where fewer than three values are known."""
        found = self.values(role, from_min, to_min)
        return median(found) if len(found) >= 3 else None

    def share_on(self, role: str, from_min: float, to_min: float = 0.0) -> float | None:
        """Share of time a switch was on."""
        found = self.values(role, from_min, to_min)
        return fmean(found) if found else None

    def save(self) -> dict[str, Any]:
        return {
            "number": self.number,
            "nights": {gas: list(ppm) for gas, ppm in self.nights.items()},
            "births": {gas: list(birth) for gas, birth in self.births.items()},
            "tracks": {role: track.save() for role, track in self.tracks.items()},
        }

    def restore(self, state: dict[str, Any]) -> None:
        self.number = state["number"]
        self.nights = {gas: list(ppm) for gas, ppm in state["nights"].items()}
        self.births = {gas: list(birth) for gas, birth in state["births"].items()}
        for role, track in self.tracks.items():
            if role in state["tracks"]:
                track.restore(state["tracks"][role])


def _short(value: float) -> float:
    return float(f"{value:.6g}")


def _laid(
    ring: Sequence[float | None] | deque[float | None], step: float, minutes: float
) -> Series:
    count = min(len(ring), int(minutes / step) + 1)
    newest = list(islice(reversed(ring), count))
    return [(-i * step, v) for i, v in reversed(list(enumerate(newest))) if v is not None]
