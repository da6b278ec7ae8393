"""The daemon watches itself like a box: the reserved box ``daemon``.

What the shell knows of itself (links, answers, disk, followers, tasks) goes to the watch as a Scan
of ``daemon``: at once on change, and whole every 30 s.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from dewline.bus.poller import Stamp
from dewline.clock import Clock
from dewline.followers.follower import Follower
from dewline.readings import Quality, Reading, Scan
from dewline.watch_plan import DAEMON

WHOLE_EVERY_S = 30.0
_TROUBLE_EVERY_S = 5.0  # a delay ends on a reading, so what is down is fed again soon
_HEALTHY_AFTER_MS = 600_000  # a task that ran that long since its last failure counts as healthy
_LINK = "-link"
_UP_OR_DOWN = (_LINK, "-answer")
LOST = f"{DAEMON}.buses-lost"


@dataclass(slots=True, eq=False)
class SelfMonitor:
    """Holds the latest value of every ``daemon.*`` signal of the plan and feeds them to the watch.

    ``signals`` are the full names that the plan knows, of all boxes; others are left out.
    """

    signals: Container[str]
    stamp: Stamp
    feed: Callable[[Scan], object]
    journal_folder: Path
    _values: dict[str, float] = field(default_factory=dict)
    _failed_ms: dict[str, int] = field(default_factory=dict)  # task: when it failed last

    def set(self, signal: str, value: float) -> None:
        """Set ``daemon.SIGNAL``; a change is fed to the watch at once."""
        name = f"{DAEMON}.{signal}"
        if name in self.signals and self._values.get(name) != value:
            self._values[name] = value
            self._feed_values([name, *self._count_lost()])

    def _count_lost(self) -> list[str]:
        """Count the buses that are lost; the name of their number, where that has changed."""
        lost = sum(not v for n, v in self._values.items() if n.endswith(_LINK))
        if LOST not in self.signals or self._values.get(LOST) == lost:
            return []
        self._values[LOST] = float(lost)
        return [LOST]

    def task_failures(self, name: str, in_a_row: int) -> None:
        """Count a task as failing once it failed three times in a row."""
        if in_a_row >= 3:
            self._failed_ms[name] = self.stamp()[1]
            self.set("tasks-failed", float(len(self._failed_ms)))

    def measure(self, followers: Iterable[Follower]) -> None:
        """Measure free disk space (MB), lag (s) and roads of followers, and feed all values.

        A task that failed three times in a row counts as failing until it has run for 10 min.
        """
        now_ms = self.stamp()[1]
        self._failed_ms = {
            n: t for n, t in self._failed_ms.items() if now_ms - t < _HEALTHY_AFTER_MS
        }
        free_mb = shutil.disk_usage(self.journal_folder).free / 1e6
        fresh = {"disk-free": round(free_mb), "tasks-failed": len(self._failed_ms)}
        for follower in followers:
            counts = follower.statistics()
            fresh[f"{follower.name}-behind"] = round(counts.seconds_behind)
            fresh |= {f"{road}-barred": int(why is not None) for road, why in counts.barred.items()}
        for key, value in fresh.items():
            if (name := f"{DAEMON}.{key}") in self.signals:
                self._values[name] = float(value)
        self._count_lost()
        self._feed_values(sorted(self._values))

    async def run(self, clock: Clock, followers: Callable[[], Iterable[Follower]]) -> None:
        """Feed all values every 30 s, and those of links that are down every 5 s.

        ``followers`` is asked each time, for a reload may replace them.
        """
        whole_at = clock.monotonic()
        while True:
            if clock.monotonic() >= whole_at:
                self.measure(followers())
                whole_at += WHOLE_EVERY_S
            else:
                down = [n for n, v in self._values.items() if not v and n.endswith(_UP_OR_DOWN)]
                self._feed_values([*down, LOST] if self._values.get(LOST) else down)
            await clock.sleep(_TROUBLE_EVERY_S)

    def change_signals(self, signals: Container[str]) -> None:
        """After a reload: go on with the signals of the new plan alone."""
        self.signals = signals
        self._values = {k: v for k, v in self._values.items() if k in signals}

    def _feed_values(self, names: list[str]) -> None:
        if not names:
            return
        time_ms, at_ms = self.stamp()
        readings = {name: Reading(self._values[name], Quality.GOOD) for name in names}
        self.feed(Scan(time_ms, at_ms, DAEMON, readings))
