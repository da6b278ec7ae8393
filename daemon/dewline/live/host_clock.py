"""Whether the host's clock can be believed: a Pi without a battery wakes up in the past.

Until the clock is set, readings are recorded with the time it shows, events are told at once and
marked, and a time-series store waits. Then the readings of this start are stamped anew: their
watch time went by the monotonic clock, which knows no step. What was told keeps the time it was
told with; a start that ended before the clock was set keeps its times too.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

from dewline.clock import Clock
from dewline.journal import Journal

log = logging.getLogger(__name__)

TIMESYNC = Path("/run/systemd/timesync")
UPTIME = Path("/proc/uptime")
BELIEVED_AFTER_S = 3600.0  # nobody sets it: perhaps there is no time server, and none is needed
LOOK_EVERY_S = 1.0


def clock_is_set(timesync: Path = TIMESYNC, uptime: Path = UPTIME) -> bool:
    """False while systemd-timesyncd runs and has not set the clock since the boot.

    Source: systemd-timesyncd.service(8), FILES: ``synchronized`` is touched on each success.
    Where another service keeps the time, or none has done so for an hour, it is believed.
    """
    if not timesync.is_dir() or (timesync / "synchronized").exists():
        return True
    try:
        return float(uptime.read_text().split()[0]) > BELIEVED_AFTER_S
    except (OSError, ValueError, IndexError):
        return True


class HostClock:
    """Waits for the clock to be set. ``right``: the record of this start has its true times."""

    def __init__(
        self,
        is_set: Callable[[], bool],
        stamp: Callable[[], tuple[int, int]],
        record: Journal,
        first_seq: int,
        tell: Callable[[str, float], None],
    ) -> None:
        self._is_set = is_set
        self._stamp = stamp
        self._record = record
        self._first_seq = first_seq
        self._tell = tell
        self.right = is_set()

    async def run(self, clock: Clock) -> None:
        """Say how it stands; return once the clock is right."""
        self._tell("clock-set", float(self.right))
        if self.right:
            return
        log.warning("the clock is not set yet: alarms go out marked, a store waits")
        while not self._is_set():
            await clock.sleep(LOOK_EVERY_S)
        time_ms, at_ms = self._stamp()
        self._record.restamp(self._first_seq, time_ms - at_ms)
        await self._record.flush()
        self.right = True
        self._tell("clock-set", 1.0)
        log.info("the clock is set; what came before has been stamped anew")
