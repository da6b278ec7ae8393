"""ack, shelve, unshelve, out-of-service, return-to-service, reset: commands about an alarm."""

from __future__ import annotations

import argparse
import re
import sys

from dewline.cli import say
from dewline.cli.terminal import add_config_arguments, print_json, socket_of, who
from dewline.live.control_socket import ask
from dewline.units import convert

_FIELDS = ("alarm", "box", "kind", "by", "why", "for_s")
_NEEDS_A_REASON = ("shelve", "out-of-service")


def duration_s(text: str) -> float:
    """``2h``, ``30 min`` or ``90s`` in seconds."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)", text.strip())
    if not match:
        raise argparse.ArgumentTypeError(f"{text!r} is no time; write 30min or 2h")
    return convert(float(match[1]), match[2], "s")


def arguments(parser: argparse.ArgumentParser) -> None:
    """An alarm; then who, why and for how long.

    One function serves six commands: the last word of the parser's name is the command.
    """
    command = parser.prog.split()[-1]
    parser.add_argument("alarm", metavar="ALARM", help="e.g. heron.moisture-high")
    parser.add_argument("--why", required=command in _NEEDS_A_REASON, help="goes into the record")
    if command == "shelve":
        parser.add_argument(
            "--for", dest="for_s", type=duration_s, required=True, metavar="TIME", help="e.g. 2h"
        )
    parser.add_argument("--by", default=who(), help="who says so (default: your login)")
    add_config_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Send the command to the daemon and print its answer: done, or why it is refused.

    Exit status 0 done, 1 refused; NoDaemon, which becomes 3, where no daemon answers.
    ``--json`` prints {ok, message, event_id}.
    """
    return send(args, "acknowledge" if args.command == "ack" else args.command)


def send(args: argparse.Namespace, command: str) -> int:
    """Send ``command`` with what ``args`` says of its fields, and print the answer as ``run``."""
    given = {name: value for name, value in vars(args).items() if name in _FIELDS}
    answer = ask(socket_of(args), {"ask": "command", **given, "command": command})
    if args.json:
        print_json(answer)
    elif answer["ok"]:
        say(answer["message"])
    else:
        print(answer["message"], file=sys.stderr)
    return 0 if answer["ok"] else 1
