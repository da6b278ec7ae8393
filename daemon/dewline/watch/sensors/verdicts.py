"""The verdicts of the watch on readings: what is said of which signal, and since when.

A reading is recorded as the bus gave it. What the watch adds (off, warming up, frozen, not proven,
a panel of zeros) holds for a stretch of time, which is told when it begins and when it ends. A
verdict often begins before it is found: readings are frozen since their last change.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from dewline.readings import Quality, Verdict
from dewline.watch.saved import Kept
from dewline.watch.sensors.instrument_block import Finding
from dewline.watch.sensors.plausibility import Sensors
from dewline.watch.signals.signal_state import AnalyzerGate, SignalState

CHECK_MS = 10_000

Truth = Callable[[int, bool], bool | None]


class Unmoved(NamedTuple):
    """A signal that a rule watches for standing still; ``truth``: whether it does."""

    signal: SignalState
    truth: Truth


class Verdicts(Kept):
    """The verdicts that stand, and those that changed since they were fetched.

    ``gated``: the signals of each analyzer switch. ``label`` gives the wall time of a moment of
    watch time.
    """

    _standing: list[Verdict]

    def __init__(
        self,
        sensors: Sensors,
        gated: Mapping[AnalyzerGate, list[SignalState]],
        unmoved: Iterable[Unmoved],
        label: Callable[[int], int],
    ) -> None:
        self._standing = []
        self._sensors, self._gated, self._unmoved = sensors, gated, list(unmoved)
        self._label = label
        self._due_ms = 0

    @property
    def standing(self) -> tuple[Verdict, ...]:
        """The verdicts that hold now."""
        return tuple(self._standing)

    def changes(self, at_ms: int) -> tuple[Verdict, ...]:
        """The verdicts that began or ended; looked for every ten seconds and where one may have."""
        if at_ms < self._due_ms and not self._sensors.moved:
            return ()
        self._due_ms = (at_ms // CHECK_MS + 1) * CHECK_MS
        self._sensors.moved = False
        return tuple(self._compare(at_ms))

    def _compare(self, at_ms: int) -> Iterator[Verdict]:
        found: dict[tuple[str, Quality], Finding] = {}
        for finding in self._findings(at_ms):
            key = (finding.signal.name, finding.quality)
            other = found.get(key)
            if other is None or _began(finding, at_ms) < _began(other, at_ms):
                found[key] = finding
        kept: list[Verdict] = []
        for verdict in self._standing:
            key = (verdict.signal, verdict.quality)
            if key in found and _still(verdict, found[key]):
                kept.append(verdict)
                del found[key]
            else:
                yield verdict._replace(until_ms=self._ended(verdict, at_ms))
        fresh = [self._verdict(finding, at_ms) for finding in found.values()]
        self._standing = kept + fresh
        yield from fresh

    def _findings(self, at_ms: int) -> Iterator[Finding]:
        """All that the parts of the watch find now, several for one signal among them."""
        for gate, signals in self._gated.items():
            if not gate.open(at_ms):
                quality = Quality.OFF if gate.off else Quality.WARMING_UP
                yield from (Finding(s, quality, gate.closed_since_ms) for s in signals)
        yield from self._sensors.findings()
        for signal, truth in self._unmoved:
            if truth(at_ms, False):
                yield Finding(signal, Quality.FROZEN, signal.same_since_ms)

    def _verdict(self, finding: Finding, at_ms: int) -> Verdict:
        since_ms = _began(finding, at_ms)
        signal, quality, _, up_to, at_floor = finding
        return Verdict(signal.name, quality, since_ms, self._label(since_ms), None, up_to, at_floor)

    def _ended(self, verdict: Verdict, at_ms: int) -> int:
        """When it ended: with the end of the warm-up, or the first value that differed."""
        for gate, signals in self._gated.items():
            warmed_up = verdict.quality is Quality.WARMING_UP and not gate.off
            if warmed_up and any(signal.name == verdict.signal for signal in signals):
                return min(at_ms, gate.warm_at_ms)
        for signal, _ in self._unmoved:
            moved = signal.name == verdict.signal and signal.same_since_ms > verdict.since_ms
            if verdict.quality is Quality.FROZEN and moved:
                return min(at_ms, signal.same_since_ms)
        return at_ms


def _began(finding: Finding, at_ms: int) -> int:
    return at_ms if finding.since_ms is None else finding.since_ms


def _still(verdict: Verdict, finding: Finding) -> bool:
    """Whether what is found now is what was told: no earlier beginning, the same readings."""
    earlier = finding.since_ms is not None and finding.since_ms < verdict.since_ms
    return not earlier and (finding.up_to, finding.at_floor) == (verdict.up_to, verdict.at_floor)
