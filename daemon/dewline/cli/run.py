"""``dewline run CONFIG``: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config, and how much to log."""
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--verbose", action="store_true", help="log more than changes")


def run(args: argparse.Namespace) -> int:
    """Watch until SIGTERM or SIGINT, then stop cleanly with exit status 0; logs go to stderr."""
    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
    )
    from dewline.replay.gc_tuning import rare_gc  # noqa: PLC0415

    with rare_gc():
        return asyncio.run(_serve(args.config))


async def _serve(path: Path) -> int:
    """Load and watch. SIGHUP reads the config again, once the daemon runs."""
    from dewline.clock import RealClock  # noqa: PLC0415 - a bad flag should not cost an import
    from dewline.config import load  # noqa: PLC0415
    from dewline.live.host_clock import clock_is_set  # noqa: PLC0415
    from dewline.live.service import running  # noqa: PLC0415

    stop, reload = asyncio.Event(), asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    loop.add_signal_handler(signal.SIGHUP, reload.set)
    async with running(load(path).plan, RealClock(), clock_is_set) as service:
        loop.add_signal_handler(signal.SIGHUP, service.reload)
        if reload.is_set():  # it came while the daemon started, perhaps after the config was read
            service.reload()
        await stop.wait()
    return 0
