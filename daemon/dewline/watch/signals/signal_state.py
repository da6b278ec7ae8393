"""The present state of each signal, and the band of values that changes nothing.

Most readings change nothing: no delay of a rule runs on the signal, and the value is far from
every limit. ``SignalState.lo`` .. ``SignalState.hi`` is the band in which that is so; a good
reading inside it costs one comparison. A reading outside the band goes through ``update`` and
the rules. While the delay of a rule runs, that rule is evaluated at every reading; the other
rules of the signal only at readings outside the band.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import inf, isfinite, nextafter
from typing import NamedTuple

from dewline.readings import Quality
from dewline.typed_json import Json
from dewline.watch.saved import Kept
from dewline.watch.signals.window import NEVER_MS, Window

FIRST_UNCERTAIN = 10
FIRST_BAD = 20
WARMING_UP_MS = 15 * 60_000
STALE_MS = 15_000
STALE_POLLS = 5

Band = tuple[float, float]
# Finite ends, so that infinite values and NaN are outside every band.
EVERYTHING: Band = (nextafter(-inf, 0.0), nextafter(inf, 0.0))
EMPTY_BAND: Band = (inf, -inf)


def above_band(value: float, limit: float) -> Band:
    """The values for which ``> limit`` has the same answer as for ``value``."""
    if value > limit:
        return (nextafter(limit, inf), EVERYTHING[1])
    return (EVERYTHING[0], limit)


def below_band(value: float, limit: float) -> Band:
    """The values for which ``< limit`` has the same answer as for ``value``."""
    if value < limit:
        return (EVERYTHING[0], nextafter(limit, -inf))
    return (limit, EVERYTHING[1])


class AnalyzerGate(Kept):
    """``off`` and ``warming-up``: the two qualities that the watch itself adds.

    While a box's ``analyzer_on`` is 0 its oxygen and moisture count as off; for
    15 min after it comes back they are warming up.
    """

    off: bool = False
    warm_at_ms: int = 0
    off_since_ms: int | None = None

    def update(self, at_ms: int, value: float) -> None:
        """Take in a good reading of ``analyzer_on``."""
        on = value > 0.5
        if on and self.off:
            self.warm_at_ms = at_ms + WARMING_UP_MS
        if not on and not self.off:
            self.off_since_ms = at_ms
        self.off = not on

    @property
    def closed_since_ms(self) -> int | None:
        """Since when the analyzers are off or, where they are on again, are warming up."""
        return self.off_since_ms if self.off else self.warm_at_ms - WARMING_UP_MS

    def open(self, at_ms: int) -> bool:
        """Whether the analyzers are on and warm."""
        return not self.off and at_ms >= self.warm_at_ms

    def qualify(self, at_ms: int, quality: Quality) -> Quality:
        """The worse of what the bus said and what the gate says."""
        if quality >= FIRST_BAD or self.open(at_ms):
            return quality
        return Quality.OFF if self.off else Quality.WARMING_UP


class Good(NamedTuple):
    """The last good value of a signal and when it was read; ``value`` None where none ever was."""

    value: float | None
    at_ms: int


Verdict = Callable[["SignalState", float | None, Quality], Quality]


class SignalState(Kept):
    """One signal: its last value and quality, and since when it has not changed.

    ``value`` is the last number (kept through bad readings), ``alive_ms`` the last time the
    signal was not bad, ``same_since_ms`` when a run of good, equal, unbroken readings began.
    ``stale_ms``: after so long without a reading a run of equal readings is broken.
    ``good``: the last good value, while ``value`` is an uncertain one; else None.
    ``before_ms``: when ``value`` was read, where that was before the last ``reset``.
    ``verdict``: lowers the quality of each reading, while the watch doubts the sensor.
    ``delay_running``: the delay of a rule on this signal runs, as of the last ``update_band``.
    """

    __slots__ = (
        "_bands",
        "_delays",
        "alive_ms",
        "before_ms",
        "closes_at",
        "delay_running",
        "gate",
        "good",
        "hi",
        "lo",
        "name",
        "quality",
        "same_since_ms",
        "stale_ms",
        "unit",
        "value",
        "verdict",
        "windows",
    )
    KEPT = (
        *("value", "quality", "good", "alive_ms", "before_ms", "same_since_ms"),
        "windows_by_span",
    )
    value: float | None
    quality: Quality
    good: Good | None
    alive_ms: int
    before_ms: int | None
    same_since_ms: int

    def __init__(
        self, name: str, unit: str | None, stale_ms: int, gate: AnalyzerGate | None = None
    ) -> None:
        self.name = name
        self.unit = unit
        self.stale_ms = stale_ms
        self.gate = gate
        self.value = None
        self.quality = Quality.NO_ANSWER
        self.good = None
        self.alive_ms = 0
        self.before_ms = None
        self.same_since_ms = 0
        self.lo, self.hi = EMPTY_BAND
        self.closes_at = NEVER_MS
        self.verdict: Verdict | None = None
        self.delay_running = False
        self.windows: tuple[Window, ...] = ()
        self._bands: list[Callable[[], Band]] = []
        self._delays: list[Callable[[], bool]] = []

    def save(self) -> dict[str, Json]:
        """Everything but what few signals have: a snapshot is written every ten minutes."""
        saved = super().save()
        rare = {name for name in ("good", "before_ms") if saved[name] is None}
        return {name: value for name, value in saved.items() if name not in rare}

    def add_window(self, window: Window) -> None:
        """Have ``window`` gather the readings of this signal from now on."""
        self.windows = (*self.windows, window)

    def add_band(self, band: Callable[[], Band]) -> None:
        """Add one that depends on this signal: ``band`` gives the values that change nothing."""
        self._bands.append(band)

    def add_rule(self, band: Callable[[], Band], delay_runs: Callable[[], bool]) -> None:
        """Add a rule on this signal: its band, and whether its delay runs now."""
        self._bands.append(band)
        self._delays.append(delay_runs)

    def update(self, at_ms: int, value: float | None, quality: Quality) -> tuple[Window, ...]:
        """Take in a reading outside the band; gives the windows of which a stretch closed.

        The quality of the reading is lowered by the gate and the verdict. A bad reading keeps
        the last value.
        """
        if value is None or not isfinite(value):
            quality = quality if quality >= FIRST_BAD else Quality.NOT_A_NUMBER
        if self.gate is not None:
            quality = self.gate.qualify(at_ms, quality)
        if self.verdict is not None:
            quality = self.verdict(self, value, quality)
        if quality >= FIRST_BAD or value is None:
            self.quality = quality
            return ()
        good = quality < FIRST_UNCERTAIN
        if not good or value != self.value or at_ms - self.alive_ms >= self.stale_ms:
            self.same_since_ms = at_ms
        self.good = None if good else self._last_good()
        self.value, self.quality, self.alive_ms = value, quality, at_ms
        self.before_ms = None
        if not good:
            return ()
        return tuple(w for w in self.windows if w.add(at_ms, value))

    @property
    def read_ms(self) -> int | None:
        """When ``value`` was read; None where nothing ever was."""
        if self.value is None:
            return None
        return self.alive_ms if self.before_ms is None else self.before_ms

    def overdue(self, at_ms: int) -> bool:
        """Whether nothing that can be believed was read for ``stale_ms``, or since a ``reset``."""
        read_ms = self.read_ms
        if read_ms is None or self.before_ms is not None:
            return True
        return at_ms - read_ms >= self.stale_ms

    @property
    def last_good(self) -> Good | None:
        """The last good value and when it was read, while the reading is none; else None.

        Of a frozen signal, when it was first read.
        """
        if self.quality < FIRST_UNCERTAIN:
            return None
        found = self._last_good()
        if self.quality is Quality.FROZEN:
            found = found._replace(at_ms=self.same_since_ms)
        return found if found.value is not None else None

    def _last_good(self) -> Good:
        if self.good is not None:
            return self.good
        read_ms = self.read_ms
        if read_ms is None or FIRST_UNCERTAIN <= self.quality < FIRST_BAD:
            return Good(None, 0)
        return Good(self.value, read_ms)

    @property
    def usable(self) -> float | None:
        """The value if it is good, for limits and guards."""
        return self.value if self.quality < FIRST_UNCERTAIN else None

    @property
    def shown(self) -> float | None:
        """The value that an event shows: none while the reading is bad."""
        return self.value if self.quality < FIRST_BAD else None

    def update_band(self, at_ms: int) -> None:
        """Compute the band again, from everything that depends on this signal.

        It is empty while the quality of the signal is doubtful: every reading goes through
        ``update`` then.
        """
        lo, hi = EVERYTHING
        doubted = self.verdict is not None
        if doubted or self.quality >= FIRST_UNCERTAIN or (self.gate and not self.gate.open(at_ms)):
            lo, hi = EMPTY_BAND
        else:
            for band in self._bands:
                low, high = band()
                lo, hi = max(lo, low), min(hi, high)
        self.lo, self.hi = lo, hi
        self.delay_running = any(runs() for runs in self._delays)
        self.update_close()

    def update_close(self) -> None:
        """Set ``closes_at``: when the first window closes next; at once while a delay runs."""
        self.closes_at = min([w.closes_at for w in self.windows], default=NEVER_MS)
        if self.delay_running:
            self.closes_at = 0

    def exact_band(self) -> Band:
        """Of a signal that holds a limit: the present value alone, since any change matters."""
        return EMPTY_BAND if self.value is None else (self.value, self.value)

    def reset(self, at_ms: int) -> None:
        """Start anew after a gap: no reading is known, times and windows begin at ``at_ms``."""
        self.quality = Quality.NO_ANSWER
        self.before_ms = self.read_ms
        self.alive_ms = self.same_since_ms = at_ms
        for window in self.windows:
            window.clear()

    @property
    def windows_by_span(self) -> dict[str, Window]:
        """The windows by their ``over_ms``, as they stand in a saved state."""
        return {str(window.over_ms): window for window in self.windows}


def update_bands(signals: Iterable[SignalState], at_ms: int) -> None:
    """Compute the bands of these signals again."""
    for signal in signals:
        signal.update_band(at_ms)
