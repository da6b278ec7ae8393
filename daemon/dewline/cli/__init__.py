"""The command line: a command's module is imported only when it is called.

Each module has ``arguments(parser)`` and ``run(args) -> int``. Exit status: 0 done, 1 ran and
found trouble, 2 bad config, usage or out of range, 3 could not reach what it needs. What a command
found goes to stdout, errors and progress to stderr; with ``--json`` stdout holds JSON alone.
"""

from __future__ import annotations

import argparse
import importlib
import os
import signal
import sys
from collections.abc import Sequence
from contextvars import ContextVar

from dewline import __version__
from dewline.errors import ConfigError, DewlineError, OutOfRange, UnitError

COMMANDS: dict[str, str] = {
    "demo": "a simulated lab through one night: simulator, broker and daemon in one command",
    "run": "the daemon",
    "check": "read a config: errors with lines, effective rules, poll plan, what is watched",
    "simulate": "the simulated lab alone",
    "status": "what a running daemon sees now",
    "ack": "acknowledge an alarm",
    "shelve": "silence an alarm for a while, with a reason",
    "unshelve": "end a shelving early",
    "out-of-service": "take an alarm out of service",
    "return-to-service": "bring an alarm back into service",
    "reset": "reset a latched alarm whose condition is over",
    "planned": "announce work at a box: what goes quiet, and until when",
    "note": "write into the record what was done at a box",
    "replay": "the events these rules would have raised on a record",
    "journal": "the record's health: info, check, backup",
    "alarms": "how good the alarm system is, against EEMUA 191 and ISA-18.2 figures",
    "page-test": "send a test page to a contact",
    "export": "readings and events out, in feed order: CSV, Parquet or line protocol",
    "leak-test": "pressure hold or oxygen method, with its uncertainty",
    "calc": "the trade's sums, with formula and source",
    "rules": "rule sets that are built in",
    "profiles": "instrument profiles that are built in",
    "schema": "the JSON Schema of the config",
}
# Commands that differ only in the request they send, or in the folder they list, share a module.
_MODULES = {
    **dict.fromkeys(
        ("ack", "shelve", "unshelve", "out-of-service", "return-to-service", "reset"),
        "alarm_command",
    ),
    **dict.fromkeys(("note", "planned"), "box_command"),
    **dict.fromkeys(("rules", "profiles"), "built_in"),
    "leak-test": "pressure_hold",
    "page-test": "send_page",
}
DEFAULT_CONFIG = "/etc/dewline/dewline.yaml"


_json_only: ContextVar[bool] = ContextVar("json_only", default=False)


def say(text: str = "") -> None:
    """Print words for a person: on stdout, or on stderr where stdout is for JSON alone."""
    print(text, file=sys.stderr if _json_only.get() else sys.stdout, flush=True)


def default_config() -> str:
    """The config of the daemon to ask where none is named: $DEWLINE_CONFIG, else that of /etc."""
    return os.environ.get("DEWLINE_CONFIG", DEFAULT_CONFIG)


def module_of(command: str) -> str:
    """The module of this package that has the arguments of a command and runs it."""
    return _MODULES.get(command, command.replace("-", "_"))


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit status, 130 after Ctrl-C, 141 where nobody reads on.

    An error that dewline raises on purpose is printed in one line, without a traceback.
    Anything else is a bug and is not caught. Wrong usage ends in argparse's SystemExit(2).
    """
    words = list(sys.argv[1:] if argv is None else argv)
    parser = argparse.ArgumentParser(
        prog="dewline",
        description="Watches inert-gas gloveboxes and wakes the right person before work is lost.",
        epilog="dewline observes and warns; it is no safety system.",
    )
    parser.add_argument("--version", action="version", version=f"dewline {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    wanted = next((w for w in words if not w.startswith("-")), None)
    for name, summary in COMMANDS.items():
        sub = commands.add_parser(name, help=summary, description=summary)
        if name == wanted:  # the others are not even imported
            module = importlib.import_module(f"dewline.cli.{module_of(name)}")
            module.arguments(sub)
            sub.set_defaults(run=module.run)
    args = parser.parse_args(words)
    _json_only.set(getattr(args, "json", False))
    try:
        status = int(args.run(args))
        sys.stdout.flush()
    except BrokenPipeError:
        # `| head` has read what it wanted. The interpreter would fail once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 128 + signal.SIGPIPE
    except (ConfigError, UnitError, OutOfRange) as error:
        print(error, file=sys.stderr)
        return 2
    except DewlineError as error:
        print(f"dewline {args.command}: {error}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130
    return status


if __name__ == "__main__":
    sys.exit(main())
