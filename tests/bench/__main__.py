"""Measures dewline beside what a user would otherwise take: one table, and the same as JSON.

``python tests/bench [--rows P1,P3] [--json FILE] [--into README.md] [--small]``. Each row runs
in a process of its own. Peers and dewline take turns (A B A B …, five pairs unless the row
says so); what is measured is pinned to one core, its instruments, broker and store to another.
A ratio is dewline to its peer, pair by pair: median [min–max]. Exit status 1 where an aim is
missed or a row could not be measured.
"""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from measured import FAR, NEAR, Line, cores, from_document, table

ROWS = {
    "P1": "p1_bus",
    "P2": "p2_road",
    "P3": "p3_replay",
    "P4": "p4_latency",
    "P5": "p5_footprint",
    "P6": "p6_card",
    "P7": "p7_scale",
    "P8": "p8_backlog",
    "P9": "p9_reading_back",
}
COMMAND = "make bench"
BEGIN, END = "<!-- bench: begin -->", "<!-- bench: end -->"
ROW_WITHIN_S = 900


def run_row(row: str, *, small: bool) -> list[Line]:
    """The lines of a row, measured in a process of its own; one that says why where it cannot."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "lines.json"
        words = [sys.executable, str(Path(__file__).parent), "--only", row, "--json", str(out)]
        try:
            ran = subprocess.run(
                [*words, *(["--small"] if small else [])],
                stderr=subprocess.PIPE,
                text=True,
                check=False,
                timeout=ROW_WITHIN_S,
            )
        except subprocess.TimeoutExpired:
            return [Line(row, "", None, note=f"not done within {ROW_WITHIN_S} s")]
        if not out.exists():
            words_said = ran.stderr.strip().splitlines() or [f"ended with {ran.returncode}"]
            print(ran.stderr, file=sys.stderr)
            return [Line(row, "", None, note=words_said[-1][:200])]
        return [from_document(document) for document in json.loads(out.read_text())]


def machine() -> str:
    """The machine in general words."""
    lines = Path("/proc/meminfo").read_text().splitlines()
    total = next(int(line.split()[1]) for line in lines if line.startswith("MemTotal"))
    return (
        f"{len(cores())} cores, {platform.machine()}, {total / 1024**2:.0f} GiB,"
        f" {platform.system()}, Python {platform.python_version()}"
    )


def document(lines: Sequence[Line], minutes: Mapping[str, float]) -> dict[str, Any]:
    """All that was found."""
    today = datetime.now(UTC).date().isoformat()
    return {
        "dates": dict.fromkeys(minutes, today),
        "machine": machine(),
        "placement": f"measured on core {NEAR}, its far sides on core {FAR}",
        "command": COMMAND,
        "minutes": {row: round(took, 2) for row, took in minutes.items()},
        "lines": [line.document() for line in lines],
    }


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
    lines = [from_document(each) for each in found["lines"]]
    first, last = min(found["dates"].values()), max(found["dates"].values())
    when = first if first == last else f"{first} to {last}"
    said = (
        f"Measured {when} with `{found['command']}` ({sum(found['minutes'].values()):.0f} min) on"
        f" {found['machine']}; {found['placement']}. Median [min–max]; a ratio is dewline to"
        " what stands beside it, pair by pair."
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
    parser = argparse.ArgumentParser(prog="tests/bench", description=__doc__)
    parser.add_argument("--rows", default=",".join(ROWS), help="which, by commas (default all)")
    parser.add_argument("--json", type=Path, help="figures; rows not chosen stay as they are")
    parser.add_argument("--into", type=Path, help="put the table between the marks of this file")
    parser.add_argument("--from", dest="source", type=Path, help="take figures of a run before")
    parser.add_argument("--small", action="store_true", help="only try whether everything runs")
    parser.add_argument("--only", choices=ROWS, help=argparse.SUPPRESS)
    return parser.parse_args()


def measure_all(rows: Sequence[str], *, small: bool) -> dict[str, Any]:
    """Row after row, each told as it comes."""
    minutes: dict[str, float] = {}
    lines: list[Line] = []
    for row in rows:
        began = time.monotonic()
        lines += run_row(row, small=small)
        minutes[row] = (time.monotonic() - began) / 60
        print(f"{row}: {minutes[row] * 60:.0f} s", file=sys.stderr, flush=True)
    return document(lines, minutes)


def main() -> int:
    args = arguments()
    if args.only:
        lines = importlib.import_module(ROWS[args.only]).measure(small=args.small)
        args.json.write_text(json.dumps([line.document() for line in lines]))
        return 0
    if args.source:
        found = json.loads(args.source.read_text())
    else:
        found = measure_all(args.rows.upper().split(","), small=args.small)
        if args.json and args.json.exists():
            found = laid_over(json.loads(args.json.read_text()), found)
    lines = [from_document(each) for each in found["lines"]]
    print(table(lines))
    if args.json:
        args.json.write_text(json.dumps(found, indent=1) + "\n")
    if args.into:
        put_into(args.into, section(found))
    return 0 if all(line.dewline is not None and line.holds is not False for line in lines) else 1


if __name__ == "__main__":
    sys.exit(main())
