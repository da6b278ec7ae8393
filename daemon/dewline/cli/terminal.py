"""What the commands share on a terminal: a line for an event, progress, the way to the daemon."""

from __future__ import annotations

import argparse
import getpass
import json
import sys
import time
from pathlib import Path

import yaml

from dewline.cli import default_config
from dewline.config import load
from dewline.config.plan import JournalPlan
from dewline.events import EventDocument


def say(text: str = "") -> None:
    """Print words for a person, on stderr: stdout is for ``--json``."""
    print(text, file=sys.stderr, flush=True)


def print_json(document: object) -> None:
    """One line of JSON on stdout."""
    print(json.dumps(document, ensure_ascii=False), flush=True)


def add_daemon_arguments(parser: argparse.ArgumentParser) -> None:
    """``--config`` and ``--json``, for commands that speak to a running daemon."""
    parser.add_argument(
        "--config",
        type=Path,
        default=None,
        help="config of the daemon (else $DEWLINE_CONFIG, else /etc/dewline/dewline.yaml)",
    )
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def socket_of(args: argparse.Namespace) -> Path:
    """The control socket of the daemon whose config is named, or of the default one.

    Only the journal's path is read: a half-edited config must not keep anybody from
    acknowledging an alarm of the daemon that still runs on the old one. ConfigError where even
    that cannot be read.
    """
    path: Path = args.config or Path(default_config())
    try:
        document = yaml.safe_load(path.read_text(encoding="utf-8"))
        journal = path.parent / document["journal"]["path"]
    except (yaml.YAMLError, TypeError, KeyError, OSError):
        return load(path).plan.journal.socket  # which says what is wrong, and where
    return JournalPlan(path=journal).socket


def who() -> str:
    """The name that goes into the record for a command given on this machine."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "local"


def event_line(event: EventDocument) -> str:
    """One line for a person: when, how urgent, which alarm, value, limit, cause and by whom.

    Times are UTC, to the second; what there is none of is left out.
    """
    parts = [
        event["time"][:19].replace("T", " "),
        f"{event['transition']:<12}",
        f"{event['priority']:<8}",
        event["alarm"],
        _figure(event["value"], event["unit"]),
        _figure(event["limit"], event["limit_unit"], "limit "),
        f"cause {event['cause']['name']}" if event["transition"] == "raised" else "",
        f"by {event['by']}" if event["by"] else "",
        f"under {event['under']}" if event["under"] else "",
        f"({event['why']})" if event["why"] else "",
    ]
    return "  ".join(part for part in parts if part)


def _figure(value: float | None, unit: str | None, label: str = "") -> str:
    return "" if value is None else f"{label}{value:.4g} {unit or ''}".rstrip()


class ProgressLine:
    """Share done, time passed and time left, redrawn in place; silent where there is no terminal.

    Call it with the share done, 0-1.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._started = time.monotonic()
        self._shown = 0.0
        self._live = sys.stderr.isatty()
        self._drawn = False

    def clear(self) -> None:
        """Wipe the line, so that a line of text can be printed."""
        if self._drawn:
            print("\r" + " " * 72 + "\r", end="", file=sys.stderr, flush=True)
            self._drawn = False

    def __call__(self, share: float) -> None:
        now = time.monotonic()
        if not self._live or (now - self._shown < 0.2 and share < 1.0):
            return
        self._shown = now
        self._drawn = share < 1.0
        passed = now - self._started
        left = passed * (1 - share) / share if share > 0 else float("inf")
        end = "\n" if share >= 1.0 else ""
        print(
            f"\r{self._what}: {share:6.1%}, {passed:.0f} s, about {left:.0f} s left   ",
            end=end,
            file=sys.stderr,
            flush=True,
        )
