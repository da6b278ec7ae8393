"""One instrument as a whole: its signals freeze together, and show zero together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from dewline.readings import Quality, Reading
from dewline.watch.signals.signal_state import FIRST_BAD, FIRST_UNCERTAIN, SignalState
from dewline.watch_plan import WatchPlan

FROZEN_MS = 300_000
FEWEST_NUMBERS = 4  # numbers an instrument must have to be judged frozen
FEWEST_ZEROS = 3


class Finding(NamedTuple):
    """What is found of the readings of a signal now; as in ``readings.Verdict``.

    ``since_ms``: None where it began when it was found.
    """

    signal: SignalState
    quality: Quality
    since_ms: int | None = None
    up_to: float | None = None
    at_floor: bool = False


class InstrumentBlock:
    """All signals of one instrument, which freeze together or show zero together.

    ``numbers``: those of its signals that have a unit. ``witness``: the name of one of them;
    a scan in which it is not zero needs no further check for zeros. ``zero_since_ms``: since when
    all numbers are zero. ``on_change`` is called when it freezes or thaws.
    """

    def __init__(
        self,
        name: str,
        signals: list[SignalState],
        numbers: list[SignalState],
        on_change: Callable[[], None],
    ) -> None:
        self.name, self.signals, self.numbers = name, signals, numbers
        self._on_change = on_change
        self.names = frozenset(signal.name for signal in signals)
        self.witness = numbers[0].name
        self.frozen = False
        self._frozen_since_ms = 0
        self.zero_since_ms: int | None = None

    def zeroed(self, readings: Mapping[str, Reading]) -> bool:
        """Whether every number of the instrument in a scan is exactly zero.

        A number without a value is left out: a current loop shows its zero as a fault.
        """
        shown = (readings[s.name].value for s in self.numbers if s.name in readings)
        values = [value for value in shown if value is not None]
        return len(values) >= FEWEST_ZEROS and not any(values)

    def stands_still(self, at_ms: int) -> bool:
        """Whether it answers, has a pressure, and no number has moved for five minutes."""
        good = self._good()
        return (
            len(good) >= FEWEST_NUMBERS
            and any(signal.unit == "mbar" for signal in good)
            and any(signal.value for signal in good)
            and all(_stands_still(signal, at_ms) for signal in good)
        )

    def _good(self) -> list[SignalState]:
        return [signal for signal in self.numbers if signal.quality < FIRST_UNCERTAIN]

    def freeze(self) -> None:
        """Mark the readings of all its signals as frozen from now on."""
        self.frozen = True
        moved_ms = [signal.same_since_ms for signal in self._good() or self.numbers]
        self._frozen_since_ms = max(moved_ms)
        self._on_change()
        for signal in self.signals:
            signal.verdict = self.judge

    def thaw(self) -> None:
        """Take the readings of its signals as they come again."""
        self.frozen = False
        self._on_change()
        for signal in self.signals:
            signal.verdict = None

    def judge(self, signal: SignalState, value: float | None, quality: Quality) -> Quality:
        """The quality of a reading of a frozen instrument; the first value that differs thaws."""
        if quality >= FIRST_BAD:
            return quality
        if value != signal.value:
            self.thaw()
            return quality
        return Quality.FROZEN

    def findings(self) -> Iterator[Finding]:
        """Of each of its signals: frozen since the last change of a number, or all zero."""
        if self.frozen:
            since_ms = self._frozen_since_ms
            yield from (Finding(s, Quality.FROZEN, since_ms) for s in self.signals)
        if self.zero_since_ms is not None:
            since_ms = self.zero_since_ms
            yield from (Finding(s, Quality.INSTRUMENT_FAULT, since_ms) for s in self.signals)


def instrument_blocks(
    plan: WatchPlan, signals: Mapping[str, SignalState], on_change: Callable[[], None]
) -> Iterator[InstrumentBlock]:
    """Instruments with several numbers; each calls ``on_change`` when it freezes or thaws."""
    of: dict[str, list[SignalState]] = {}
    for name, known in plan.signals.items():
        if known.instrument is not None:
            of.setdefault(known.instrument, []).append(signals[name])
    for instrument, found in of.items():
        numbers = [signal for signal in found if signal.unit not in (None, "")]
        if len(numbers) >= FEWEST_ZEROS:
            yield InstrumentBlock(instrument, found, numbers, on_change)


def _stands_still(signal: SignalState, at_ms: int) -> bool:
    alive = at_ms - signal.alive_ms < signal.stale_ms
    return alive and at_ms - signal.same_since_ms >= FROZEN_MS
