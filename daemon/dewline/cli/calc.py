"""``dewline calc SUM``: the trade's sums, each with its formula and source.

The sums and their arguments stand in ``builtin/sums.yaml``; ``sums`` works them out.
"""

from __future__ import annotations

import argparse
import json
import re
from dataclasses import dataclass
from functools import cache

import yaml

from dewline.cli import say, sums
from dewline.config.profiles import BUILTIN
from dewline.units import parse_quantity

_SUFFIX = {"%": "percent", "degC": "c", "/h": "per_h"}
_PLAIN: dict[str, type[float | str]] = {"float": float, "int": int, "text": str}


@dataclass(frozen=True, slots=True)
class Arg:
    """An argument of a sum, as ``builtin/sums.yaml`` describes it.

    A quantity is passed on with its unit in its name: ``--flow`` in m3/h as ``flow_m3_h``.
    ``bare``: a number without a unit is in ``kind``.
    """

    flag: str
    kind: str | list[str]
    help: str | None = None
    default: str | float | None = None
    optional: bool = False
    bare: bool = False
    words: str | list[str] | None = None
    choices: list[str] | None = None

    @property
    def name(self) -> str:
        """The name that the sum knows it by."""
        if isinstance(self.kind, list) or self.kind in _PLAIN:
            return self._stem
        return f"{self._stem}_{_SUFFIX.get(self.kind, self.kind.replace('/', '_').lower())}"

    @property
    def _stem(self) -> str:
        return self.flag.lstrip("-").replace("-", "_")

    def add_to(self, parser: argparse.ArgumentParser) -> None:
        """Tell argparse about it.

        A quantity stays text until ``value`` converts it, so that a wrong unit is refused in
        the words of UnitError.
        """
        if not self.flag.startswith("-"):
            parser.add_argument(self.name, metavar=self.flag, help=self.help)
            return
        words = tuple(self.words) if isinstance(self.words, list) else self.words
        parser.add_argument(
            self.flag,
            dest=self.name,
            required=self.default is None and not self.optional,
            default=self.default,
            help=self.help,
            type=str if isinstance(self.kind, list) else _PLAIN.get(self.kind, str),
            nargs=len(self.kind) if isinstance(self.kind, list) else None,
            metavar=words or (None if self.choices else self._stem.upper()),
            choices=self.choices,
        )

    def value(self, args: argparse.Namespace) -> object:
        """What was given, in its unit; UnitError where it is no quantity of that kind."""
        given = getattr(args, self.name)
        if given is None:
            return None
        if isinstance(self.kind, list):
            pairs = zip(given, self.kind, strict=True)
            return tuple(parse_quantity(text).to(unit) for text, unit in pairs)
        if self.bare and re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", given):
            return float(given)
        return given if self.kind in _PLAIN else parse_quantity(given).to(self.kind)


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum: what it says in one line, the function that works it out, its arguments."""

    summary: str
    work: str
    arguments: list[Arg]


@cache
def _sums() -> dict[str, Sum]:
    text = (BUILTIN / "sums.yaml").read_text(encoding="utf-8")
    entries = yaml.load(text, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))["sums"]
    return {
        name: Sum(one["summary"], one["work"], [Arg(**arg) for arg in one["arguments"]])
        for name, one in entries.items()
    }


def arguments(parser: argparse.ArgumentParser) -> None:
    """One sub-command a sum; quantities are number, space, unit."""
    commands = parser.add_subparsers(dest="sum", metavar="SUM", required=True)
    for name, one in _sums().items():
        sub = commands.add_parser(name, help=one.summary, description=one.summary)
        for arg in one.arguments:
            arg.add_to(sub)
        sub.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    """Work the sum out and print it, with ``--json`` as one object.

    Exit status 0. UnitError and OutOfRange, which say what is allowed, become status 2.
    """
    one = _sums()[args.sum]
    given = argparse.Namespace(**{arg.name: arg.value(args) for arg in one.arguments})
    answer: sums.Answer = getattr(sums, one.work)(given)
    if args.json:
        print(json.dumps(answer.document, allow_nan=False))
        return 0
    lines = [answer.words, f"formula: {answer.formula}", f"source: {answer.source}"]
    say("\n".join([*lines, *answer.remarks]))
    return 0
