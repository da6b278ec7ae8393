"""``dewline run CONFIG``: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import signal
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--verbose", action="store_true", help="log more than changes")


def run(args: argparse.Namespace) -> int:
    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
    )
    from dewline.gc_tuning import collected_seldom  # noqa: PLC0415

    with collected_seldom():
        return asyncio.run(_serve(args.config))


async def _serve(path: Path) -> int:
    """Load, then watch until SIGTERM or SIGINT; SIGHUP reads the config again."""
    from dewline.clock import RealClock  # noqa: PLC0415 - a bad flag should not cost an import
    from dewline.config import load  # noqa: PLC0415
    from dewline.live.host_clock import clock_is_set  # noqa: PLC0415
    from dewline.live.service import Service  # noqa: PLC0415

    service = Service(load(path).plan, RealClock(), clock_is_set)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, service.stop)
    loop.add_signal_handler(signal.SIGHUP, service.reload)
    with contextlib.suppress(asyncio.CancelledError):
        await service.run()
    return 0
