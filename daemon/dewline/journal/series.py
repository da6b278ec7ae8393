"""The readings and minutes of one signal over a stretch of wall time."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from operator import itemgetter
from typing import NamedTuple

from dewline.journal.readonly import ReadOnly
from dewline.journal.schema import ANCHOR_EVERY, SIGNAL_BITS
from dewline.readings import Quality, Reading, Verdict, judge

QUALITIES = {int(quality): quality for quality in Quality}
# A day of a signal is 86 400 tuples: made directly, without their class's own __new__.
new = tuple.__new__
by_time = itemgetter(0)


class Point(NamedTuple):
    """One reading of a series; ``quality`` under the verdicts of the watch."""

    time_ms: int
    value: float | None
    quality: Quality


class Minute(NamedTuple):
    """One minute of a signal over its ``readings`` good readings; None where it had none."""

    time_ms: int
    mean: float | None
    min: float | None
    max: float | None
    readings: int
    worst_quality: Quality


class SeriesReader(ReadOnly):
    """Questions by wall time. That may step, so rows are found by ``seq`` and then filtered."""

    def verdicts(
        self, from_ms: int | None = None, to_ms: int | None = None, signal: str | None = None
    ) -> list[Verdict]:
        """What the watch said of readings, by its beginning, of ``signal`` or of all.

        Those that hold at any moment of from_ms <= watch time < to_ms.
        """
        return self._verdicts(
            "signal = ifnull(?, signal) AND ifnull(since_ms < ?, TRUE)"
            " AND ifnull(until_ms > ?, TRUE)",
            *(signal, to_ms, from_ms),
        )

    def _verdicts(self, where: str, *values: str | int | None) -> list[Verdict]:
        rows = self._all(
            "SELECT signal, quality, since_ms, time_ms, until_ms, up_to, at_floor FROM verdict"
            f" WHERE {where} ORDER BY since_ms, signal, quality",
            *values,
        )
        return [
            Verdict(name, QUALITIES[quality], since_ms, time_ms, until_ms, up_to, bool(at_floor))
            for name, quality, since_ms, time_ms, until_ms, up_to, at_floor in rows
        ]

    def series(self, signal: str, from_ms: int, to_ms: int) -> list[Point]:
        """Readings of one signal with from_ms <= time < to_ms (wall time), by time.

        In the unit that the signal has now; empty for an unknown signal.
        """
        points: list[Point] = []
        numbers = self._numbers(signal)
        verdicts = self.verdicts(signal=signal)
        for number, (low, high) in itertools.product(numbers, self._stretches(from_ms, to_ms)):
            with self._asking() as connection:
                rows = connection.execute(
                    "SELECT time_ms, value, quality, at_ms FROM item CROSS JOIN sample"
                    f" ON sample.key = (item.seq << {SIGNAL_BITS}) | ?"
                    " WHERE item.seq BETWEEN ? AND ? AND time_ms >= ? AND time_ms < ?",
                    (number, low, high, from_ms, to_ms),
                )
                if verdicts:
                    points += _judged(rows, verdicts)
                else:
                    points += [new(Point, (t, v, QUALITIES[q])) for t, v, q, _ in rows]
        points.sort(key=by_time)
        return points

    def minutes(self, signal: str, from_ms: int, to_ms: int) -> list[Minute]:
        """Minutes of one signal that start in from_ms <= time < to_ms (wall time), by time.

        In the unit that the signal has now. The newest full hour may not be made yet.
        """
        found: list[Minute] = []
        for number in self._numbers(signal):
            with self._asking() as connection:
                rows = connection.execute(
                    "SELECT time_ms, mean, min, max, count, worst_quality FROM minute"
                    " WHERE signal_id = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms",
                    (number, from_ms, to_ms),
                )
                found += [new(Minute, (t, m, a, z, n, QUALITIES[q])) for t, m, a, z, n, q in rows]
        found.sort(key=by_time)
        return found

    def _numbers(self, signal: str) -> list[int]:
        """Ids of a signal in the unit it has now."""
        unit = self.signals().get(signal)
        return [i for i, (n, u, _) in self._known_signals.items() if n == signal and u == unit]

    def _stretches(self, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
        """Ranges of seq that hold all items of a stretch of wall time, and some more.

        One item in ANCHOR_EVERY is indexed by time. Between two of them wall
        time may step once, forth or back; watch time bounds how far it ran
        before and after the step.
        """
        anchors = self._all(
            "SELECT seq, time_ms, at_ms FROM item INDEXED BY item_anchor"
            f" WHERE seq % {ANCHOR_EVERY} = 0"
        )
        ends = [
            self._first(f"SELECT seq, time_ms, at_ms FROM item ORDER BY seq {order} LIMIT 1")
            for order in ("ASC", "DESC")
        ]
        marks = sorted([*(end for end in ends if end), *anchors])
        found: list[tuple[int, int]] = []
        for (low, low_ms, low_at), (high, high_ms, high_at) in itertools.pairwise(marks):
            run_ms = high_at - low_at
            if max(low_ms + run_ms, high_ms) < from_ms or min(low_ms, high_ms - run_ms) >= to_ms:
                continue
            if found and found[-1][1] >= low - 1:
                found[-1] = (found[-1][0], high)
            else:
                found.append((low, high))
        return found


def _judged(
    rows: Iterable[tuple[int, float | None, int, int]], verdicts: list[Verdict]
) -> Iterator[Point]:
    """Points of rows (wall time, value, quality of the bus, watch time) under ``verdicts``."""
    for time_ms, value, quality, at_ms in rows:
        held = (verdict for verdict in verdicts if verdict.holds(at_ms))
        judged = judge(Reading(value, QUALITIES[quality]), held)
        yield Point(time_ms, judged.value, judged.quality)
