"""What the commands share on a terminal: a line for an event, progress, the way to the daemon."""

from __future__ import annotations

import argparse
import getpass
import json
import re
import sys
import time
from datetime import datetime, tzinfo
from pathlib import Path

import yaml

from dewline.cli import DEFAULT_CONFIG, default_config
from dewline.config import Plan, load
from dewline.config.plan import JournalPlan
from dewline.errors import OutOfRange
from dewline.events import EventDocument
from dewline.hours import zone_of
from dewline.readings import parse_iso_utc


def print_json(document: object) -> None:
    """One line of JSON on stdout."""
    print(json.dumps(document, ensure_ascii=False), flush=True)


def add_config_arguments(parser: argparse.ArgumentParser) -> None:
    """``--config`` and ``--json``, for every command about a daemon or its record."""
    parser.add_argument(
        "--config",
        type=Path,
        default=None,
        metavar="FILE",
        help=f"config of the daemon (else $DEWLINE_CONFIG, else {DEFAULT_CONFIG})",
    )
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def add_period_arguments(parser: argparse.ArgumentParser, since: str) -> None:
    """``--since`` and ``--until``; ``since`` says from when on where none is given."""
    when = "2026-03-02 or 2026-03-02T06:00, by the clock of the site, or with a zone"
    parser.add_argument("--since", metavar="TIME", help=f"{when}; else {since}")
    until = "up to, not at, this time; else the end of the record"
    parser.add_argument("--until", metavar="TIME", help=until)


def period_of(args: argparse.Namespace, plan: Plan) -> tuple[int | None, int | None]:
    """The ends that are given, as UTC epoch in ms; OutOfRange where one is no time.

    A time without a zone is by the clock of the site.
    """
    zone = zone_of(plan.watch.timezone)
    since_ms, until_ms = (_moment(text, zone) for text in (args.since, args.until))
    if since_ms is not None and until_ms is not None and since_ms >= until_ms:
        raise OutOfRange("the period ends before it begins; give --since an earlier time")
    return since_ms, until_ms


def _moment(text: str | None, zone: tzinfo) -> int | None:
    if text is None:
        return None
    try:
        stamp = datetime.fromisoformat(text)
    except ValueError:
        raise OutOfRange(f"{text!r} is no time; write 2026-03-02 or 2026-03-02T06:00Z") from None
    stamp = stamp if stamp.tzinfo else stamp.replace(tzinfo=zone)
    return round(stamp.timestamp() * 1000)


def config_of(args: argparse.Namespace) -> Path:
    """The config that is named, or the default one."""
    named: Path | None = args.config
    return named or Path(default_config())


def plan_of(args: argparse.Namespace) -> Plan:
    """The plan of the config that is named, or of the default one.

    OutOfRange where none is named and there is no default one; ConfigError for its mistakes.
    """
    path = config_of(args)
    if args.config is None and not path.exists():
        raise OutOfRange(f"there is no {path}; name a config by --config or $DEWLINE_CONFIG")
    return load(path).plan


def socket_of(args: argparse.Namespace) -> Path:
    """The control socket of the daemon whose config is named, or of the default one.

    Only the journal's path is read: a half-edited config must not keep anybody from
    acknowledging an alarm of the daemon that still runs on the old one. ConfigError where even
    that cannot be read.
    """
    path = config_of(args)
    try:
        name = _journal_named_in(path.read_text(encoding="utf-8", errors="replace"))
    except OSError:
        name = None
    if name is None:
        return plan_of(args).journal.socket  # which says what is wrong, and where
    return JournalPlan(path=path.parent / name).socket


# A section, a path in it and the name of the site, found line by line in what is no YAML yet.
_SECTION = re.compile(r"^journal:.*(?:\n(?:[ \t].*)?)*", re.MULTILINE)
_PATH = re.compile(r"""^[^#\n]*\bpath:\s*["']?([^"',}\s#]+)""", re.MULTILINE)
_SITE = re.compile(r"""^site:\s*["']?([^"'\s#]+)""", re.MULTILINE)


def _journal_named_in(text: str) -> str | None:
    """The journal that a config names, or the one that is named after its site; None without."""
    try:
        document = yaml.safe_load(text)
        return str((document.get("journal") or {}).get("path") or f"{document['site']}.db")
    except (yaml.YAMLError, AttributeError, KeyError, ValueError):
        pass
    section = _SECTION.search(text)
    path = section and _PATH.search(section[0])
    site = _SITE.search(text)
    return path[1] if path else f"{site[1]}.db" if site else None


def who() -> str:
    """The name that goes into the record for a command given on this machine."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return "local"


def clock(time: int | str, zone: tzinfo) -> str:
    """A moment by the clock of ``zone``: ``2026-03-02 02:14:09 WET``.

    ``time`` is a UTC epoch in ms, or ISO 8601.
    """
    time_ms = parse_iso_utc(time) if isinstance(time, str) else time
    return f"{datetime.fromtimestamp(time_ms / 1000, zone):%Y-%m-%d %H:%M:%S %Z}"


def event_line(event: EventDocument, zone: tzinfo) -> str:
    """One line for a person: when, how urgent, which alarm, value, limit, cause and by whom.

    Times are those of ``zone``, to the second; what there is none of is left out.
    """
    parts = [
        clock(event["time"], zone),
        f"{event['transition']:<12}",
        f"{event['priority']:<8}",
        event["alarm"],
        shown(event["value"], event["unit"], event["quality"]),
        _figure(event["limit"], event["limit_unit"], "limit "),
        f"cause {event['cause']['name']}" if event["transition"] == "raised" else "",
        f"by {event['by']}" if event["by"] else "",
        f"under {event['under']}" if event["under"] else "",
        f"({event['why']})" if event["why"] else "",
    ]
    return "  ".join(part for part in parts if part)


# Of such a reading the value is only an end of the range that the profile names.
_RANGES = {"uncertain/over-range": "over its range", "uncertain/under-range": "under its range"}


def shown(value: float | None, unit: str | None, quality: str | None) -> str:
    """A reading in words: its number with its unit, or that it is beyond its range."""
    return _RANGES.get(quality or "") or _figure(value, unit)


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
