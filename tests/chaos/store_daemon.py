"""A record and its store follower in a process of their own, to be killed: no test itself.

Usage: store_daemon.py JOURNAL URL. Prints ``published LINES`` as it goes, follows until
SIGTERM, then stops in order.
"""

from __future__ import annotations

import asyncio
import logging
import os
import signal
import sys
from pathlib import Path

from dewline.clock import RealClock
from dewline.config.plan import InfluxPlan
from dewline.followers.influx.follower import InfluxFollower
from dewline.journal import Journal


async def main(path: Path, url: str) -> None:
    journal = Journal.open(path, "saltmarsh", 200, reserve_bytes=0)
    follower = InfluxFollower(
        InfluxPlan(url=url, org="saltmarsh", bucket="gloveboxes"),
        "saltmarsh",
        RealClock(),
        journal,
    )
    journal.on_commit(follower.committed)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, follower.stop)
    keeper = asyncio.create_task(journal.run(RealClock()))
    teller = asyncio.create_task(tell(follower))
    await follower.run()
    for task in (keeper, teller):
        task.cancel()
    await asyncio.gather(keeper, teller, return_exceptions=True)
    journal.close()


async def tell(follower: InfluxFollower) -> None:
    while True:
        statistics = follower.statistics()
        os.write(1, f"published {statistics.published}\n".encode())
        await asyncio.sleep(0.05)


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO)
    asyncio.run(main(Path(sys.argv[1]), sys.argv[2]))
