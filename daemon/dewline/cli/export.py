"""``dewline export --to FILE.csv | .parquet | .lp``: the record, in feed order."""

from __future__ import annotations

import argparse
import dataclasses
import time
from pathlib import Path

from dewline.cli import say
from dewline.cli.terminal import (
    ProgressLine,
    add_config_arguments,
    add_period_arguments,
    period_of,
    plan_of,
    print_json,
)
from dewline.errors import JournalError
from dewline.journal import Reader
from dewline.reports.export import ExportRange, export


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config of the record, the file to write and the period."""
    add_config_arguments(parser)
    parser.add_argument("--to", type=Path, required=True, metavar="FILE", help="ending says form")
    parser.add_argument("--journal", type=Path, metavar="DB", help="default: the config's own")
    add_period_arguments(parser, "its beginning")


def run(args: argparse.Namespace) -> int:
    """Write the record into files of the form that the ending of ``--to`` names.

    Exit status 0; JournalError, which becomes 3, where the record cannot be read or the file
    not be written. ``--json`` prints the counts and the names of the files.
    """
    plan = plan_of(args)
    period = ExportRange(*period_of(args, plan))
    started = time.monotonic()
    progress = ProgressLine(f"export to {args.to.name}")
    with Reader(args.journal or plan.journal.path) as reader:
        try:
            done = export(reader, args.to, progress, period, plan.site)
        except OSError as error:
            raise JournalError(f"{args.to} cannot be written: {error.strerror}") from error
        finally:
            progress.clear()
    rate = done.readings / max(time.monotonic() - started, 1e-3)
    if args.json:
        print_json({**dataclasses.asdict(done), "files": [str(file) for file in done.files]})
    else:
        say(f"{done.readings} readings ({rate:,.0f}/s), {done.events} events, {done.inputs} inputs")
        say("\n".join(str(file) for file in done.files))
    return 0
