"""``dewline demo``: a simulated lab through one night."""

from __future__ import annotations

import argparse
import asyncio
import logging
import signal
import tempfile
from collections.abc import Coroutine, Sequence
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING

from dewline.cli import say
from dewline.cli.terminal import ProgressLine, event_line
from dewline.events import PRIORITIES, EventDocument
from dewline.readings import iso_utc

if TYPE_CHECKING:
    from dewline.demo.night import NightReport


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which story, how long, how fast, and where its files are kept."""
    parser.add_argument("--hours", type=float, metavar="H", help="default: the whole story")
    parser.add_argument(
        "--speed", type=float, metavar="N", help="N times real time (default: as fast as it goes)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="S")
    parser.add_argument(
        "--story", default="night", metavar="NAME", help="see dewline simulate --list"
    )
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep record and logs there")


def run(args: argparse.Namespace) -> int:
    """Run a night of the simulated lab; print each event as it comes, then a summary.

    Exit status 0 when the night ran through, whatever happened in the lab; DemoFailed, which
    becomes 3, when a part did not start or went away. SIGTERM and SIGHUP end it with its children.
    """
    from dewline.demo.night import night  # noqa: PLC0415 - the demo's imports are its own

    logging.basicConfig(level=logging.ERROR, format="%(name)s: %(message)s")
    say(f"One night in the simulated lab: story {args.story!r}, seed {args.seed}.")
    say("Modbus TCP, Modbus RTU and a frost-point stream on ptys, an MQTT broker, the daemon.\n")
    bar = ProgressLine("night")

    def print_event(event: EventDocument) -> None:
        bar.clear()
        print(event_line(event, UTC), flush=True)

    with tempfile.TemporaryDirectory(prefix="dewline-demo-") as temporary:
        folder = args.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        told = night(
            folder.resolve(),
            story=args.story,
            hours=args.hours,
            seed=args.seed,
            speed=args.speed,
            on_event=print_event,
            progress=bar,
        )
        report = asyncio.run(_or_told_to_end(told))
        if isinstance(report, int):
            return 128 + report
        _summary(report, kept=bool(args.keep))
    return 0


async def _or_told_to_end(told: Coroutine[None, None, NightReport]) -> NightReport | int:
    """What came of the night; the number of the signal that ended it, with all its children."""
    night = asyncio.create_task(told)
    ended_by = []

    def end(number: int) -> None:
        ended_by.append(number)
        night.cancel()

    for number in (signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, end, number)
    await asyncio.wait({night})
    return ended_by[0] if night.cancelled() and ended_by else night.result()


def _summary(report: NightReport, *, kept: bool) -> None:
    raised = [e for e in report.events if e["transition"] == "raised"]
    by_priority = {p: sum(e["priority"] == p for e in raised) for p in PRIORITIES}
    polls = sum(bus.polls for bus in report.statistics.buses.values())
    rate = report.hours * 3600 / report.took_s
    say(f"\n{report.hours:g} h in {report.took_s:.0f} s: {rate:.0f} times real time")
    say(f"{polls} polls, {report.statistics.readings} readings recorded")
    say(f"{len(report.events)} events came back from the broker, in order")
    say("alarms raised: " + ", ".join(f"{n} {p}" for p, n in by_priority.items()))
    for ahead in _warned_ahead(report.events):
        say(ahead)
    for row in report.ledger:
        ended = "open" if row.ended_ms is None else iso_utc(row.ended_ms)[11:16]
        say(f"ledger: {row.box} {row.kind} {iso_utc(row.started_ms)[11:16]}-{ended} UTC")
    reads, writes = report.counts.get("read", 0), report.counts.get("write", 0)
    say(f"requests the instruments saw: {reads} to read, {writes} to write")
    if kept:
        say(f"record, config and logs: {report.folder}")


# Endings of rules that warn before the limit of ``-high`` is crossed; while one of them is active,
# the crossing itself may come as ``suppressed``.
_WARNINGS = ("-soon", "-climbing")
_CROSSED = ("raised", "suppressed")


def _warned_ahead(events: Sequence[EventDocument]) -> list[str]:
    """For every ``-high`` limit that was crossed: how many hours before it was warned of."""
    lines = []
    for late in events:
        signal = late["alarm"].removesuffix("-high")
        if signal == late["alarm"] or late["transition"] not in _CROSSED:
            continue
        names = [signal + end for end in _WARNINGS]
        early = next((e for e in events if e["alarm"] in names), late)
        if early["at_ms"] < late["at_ms"]:
            hours = (late["at_ms"] - early["at_ms"]) / 3.6e6
            lines.append(f"{early['alarm']} came {hours:.1f} h before {late['alarm']}")
    return lines
