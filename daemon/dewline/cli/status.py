"""``dewline status``: what the running daemon sees now."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import tzinfo
from typing import TYPE_CHECKING

from dewline.cli.terminal import (
    add_config_arguments,
    clock,
    event_line,
    print_json,
    shown,
    socket_of,
)
from dewline.events import AlarmDocument, EventDocument
from dewline.followers.push.phrases import duration
from dewline.hours import zone_of
from dewline.live.control_socket import ask_status
from dewline.live.requests import BoxStatus, ReadingStatus, StatusDocument
from dewline.readings import BEYOND_RANGE, QUALITY_BY_TEXT

if TYPE_CHECKING:
    from dewline.watch.derived.outlook_table import BoxOutlook

_LEDGER_ROWS = 5


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which daemon to ask."""
    add_config_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print what the daemon sees; ``--json`` prints the status document on one line.

    Exit status 1 while a high or critical alarm is unacknowledged, else 0; NoDaemon, which
    becomes 3, where no daemon answers.
    """
    status = ask_status(socket_of(args))
    if args.json:
        print_json(status)
    else:
        _print(status)
    return 1 if any(_needs_somebody(alarm) for alarm in status["alarms"]) else 0


def _needs_somebody(alarm: EventDocument) -> bool:
    return alarm["priority"] in ("critical", "high") and alarm["state"] in (
        "unacknowledged",
        "latched-unacknowledged",
    )


def _ahead(ahead: BoxOutlook) -> Iterator[str]:
    """What the box's own past says of the days to come, with its range."""
    if (bed := ahead.get("bed")) and (days := bed["bed_days_left"]):
        low, middle, high = (_days(d) for d in (days["low"], days["middle"], days["high"]))
        seen = "" if days["since_regeneration"] else "; its last regeneration was not seen"
        yield (
            f"bed {bed['bed']} of {bed['purifier']}: about {middle} days left by {days['by']}, "
            f"between {low} and {high} (4 in 5){seen}"
        )
    if nitrogen := ahead.get("nitrogen"):
        span = f"{nitrogen['low_ppm']:.0f} to {nitrogen['high_ppm']:.0f} ppm"
        since = "watching began" if nitrogen["since_ms"] is None else "the last purge"
        yield f"nitrogen let in since {since}: {span}"


def _days(days: float) -> str:
    return f"{days:.0f}" if days >= 10.0 else f"{days:.1f}"


def _modes(box: BoxStatus) -> Iterator[str]:
    """What the box is doing, as far as that is read, and what it did when it was last read."""
    yield from box["modes"]
    if box["modes_unread"]:
        yield f"not known whether still {' or '.join(box['modes_unread'])}"
    if box["ahead"].get("learning"):
        yield "learning"


def _unread(box: BoxStatus, zone: tzinfo) -> str:
    """That no reading of the box can be believed, and since when."""
    if box["last_read"] is None:
        return "NOT READ: nothing was ever read"
    answers = any(not reading["raw"].startswith("bad") for reading in box["readings"].values())
    return f"{'NOT BELIEVED' if answers else 'NOT READ'} since {clock(box['last_read'], zone)}"


def _doubts(reading: ReadingStatus, zone: tzinfo) -> str:
    """Its quality where that is not good, since when, and the last number where there is none."""
    note = "" if reading["quality"] == "good" else f"  {reading['quality']}"
    note += f" since {clock(reading['since'], zone)}" if reading["since"] else ""
    if reading["last_value"] is not None and reading["age_s"] is not None:
        note += f"  last {reading['last_value']:.4g} {reading['unit']}".rstrip()
        note += f", {duration(round(reading['age_s'] * 1000))} ago"
    return note


def _now(alarm: AlarmDocument) -> str:
    """What the signal of an alarm shows now: the figure beside it is that of its last event."""
    now = alarm["now"]
    if now is None:
        return ""
    figure = shown(now["value"], alarm["unit"], now["quality"]) or now["quality"]
    return f"  now {figure}"


def _print(status: StatusDocument) -> None:
    zone = zone_of(status["timezone"])
    print(f"{status['site']}: {status['state']}")
    for follower in status["followers"].values():
        for road, why in follower["barred"].items():
            print(f"NO ALARM GOES OUT BY {road}: {why}")
    for name, box in status["boxes"].items():
        print(f"\n{name}  {box['title']}  {', '.join(_modes(box))}".rstrip())
        for kind, until in box["planned"].items():
            print(f"  planned: {kind} until {clock(until, zone)}")
        if not box["read"]:
            print(f"  {_unread(box, zone)}")
        for signal, reading in box["readings"].items():
            known = (
                reading["value"] is not None
                and QUALITY_BY_TEXT[reading["quality"]] not in BEYOND_RANGE
            )
            value = f"{reading['value']:.4g}" if known else "-"
            print(f"  {signal:<24} {value:>10} {reading['unit']}{_doubts(reading, zone)}")
        for line in _ahead(box["ahead"]):
            print(f"  {line}")
    print(f"\nalarms: {len(status['alarms']) or 'none'}")
    for alarm in status["alarms"]:
        print(f"  {alarm['state']:<24} {event_line(alarm, zone)}{_now(alarm)}")
        if alarm["advice"]:
            print(f"  {'':<24} {alarm['advice']}")
    rows = [*status["ledger"]["open"], *status["ledger"]["recent"][-_LEDGER_ROWS:]]
    print(f"\nledger: {'the newest' if rows else 'nothing yet'}")
    for row in rows:
        ended = "still open" if row["ended_ms"] is None else f"to {clock(row['ended_ms'], zone)}"
        print(f"  {clock(row['started_ms'], zone)} {ended}  {row['box']} {row['kind']}")
    for name, follower in status["followers"].items():
        print(
            f"{name}: {follower['events_behind']} events, {follower['seconds_behind']:.0f} s behind"
        )
