"""note, planned: what people say of a box."""

from __future__ import annotations

import argparse

from dewline.cli.alarm_command import duration_s, send
from dewline.cli.terminal import add_config_arguments, who
from dewline.watch_plan import NOTE_KINDS, PLANNED_WORK


def arguments(parser: argparse.ArgumentParser) -> None:
    """A box and a kind; for ``note`` what was done, for ``planned`` how long the work takes."""
    parser.add_argument("box", metavar="BOX")
    if parser.prog.split()[-1] == "note":
        parser.add_argument("kind", metavar="KIND", choices=NOTE_KINDS, help=", ".join(NOTE_KINDS))
        parser.add_argument("why", metavar="TEXT", help="what was done")
    else:
        parser.add_argument(
            "kind", metavar="KIND", choices=PLANNED_WORK, help=", ".join(PLANNED_WORK)
        )
        end = parser.add_mutually_exclusive_group(required=True)
        end.add_argument("--for", dest="for_s", type=duration_s, metavar="TIME", help="e.g. 3h")
        end.add_argument("--end", action="store_true", help="the work is over")
        parser.add_argument("--why", help="goes into the record")
    parser.add_argument("--by", default=who(), help="who says so (default: your login)")
    add_config_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Send it to the daemon and print its answer: what goes quiet and until when, or a refusal.

    Exit status and ``--json`` as for a command about an alarm.
    """
    ended = args.command == "planned" and args.end
    return send(args, "planned-end" if ended else args.command)
