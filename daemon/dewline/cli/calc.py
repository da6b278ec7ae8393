"""``dewline calc SUM``: the trade's sums, each with its formula and source.

This is the table of sums and their arguments; ``sums`` works them out.
"""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable
from dataclasses import dataclass

from dewline.cli import say, sums
from dewline.units import parse_quantity

GASES = ("oxygen", "moisture", "water")
POINT = ("GAUGE", "GAS_TEMPERATURE", "BAROMETER")
_SUFFIX = {"%": "percent", "degC": "c", "/h": "per_h"}


@dataclass(frozen=True, slots=True)
class Arg:
    """An argument of a sum. ``kind``: the unit of a quantity, ``float``, ``int`` or ``str``.

    A quantity is passed on in that unit and with the unit in its name: ``--flow`` in m3/h as
    ``flow_m3_h``. Several quantities are passed on in a tuple of units; ``words`` name them in the
    help. Without a ``default`` a flag is required. ``bare``: a number
    without a unit is in ``kind``.
    """

    flag: str
    kind: str | type[float | str] | tuple[str, ...]
    help: str | None = None
    default: str | float | None = None
    optional: bool = False
    bare: bool = False
    words: str | tuple[str, ...] | None = None
    choices: tuple[str, ...] | None = None

    @property
    def name(self) -> str:
        """The name that the sum knows it by."""
        if not isinstance(self.kind, str):
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
        parser.add_argument(
            self.flag,
            dest=self.name,
            required=self.default is None and not self.optional,
            default=self.default,
            help=self.help,
            type=self.kind if isinstance(self.kind, type) else str,
            nargs=len(self.kind) if isinstance(self.kind, tuple) else None,
            metavar=self.words or (None if self.choices else self._stem.upper()),
            choices=self.choices,
        )

    def value(self, args: argparse.Namespace) -> object:
        """What was given, in its unit; UnitError where it is no quantity of that kind."""
        given = getattr(args, self.name)
        if given is None or isinstance(self.kind, type):
            return given
        if isinstance(self.kind, str):
            if self.bare and re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", given):
                return float(given)
            return parse_quantity(given).to(self.kind)
        pairs = zip(given, self.kind, strict=True)
        return tuple(parse_quantity(text).to(unit) for text, unit in pairs)


Work = Callable[[argparse.Namespace], sums.Answer]
FROM = Arg("--from", "ppm", '"20.9 %%"', words="START")
TO = Arg("--to", "ppm", '"10 ppm"', words="TARGET")
VOLUME = Arg("--volume", "m3", '"1.2 m3"')
OUTLET = Arg("--outlet", "ppm", "what leaves the bed", "0 ppm")
AMBIENT = Arg("--pressure", "Pa", "absolute; 1013.25 mbar if not given", "1013.25 mbar")
OF_A_BOX = Arg("--pressure", "Pa", "absolute; 1016.25 mbar if not given", "1016.25 mbar")
OF_THE_GAS = Arg("--temperature", "K", default="22 degC")


def _sum(summary: str, work: Work, *args: Arg) -> tuple[str, Work, tuple[Arg, ...]]:
    return summary, work, args


