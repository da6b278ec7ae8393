"""Whether the host's clock can be believed: a computer without a battery starts in the past.

Until the clock is set, readings are recorded with the time it shows, events go out at once and are
marked, and the time-series follower waits. Then the readings since this start get their true wall
times: their watch time was counted by the monotonic clock, which never steps. Events keep the time
they went out with; so do the readings of a start that ended before the clock was set.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from dewline.bus.poller import Stamp
from dewline.clock import Clock
from dewline.journal import Journal

log = logging.getLogger(__name__)

TIMESYNC = Path("/run/systemd/timesync")
UPTIME = Path("/proc/uptime")
BELIEVED_AFTER_S = 3600.0  # after that long without a time server there may be none to wait for
CHECK_EVERY_S = 1.0


def clock_is_set(timesync: Path = TIMESYNC, uptime: Path = UPTIME) -> bool:
    """False while systemd-timesyncd runs and has not set the clock since the boot.

    Source: systemd-timesyncd.service(8), FILES: ``synchronized`` is touched on each success.
    Where another service keeps the time, or nobody has set it within an hour, it is believed.
    """
    if not timesync.is_dir() or (timesync / "synchronized").exists():
        return True
    try:
        return float(uptime.read_text().split()[0]) > BELIEVED_AFTER_S
    except (OSError, ValueError, IndexError):
        return True


@dataclass(slots=True, eq=False)
class HostClock:
    """Waits for the clock to be set, then corrects the record from ``first_seq`` on.

    ``is_set`` tells whether the clock is set, ``stamp`` gives (wall ms, watch ms) of the moment,
    ``report`` publishes the signal ``clock-set``. ``right``: the items of this start have their
    true wall times.
    """

    is_set: Callable[[], bool]
    stamp: Stamp
    journal: Journal
    first_seq: int
    report: Callable[[str, float], None]
    right: bool = field(init=False)

    def __post_init__(self) -> None:
        self.right = self.is_set()

    async def run(self, clock: Clock) -> None:
        """Report ``clock-set``, 0 or 1; where it is 0, wait, correct the record and report 1.

        Returns once the clock is set, which is at once on most machines.
        """
        self.report("clock-set", float(self.right))
        if self.right:
            return
        log.warning("the clock is not set yet: alarms go out marked, a store waits")
        while not self.is_set():
            await clock.sleep(CHECK_EVERY_S)
        time_ms, at_ms = self.stamp()
        self.journal.restamp(self.first_seq, time_ms - at_ms)
        await self.journal.flush()
        self.right = True
        self.report("clock-set", 1.0)
        log.info("the clock is set; what came before has been stamped anew")
