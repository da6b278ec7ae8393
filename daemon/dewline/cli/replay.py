"""``dewline replay [--journal DB | --csv FILE] [--compare OTHER.yaml] [--json]``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

from dewline import __version__
from dewline.cli import say
from dewline.cli.terminal import (
    ProgressLine,
    add_config_arguments,
    event_line,
    plan_of,
    print_json,
)
from dewline.config import Plan, load
from dewline.events import Entry, Event, EventDocument
from dewline.hours import zone_of
from dewline.journal import Reader
from dewline.replay.replay import Difference, difference, recorded_by, replay_csv, replay_journal


def arguments(parser: argparse.ArgumentParser) -> None:
    """A config, where its readings come from, and perhaps a second config to compare with."""
    add_config_arguments(parser)
    source = parser.add_mutually_exclusive_group()
    source.add_argument("--journal", type=Path, metavar="DB", help="default: the config's own")
    source.add_argument(
        "--csv", type=Path, metavar="FILE", help="long form: time,signal,value,quality"
    )
    parser.add_argument("--compare", type=Path, metavar="OTHER.yaml", help="a second config")


def run(args: argparse.Namespace) -> int:
    """Print the events that the rules of a config raise on a record, each as it comes.

    With ``--compare`` only the events that one of two configs raises alone are printed.
    Exit status 0, or 1 where two configs differ; stderr says so when another version of
    dewline made the record.
    """
    plan = plan_of(args)
    other = load(args.compare).plan if args.compare else None
    args.journal = args.journal or plan.journal.path  # also where the other config names its own
    if not args.csv:
        _say_versions(args.journal)
    if other is None:
        zone = zone_of(plan.watch.timezone)
        each = print_json if args.json else lambda event: print(event_line(event, zone))
        say(f"{len(_events(args, plan, each))} events")
        return 0
    first, second = _events(args, plan), _events(args, other)
    return _report(difference(first, second), plan, args.json)


def _say_versions(journal: Path) -> None:
    """Say which versions of dewline made the record, where it was not this one alone."""
    with Reader(journal) as reader:
        versions = recorded_by(reader)
    if any(version != __version__ for version in versions):
        line = f"recorded by dewline {', '.join(versions)}, replayed by {__version__}"
        print(line, file=sys.stderr)


def _events(
    args: argparse.Namespace, plan: Plan, each: Callable[[EventDocument], None] | None = None
) -> list[Event]:
    """Replay under one plan; every event is also handed on as it comes."""
    found: list[Event] = []

    def record(entry: Entry) -> None:
        for event in entry.outcome.events:
            found.append(event)
            if each:
                each(event.document())

    progress = ProgressLine(f"replay under {plan.path.name}")
    if args.csv:
        replay_csv(plan, args.csv, record, progress)
    else:
        with Reader(args.journal) as reader:
            replay_journal(plan, reader, record, progress)
    return found


def _report(found: Difference, plan: Plan, as_json: bool) -> int:
    """Print what only one of two configs raises; 1 where they differ."""
    if as_json:
        print_json({"alarms": found.alarms, **asdict(found)})
    else:
        for sign, events in (("-", found.only_first), ("+", found.only_second)):
            for event in events:
                print(sign, event_line(event, zone_of(plan.watch.timezone)))
        say(f"alarms that differ: {', '.join(found.alarms) or 'none'}")
    sys.stdout.flush()
    return 1 if found.alarms else 0