SUMS = {
    "frost-point": _sum(
        "water in ppm to frost point over ice",
        sums.frost_point,
        Arg("fraction", "ppm", 'water by volume: "1 ppm"'),
        AMBIENT,
    ),
    "ppm": _sum(
        "frost point (above 0 degC dew point) to ppm",
        sums.ppm,
        Arg("point", "degC", 'frost point, above 0 degC dew point: "-76 degC"'),
        AMBIENT,
    ),
    "purge": _sum(
        "how long a purge takes",
        sums.purge,
        *(FROM, TO),
        Arg("--inlet", "ppm", "what the purge gas itself holds", "0 ppm"),
        Arg("--volume", "m3", '"1.1 m3"'),
        Arg("--flow", "m3/h", 'at box pressure: "300 L/min"'),
        Arg("--mixing", float, "0-1; 0.3-0.7 is usual", 1.0),
    ),
    "cycles": _sum(
        "how many antechamber cycles it takes",
        sums.cycles,
        *(FROM, TO),
        Arg("--low", "Pa", 'evacuated to, absolute: "10 mbar"'),
        Arg("--high", "Pa", 'refilled to, absolute: "1013 mbar"'),
        Arg("--refill", "ppm", "what the refill gas itself holds", "0 ppm"),
        Arg(
            "--barometer",
            "Pa",
            "station pressure; low and high are then gauge readings against it",
            optional=True,
        ),
    ),
    "leak": _sum(
        "leak rate from two readings of a pressure hold",
        sums.leak_rate,
        VOLUME,
        *(
            Arg(end, ("Pa", "K", "Pa"), '"5.00 mbar" "22.00 degC" "1013.2 mbar"', words=POINT)
            for end in ("--start", "--end")
        ),
        Arg("--hours", float),
        Arg(
            "--resolution",
            str,
            "what gauge, thermometer and barometer together can tell; 0.05 mbar if not given",
            "0.05 mbar",
        ),
        Arg(
            "--step",
            ("m3", "Pa"),
            'gas pressed in and the rise it made, for gloves that give: "1 L" "0.6 mbar"',
            optional=True,
            words=("ADDED", "RISE"),
        ),
    ),
    "cleanup": _sum(
        "where a circulated box settles, and when",
        sums.clean_up,
        VOLUME,
        Arg("--flow", "m3/h", 'through the bed: "60 m3/h"'),
        Arg("--efficiency", float, "of the bed, 0-1"),
        Arg("--leak-rate", "/h", 'air per box volume: "1e-4 /h"', "0 /h"),
        Arg("--source", "cm3/h", 'permeation and load: "1.76 cm3/h"', "0 cm3/h"),
        OUTLET,
        Arg("--from", "ppm", '"100 ppm"', words="START"),
        Arg("--to", str, '"1 ppm"', words="TARGET"),
    ),
    "bed": _sum(
        "what a purifier bed took up",
        sums.bed_uptake,
        Arg("--gas", str, choices=GASES),
        Arg("--ppm", "ppm", 'into the bed: "0.5 ppm"', bare=True),
        OUTLET,
        Arg("--flow", "m3/h", 'at its own pressure: "60 m3/h"'),
        Arg("--hours", float),
        *(OF_THE_GAS, OF_A_BOX),
    ),
    "air-ratio": _sum(
        "oxygen to water in the air of the room",
        sums.air_ratio,
        Arg("temperature", "degC", 'of the room: "23 degC"'),
        Arg("humidity", "%", 'relative: "50 %%"'),
        AMBIENT,
    ),
    "gloves": _sum(
        "what comes through the rubber of the gloves",
        sums.gloves,
        Arg("--gas", str, choices=GASES),
        Arg("--area", "m2", 'of all gloves: "0.9 m2"'),
        Arg("--thickness", "mm", '"0.4 mm"'),
        VOLUME,
        Arg("--room", "degC", "23 degC if not given", "23 degC"),
        Arg("--humidity", "%", "of the room; 50 %% if not given", "50 %"),
        Arg("--permeability", "barrer", 'if not butyl rubber: "0.5 barrer"', optional=True),
        *(OF_THE_GAS, OF_A_BOX),
    ),
    "modbus-time": _sum(
        "the shortest time of one read on a serial line",
        sums.modbus_time,
        Arg("--baud", int),
        Arg("--registers", int, "read in one request"),
    ),
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """One sub-command a sum; quantities are number, space, unit."""
    commands = parser.add_subparsers(dest="sum", metavar="SUM", required=True)
    for name, (summary, _, args) in SUMS.items():
        sub = commands.add_parser(name, help=summary, description=summary)
        for arg in args:
            arg.add_to(sub)
        sub.add_argument("--json", action="store_true", help="one JSON object on stdout")


def run(args: argparse.Namespace) -> int:
    """Work the sum out and print it, with ``--json`` as one object.

    Exit status 0. UnitError and OutOfRange, which say what is allowed, become status 2.
    """
    _, work, known = SUMS[args.sum]
    answer = work(argparse.Namespace(**{arg.name: arg.value(args) for arg in known}))
    if args.json:
        print(json.dumps(answer.document, allow_nan=False))
        return 0
    lines = [answer.words, f"formula: {answer.formula}", f"source: {answer.source}"]
    say("\n".join([*lines, *answer.remarks]))
    return 0
