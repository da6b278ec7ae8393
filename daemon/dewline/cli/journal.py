"""``dewline journal info | check | backup``: the record's health."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from dewline.cli import say
from dewline.cli.terminal import add_config_arguments, plan_of, print_json
from dewline.journal import health
from dewline.typed_json import Json


def arguments(parser: argparse.ArgumentParser) -> None:
    """``info``, ``check`` or ``backup``, and the config of the record.

    ``backup`` may be given a file or a folder for the copy.
    """
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, summary in (
        ("info", "what is in the record, its size, how far its followers are"),
        ("check", "read all of it and say what is wrong (takes a while)"),
        ("backup", "a whole copy, made while the daemon runs on"),
    ):
        action = actions.add_parser(name, help=summary, description=summary)
        add_config_arguments(action)
        if name == "backup":
            action.add_argument(
                "--to", type=Path, metavar="FILE", help="default: beside the record, with the time"
            )


def run(args: argparse.Namespace) -> int:
    """Print what is in the record, what is wrong with it, or where the copy is.

    Exit status 0, or 1 where ``check`` finds something wrong. All three work beside a running
    daemon; ``--json`` prints one object.
    """
    plan = plan_of(args)
    path = plan.journal.path
    match args.action:
        case "info":
            return _info(path, plan.site, args.json)
        case "check":
            return _check(path, args.json)
        case _:
            return _backup(path, args.to, args.json)


def _info(path: Path, site: str, as_json: bool) -> int:
    """``site`` is that of the config, for a record without an event yet, which names its site."""
    found = health.info(path)
    found["site"] = found["site"] or site
    if as_json:
        print_json(found)
    else:
        for name, value in found.items():
            say(f"{name.replace('_', ' '):<15} {_words(value)}")
    return 0


def _words(value: Json) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name} at {_place(name, at)}" for name, at in value.items()) or "none"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None else str(value)


def _place(follower: str, cursor: Json) -> str:
    """A cursor in words: most count items and events, those named ``-ledger`` rows of it."""
    assert isinstance(cursor, dict)
    if follower.endswith("-ledger"):
        return f"row {cursor['event_seq']}"
    return f"item {cursor['item_seq']}, event {cursor['event_seq']}"


def _check(path: Path, as_json: bool) -> int:
    found = health.check(path)
    if as_json:
        print_json({"path": str(path), "ok": not found, "findings": found})
    else:
        say("\n".join(found) if found else f"{path} is whole")
    return 1 if found else 0


def _backup(path: Path, target: Path | None, as_json: bool) -> int:
    name = f"{path.name}.backup-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}"
    if target is None:
        target = path.with_name(name)
    elif target.is_dir():
        target = target / name
    health.back_up(path, target)
    if as_json:
        print_json({"path": str(path), "backup": str(target), "bytes": target.stat().st_size})
    else:
        say(f"{target}, {target.stat().st_size} bytes")
    return 0
