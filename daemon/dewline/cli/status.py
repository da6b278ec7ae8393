"""``dewline status``: what the running daemon sees now."""

from __future__ import annotations

import argparse
from typing import Any

from dewline.cli.terminal import add_daemon_arguments, event_line, print_json, socket_of
from dewline.control import ask
from dewline.readings import iso_utc

_LEDGER_ROWS = 5


def arguments(parser: argparse.ArgumentParser) -> None:
    add_daemon_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print the daemon's state. 1 while a high or critical alarm is unacknowledged."""
    status = ask(socket_of(args), {"ask": "status"})
    if args.json:
        print_json(status)
    else:
        _print(status)
    return 1 if any(_calls_for_somebody(alarm) for alarm in status["alarms"]) else 0


def _calls_for_somebody(alarm: dict[str, Any]) -> bool:
    return alarm["priority"] in ("critical", "high") and alarm["state"] in (
        "unacknowledged",
        "latched-unacknowledged",
    )


def _print(status: dict[str, Any]) -> None:
    print(f"{status['site']}: {status['state']}")
    for name, box in status["boxes"].items():
        learning = ["learning"] if box["ahead"].get("learning") else []
        print(f"\n{name}  {box['title']}  {', '.join(box['modes'] + learning)}".rstrip())
        for signal, reading in box["readings"].items():
            value = "-" if reading["value"] is None else f"{reading['value']:.4g}"
            note = "" if reading["quality"] == "good" else f"  {reading['quality']}"
            print(f"  {signal:<24} {value:>10} {reading['unit']}{note}")
    print(f"\nalarms: {len(status['alarms']) or 'none'}")
    for alarm in status["alarms"]:
        print(f"  {alarm['state']:<24} {event_line(alarm)}")
        if alarm["advice"]:
            print(f"  {'':<24} {alarm['advice']}")
    rows = [*status["ledger"]["open"], *status["ledger"]["recent"][-_LEDGER_ROWS:]]
    print(f"\nledger: {'the newest' if rows else 'nothing yet'}")
    for row in rows:
        began = iso_utc(row["started_ms"])[:16].replace("T", " ")
        ended = "still open" if row["ended_ms"] is None else f"to {iso_utc(row['ended_ms'])[11:16]}"
        print(f"  {began} {ended}  {row['box']} {row['kind']}")
    for name, follower in status["followers"].items():
        print(
            f"{name}: {follower['events_behind']} events, {follower['seconds_behind']:.0f} s behind"
        )
