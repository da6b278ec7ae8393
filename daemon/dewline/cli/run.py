"""``dewline run CONFIG``: the daemon."""

from __future__ import annotations

import argparse
import asyncio
import logging
from pathlib import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--verbose", action="store_true", help="log more than changes")


def run(args: argparse.Namespace) -> int:
    from dewline.clock import RealClock  # noqa: PLC0415 - a bad flag should not cost an import
    from dewline.service import serve  # noqa: PLC0415

    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO,
        format="%(levelname)s %(name)s: %(message)s",
    )
    return asyncio.run(serve(args.config, RealClock()))
