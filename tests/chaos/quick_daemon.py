"""``dewline run`` that notices within seconds what stands still, and can be made to: no test.

Usage: quick_daemon.py CONFIG. SIGUSR1 makes its pollers hang in mid-turn, and goes on;
SIGUSR2 makes the ticks of the watch hang, and go on.
"""

from __future__ import annotations

import asyncio
import signal
import sys
from typing import Any

from dewline.bus.poller import Poller
from dewline.cli import main
from dewline.clock import RealClock
from dewline.followers.mqtt import follower as mqtt
from dewline.live import liveness, self_monitor

liveness.POLLER_S = liveness.WATCH_S = 1.0
liveness.JOURNAL_S = 1.5
self_monitor.WHOLE_EVERY_S = 0.3
mqtt.HEARTBEAT_EVERY_S = 0.2
_standing: set[str] = set()


def _toggle(part: str) -> Any:
    return lambda *_: _standing.symmetric_difference_update({part})


def _hang_pollers() -> None:
    turn = Poller._turn

    async def hanging(self: Poller, *words: Any) -> bool:
        while "pollers" in _standing:  # noqa: ASYNC110 - a hang is what is wanted
            await asyncio.sleep(0.05)
        return await turn(self, *words)

    Poller._turn = hanging  # type: ignore[assignment, method-assign] # takes any words


def _hang_ticks() -> None:
    sleep = RealClock.sleep

    async def hanging(self: RealClock, seconds: float) -> None:
        await sleep(self, seconds)
        task = asyncio.current_task()
        while "ticks" in _standing and task and task.get_name() == "ticker":  # noqa: ASYNC110
            await asyncio.sleep(0.05)

    RealClock.sleep = hanging  # type: ignore[method-assign]


if __name__ == "__main__":
    _hang_pollers()
    _hang_ticks()
    signal.signal(signal.SIGUSR1, _toggle("pollers"))
    signal.signal(signal.SIGUSR2, _toggle("ticks"))
    sys.exit(main(["run", sys.argv[1]]))
