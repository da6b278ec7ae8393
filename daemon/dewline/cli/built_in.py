"""``dewline rules [NAME]`` and ``dewline profiles [NAME]``: what is built in, or one of it."""

from __future__ import annotations

import argparse
from difflib import get_close_matches

import yaml

from dewline.cli import say
from dewline.cli.terminal import print_json
from dewline.config.loader import built_in
from dewline.config.profiles import names
from dewline.errors import OutOfRange

PARTS = {"rules": "rules", "profiles": "registers"}  # command and folder: the key to count


def arguments(parser: argparse.ArgumentParser) -> None:
    """An optional name, and ``--json``."""
    parser.add_argument("name", nargs="?", metavar="NAME", help="print this one; absent: list all")
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def run(args: argparse.Namespace) -> int:
    """List the files of that kind, or print one as it is, to be copied and changed.

    Exit status 0; OutOfRange, which becomes 2, where none has that name. ``--json`` prints a
    list of {name, title} and how many rules or registers each has, or the file as one object.
    """
    folder, part = args.command, PARTS[args.command]
    if args.name is None:
        return _list(folder, part, args.json)
    path = built_in(folder, args.name)
    if path is None:
        near = get_close_matches(args.name, names(folder), n=1)
        hint = f"did you mean {near[0]}?" if near else f"there are: {', '.join(names(folder))}"
        raise OutOfRange(f"nothing called {args.name} is built in; {hint}")
    text = path.read_text(encoding="utf-8")
    if args.json:
        print_json({"name": args.name, **yaml.safe_load(text)})
    else:
        print(text, end="")
    return 0


def _list(folder: str, part: str, as_json: bool) -> int:
    rows = [_row(folder, part, name) for name in names(folder)]
    if as_json:
        print_json(rows)
        return 0
    for row in rows:
        say(f"{row['name']:<16} {row['title']} ({row[part]} {part})")
    return 0


def _row(folder: str, part: str, name: str) -> dict[str, object]:
    path = built_in(folder, name)
    assert path is not None  # names() has just listed it
    data = yaml.safe_load(path.read_text(encoding="utf-8"))
    return {"name": name, "title": data["title"], part: len(data[part])}
