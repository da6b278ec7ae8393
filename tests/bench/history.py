"""The history of the bench: one line of JSON for every run, so that a slow change shows."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tests.bench.measured import Line

ROOT = Path(__file__).parents[2]


def commit() -> str:
    """The commit that was measured; ``+`` behind it where files differ from it."""
    words = ("git", "-C", str(ROOT), "describe", "--always", "--dirty=+", "--abbrev=10")
    found = subprocess.run(words, capture_output=True, text=True, check=False)
    return found.stdout.strip() or "unknown"


def entry(date: str, machine: str, lines: Sequence[Line], of_commit: str) -> dict[str, Any]:
    """What is kept of a run: medians, and the median ratios to what stands beside them."""
    rows: dict[str, list[dict[str, Any]]] = {}
    for line in lines:
        median = None if line.dewline is None else line.dewline.median
        ratios = {other.name: other.ratio.median for other in line.beside}
        rows.setdefault(line.row, []).append(
            {"what": line.what, "median": median, "ratios": ratios}
        )
    return {"date": date, "commit": of_commit, "machine": machine, "rows": rows}


def append(path: Path, new: dict[str, Any]) -> None:
    """Put a run at the end of the history."""
    with path.open("a", encoding="utf-8") as file:
        file.write(json.dumps(new, ensure_ascii=False) + "\n")
