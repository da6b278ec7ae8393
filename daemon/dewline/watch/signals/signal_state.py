"""What the watch knows of each signal right now, and the quiet band that keeps it fast.

Most readings change nothing: every rule on the signal is idle and the value is
far from every limit. ``SignalState.lo`` .. ``SignalState.hi`` is the band in which that is
so; a good reading inside it costs one comparison. Everything else is *loud*
and goes through ``take`` and the rules. Rules whose delay runs are *restless*:
they hear every reading, the others of the signal only those outside the band.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from math import inf, isfinite, nextafter
from typing import TYPE_CHECKING, Any, Protocol

from dewline.readings import Quality
from dewline.watch.signals.slope import NEVER_MS

if TYPE_CHECKING:
    from dewline.watch.alarms.alarm import Alarm
    from dewline.watch.signals.modes import BoxModes

FIRST_UNCERTAIN = 10
FIRST_BAD = 20
WARMING_UP_MS = 15 * 60_000
STALE_MS = 15_000
STALE_POLLS = 5

Band = tuple[float, float]
EVERYTHING: Band = (-sys.float_info.max, sys.float_info.max)  # finite: inf and NaN are loud
NOTHING_QUIET: Band = (inf, -inf)


def above_band(value: float, limit: float) -> Band:
    """Where ``value > limit`` stays as it is."""
    if value > limit:
        return (nextafter(limit, inf), EVERYTHING[1])
    return (EVERYTHING[0], limit)


def below_band(value: float, limit: float) -> Band:
    """Where ``value < limit`` stays as it is."""
    if value < limit:
        return (EVERYTHING[0], nextafter(limit, -inf))
    return (limit, EVERYTHING[1])


class Window(Protocol):
    """What gathers the quiet readings of a signal; the first one at ``closes_at`` or later is loud.

    Two of one signal differ in ``over_ms``.
    """

    over_ms: int
    closes_at: int
    values: list[float]

    def add(self, at_ms: int, value: float) -> bool: ...

    def clear(self) -> None: ...

    def save(self) -> dict[str, Any]: ...

    def restore(self, state: dict[str, Any]) -> None: ...


class AnalyzerGate:
    """``off`` and ``warming-up``: the two qualities the watch itself adds.

    While a box's ``analyzer_on`` is 0 its oxygen and moisture count as off; for
    15 min after it comes back they are warming up.
    """

    __slots__ = ("off", "warm_at_ms")

    def __init__(self) -> None:
        self.off = False
        self.warm_at_ms = 0

    def hear(self, at_ms: int, value: float) -> None:
        """A usable reading of ``analyzer_on``."""
        on = value > 0.5
        if on and self.off:
            self.warm_at_ms = at_ms + WARMING_UP_MS
        self.off = not on

    def open(self, at_ms: int) -> bool:
        return not self.off and at_ms >= self.warm_at_ms

    def qualify(self, at_ms: int, quality: Quality) -> Quality:
        """The worse of what the bus said and what the gate says."""
        if quality >= FIRST_BAD or self.open(at_ms):
            return quality
        return Quality.OFF if self.off else Quality.WARMING_UP

    def save(self) -> dict[str, Any]:
        return {"off": self.off, "warm_at_ms": self.warm_at_ms}

    def restore(self, state: dict[str, Any]) -> None:
        self.off = state["off"]
        self.warm_at_ms = state["warm_at_ms"]


Verdict = Callable[["SignalState", float | None, Quality], Quality]


class SignalState:
    """One signal: last value and quality, when it last lived, how long it has not moved.

    ``value`` is the last number (kept through bad readings), ``alive_ms`` the
    last time it was not bad, ``same_since_ms`` when a run of good, equal,
    unbroken readings began.
    """

    __slots__ = (
        "alarms",
        "alive_ms",
        "bands",
        "closes_at",
        "delay_running",
        "dependents",
        "gate",
        "guarded",
        "hi",
        "lo",
        "modes",
        "name",
        "quality",
        "same_since_ms",
        "stale_ms",
        "unit",
        "value",
        "verdict",
        "windowed",
        "windows",
    )

    def __init__(self, name: str, unit: str | None, stale_ms: int) -> None:
        self.name = name
        self.unit = unit
        self.stale_ms = stale_ms
        self.value: float | None = None
        self.quality = Quality.NO_ANSWER
        self.alive_ms = 0
        self.same_since_ms = 0
        self.lo, self.hi = NOTHING_QUIET
        self.closes_at = NEVER_MS
        self.windows: tuple[Window, ...] = ()
        self.gate: AnalyzerGate | None = None
        self.verdict: Verdict | None = None  # what the watch thinks of its readings
        self.bands: list[Callable[[], Band]] = []
        # Who listens: rules on this signal (and those of them that look at its windows),
        # rules it guards, boxes whose modes hang on it, signals whose limits it holds.
        self.alarms: list[Alarm] = []
        self.windowed: list[Alarm] = []
        self.delay_running: list[Alarm] = []  # of its rules, those whose delay runs
        self.guarded: list[Alarm] = []
        self.modes: list[BoxModes] = []
        self.dependents: list[SignalState] = []

    def take(self, at_ms: int, value: float | None, quality: Quality) -> tuple[Window, ...]:
        """Lay a loud reading in; gives the windows it closed a stretch of."""
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
        self.value, self.quality, self.alive_ms = value, quality, at_ms
        if not good:
            return ()
        return tuple(w for w in self.windows if w.add(at_ms, value))

    @property
    def usable(self) -> float | None:
        """The value if it is good, for limits and guards."""
        return self.value if self.quality < FIRST_UNCERTAIN else None

    @property
    def shown(self) -> float | None:
        """The value an event shows: none while the reading is bad."""
        return self.value if self.quality < FIRST_BAD else None

    def update_band(self, at_ms: int) -> None:
        """Find the quiet band anew, from everything that listens to this signal."""
        lo, hi = EVERYTHING
        judged = self.verdict is not None
        if judged or self.quality >= FIRST_UNCERTAIN or (self.gate and not self.gate.open(at_ms)):
            lo, hi = NOTHING_QUIET
        else:
            for band in self.bands:
                low, high = band()
                lo, hi = max(lo, low), min(hi, high)
        self.lo, self.hi = lo, hi
        self.delay_running = [a for a in self.alarms if a.evaluator.delay.pending_ms is not None]
        self.reopen()

    def reopen(self) -> None:
        """When the first of its windows closes next; at once while a delay runs."""
        self.closes_at = min([w.closes_at for w in self.windows], default=NEVER_MS)
        if self.delay_running:
            self.closes_at = 0

    def exact_band(self) -> Band:
        """For a signal that holds a limit: any change is loud."""
        return NOTHING_QUIET if self.value is None else (self.value, self.value)

    def reset(self, at_ms: int) -> None:
        """After a gap: nothing is known, clocks and slopes begin here."""
        self.quality = Quality.NO_ANSWER
        self.alive_ms = self.same_since_ms = at_ms
        for window in self.windows:
            window.clear()

    def save(self) -> dict[str, Any]:
        return {
            "value": self.value,
            "quality": int(self.quality),
            "alive_ms": self.alive_ms,
            "same_since_ms": self.same_since_ms,
            "windows": {str(w.over_ms): w.save() for w in self.windows},
        }

    def restore(self, state: dict[str, Any]) -> None:
        self.value = state["value"]
        self.quality = Quality(state["quality"])
        self.alive_ms = state["alive_ms"]
        self.same_since_ms = state["same_since_ms"]
        for window in self.windows:
            if saved := state["windows"].get(str(window.over_ms)):
                window.restore(saved)
