"""Measures dewline beside what a user would otherwise take: one table, and the same as JSON.

``python -m tests.bench [--rows P1,P3] [--json FILE] [--history FILE] [--into README.md]
[--small]``. Each row runs in a process of its own. Peers and dewline take turns (A B A B …, nine
pairs), and so do the rows, so that the pairs of each lie over the whole run; what is measured is
pinned to one core, its instruments, broker and store to another. A figure is a median [min–max]; a
ratio is dewline to its peer, pair by pair, with the range where a second run is to find it. Figures
that stand in FILE already are held against the new ones; the history gets a line for every run.
Exit status 1 where an aim is missed or a row could not be measured.
"""

from __future__ import annotations

import argparse
import asyncio
import importlib
import json
import platform
import sys
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.bench.again import again
from tests.bench.history import append, commit, entry
from tests.bench.measured import FAR, NEAR, Line, cores, from_document
from tests.bench.printed import SURE, table
from tests.bench.rows import measure_all

ROWS = {
    "P6": "tests.bench.p6_card",  # takes no turns: measured before others wait beside it
    "P7": "tests.bench.p7_scale",
    "P1": "tests.bench.p1_bus",
    "P2": "tests.bench.p2_road",
    "P3": "tests.bench.p3_replay",
    "P4": "tests.bench.p4_latency",
    "P5": "tests.bench.p5_footprint",
    "P8": "tests.bench.p8_backlog",
    "P9": "tests.bench.p9_reading_back",
    "P10": "tests.bench.p10_simulator",
}
COMMAND = "make bench"
BEGIN, END = "<!-- bench: begin -->", "<!-- bench: end -->"


def machine() -> str:
    """The machine in general words."""
    lines = Path("/proc/meminfo").read_text().splitlines()
    total = next(int(line.split()[1]) for line in lines if line.startswith("MemTotal"))
    return (
        f"{len(cores())} cores, {platform.machine()}, {total / 1024**2:.0f} GiB,"
        f" {platform.system()}, Python {platform.python_version()}"
    )


def document(lines: Mapping[str, Sequence[Line]], minutes: Mapping[str, float]) -> dict[str, Any]:
    """All that was found, by row."""
    today = datetime.now(UTC).date().isoformat()
    return {
        "dates": dict.fromkeys(minutes, today),
        "machine": machine(),
        "placement": f"measured on core {NEAR}, its far sides on core {FAR}",
        "command": COMMAND,
        "minutes": {row: round(took, 2) for row, took in minutes.items()},
        "lines": [line.document() for row in sorted(lines) for line in lines[row]],
        "again": "",
    }


def lines_of(found: Mapping[str, Any]) -> list[Line]:
    """The lines of what was found."""
    return [from_document(each) for each in found["lines"]]


def laid_over(before: dict[str, Any], found: dict[str, Any]) -> dict[str, Any]:
    """Rows measured now, and from a run before those that were not."""
    old = [line for line in before["lines"] if line["row"] not in found["dates"]]
    return {
        **found,
        "dates": {**before["dates"], **found["dates"]},
        "minutes": {**before["minutes"], **found["minutes"]},
        "lines": sorted([*old, *found["lines"]], key=lambda line: str(line["row"])),
    }


def section(found: dict[str, Any]) -> str:
    """The part between the marks of a README."""
    lines = lines_of(found)
    first, last = min(found["dates"].values()), max(found["dates"].values())
    when = first if first == last else f"{first} to {last}"
    more = f" {found['again']}." if found["again"] else ""
    said = (
        f"Measured {when} with `{found['command']}` ({sum(found['minutes'].values()):.0f} min) on"
        f" {found['machine']}; {found['placement']}. Figures are median [min–max]; a ratio is"
        f" dewline to what stands beside it, pair by pair: median [where that of a second run lies"
        f" in {SURE * 1000:.0f} of 1000, by the scatter of the pairs].{more}"
    )
    return f"{BEGIN}\n{said}\n\n{table(lines)}\n{END}"


def put_into(path: Path, text: str) -> None:
    """Replace what stands between the marks; ValueError where they are missing."""
    before, mark, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    _, end, after = rest.partition(END)
    if not mark or not end:
        raise ValueError(f"{path} has no {BEGIN} … {END}")
    path.write_text(before + text + after, encoding="utf-8")


def arguments() -> argparse.Namespace:
    """What was asked for on the command line."""
    parser = argparse.ArgumentParser(prog="tests.bench", description=__doc__)
    parser.add_argument("--rows", default=",".join(ROWS), help="which, by commas (default all)")
    parser.add_argument("--json", type=Path, help="figures; rows not chosen stay as they are")
    parser.add_argument("--history", type=Path, help="append a line for this run")
    parser.add_argument("--into", type=Path, help="put the table between the marks of this file")
    parser.add_argument("--from", dest="source", type=Path, help="take figures of a run before")
    parser.add_argument("--small", action="store_true", help="only try whether everything runs")
    parser.add_argument("--only", choices=ROWS, help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> int:
    """Measure, print, write; exit status 1 where an aim is missed or a row was not measured."""
    args = arguments()
    if args.only:
        lines = importlib.import_module(ROWS[args.only]).measure(small=args.small)
        args.json.write_text(json.dumps([line.document() for line in lines]))
        return 0
    if args.source:
        found = json.loads(args.source.read_text())
    else:
        rows = args.rows.upper().split(",")
        minutes, measured = asyncio.run(measure_all(rows, small=args.small))
        found = document(measured, minutes)
        if args.history:
            measured_now = [line for row in rows for line in measured[row]]
            today = next(iter(found["dates"].values()))
            append(args.history, entry(today, found["machine"], measured_now, commit()))
        if args.json and args.json.exists():
            before = json.loads(args.json.read_text())
            found = laid_over(before, found)
            compared = again(lines_of(before), [one for row in rows for one in measured[row]])
            print(f"{compared}\n")
            if set(rows) == set(ROWS):  # of a part the table has no use
                found["again"] = str(compared)
    lines = lines_of(found)
    print(table(lines))
    if args.json:
        args.json.write_text(json.dumps(found, indent=1) + "\n")
    if args.into:
        put_into(args.into, section(found))
    return 0 if all(line.dewline is not None and line.holds is not False for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
