"""The rows, each in a process of its own, called pair by pair in rounds.

The speed of a machine wanders over minutes. A row that took all its pairs at once would print
the spread of its own minute; called in rounds, its pairs lie over the whole run.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from tests.bench.measured import BY_TURNS, Line, from_document

STEP_WITHIN_S = 900.0
"""For setting a row up, for a pair, and for what comes after the last one."""


class Row:
    """A row; ``minutes`` is how long the machine was its own."""

    def __init__(self, name: str, folder: Path, *, small: bool) -> None:
        self.name = name
        self.minutes = 0.0
        self._out, self._log = folder / f"{name}.json", folder / f"{name}.log"
        words = ("--only", name, "--json", str(self._out), *(["--small"] if small else []))
        self._words = [sys.executable, "-m", "tests.bench", *words]
        self._process: asyncio.subprocess.Process | None = None
        self._late = False

    async def step(self) -> bool:
        """Start the row, or have it measure a pair. False once it has nothing more to measure."""
        began = time.monotonic()
        try:
            return await asyncio.wait_for(self._step(), STEP_WITHIN_S)
        except TimeoutError:
            self._late = True
            assert self._process is not None
            self._process.kill()
            await self._process.wait()
            return False
        finally:
            self.minutes += (time.monotonic() - began) / 60

    async def _step(self) -> bool:
        if self._process is None:
            with self._log.open("w") as log:
                self._process = await asyncio.create_subprocess_exec(
                    *self._words,
                    stdin=asyncio.subprocess.PIPE,
                    stdout=asyncio.subprocess.PIPE,
                    stderr=log,
                    env={**os.environ, BY_TURNS: "1"},
                    cwd=Path(__file__).parents[2],
                )
        else:
            assert self._process.stdin is not None
            self._process.stdin.write(b"go\n")
        assert self._process.stdout is not None
        if await self._process.stdout.readline():
            return True
        await self._process.wait()
        return False

    def lines(self) -> list[Line]:
        """What it found; one line that says why where it found nothing."""
        if self._out.exists():
            return [from_document(document) for document in json.loads(self._out.read_text())]
        said = self._log.read_text()
        print(said, file=sys.stderr)
        assert self._process is not None
        note = f"ended with {self._process.returncode}"
        if self._late:
            note = f"a step not done within {STEP_WITHIN_S:.0f} s"
        elif said.strip():
            note = said.strip().splitlines()[-1][:200]
        return [Line(self.name, "", None, note=note)]


async def measure_all(
    names: Sequence[str], *, small: bool
) -> tuple[dict[str, float], dict[str, list[Line]]]:
    """Minutes and lines of each row. Rows are started one after the other, then go in rounds."""
    with tempfile.TemporaryDirectory() as folder:
        rows = [Row(name, Path(folder), small=small) for name in names]
        waiting, rounds = rows, 0
        while waiting:
            waiting = [row for row in waiting if await row.step()]
            print(f"round {rounds}: {len(waiting)} rows go on", file=sys.stderr, flush=True)
            rounds += 1
        return {row.name: row.minutes for row in rows}, {row.name: row.lines() for row in rows}
