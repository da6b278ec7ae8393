"""P2: what the road costs: processor for a million readings, 200 TCP blocks of twelve a second.

Twenty boxes, an instrument each, polled every 100 ms; the whole rule set, the record on
disk, readings and alarms published to a real broker. Beside it: a bare pymodbus loop
an instrument on the same blocks that does nothing with what it reads, and the same
register by register. Registers are counted where they are handed out.
"""

from __future__ import annotations

import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, closing
from pathlib import Path
from subprocess import Popen

from tests.bench import site_of_boxes
from tests.bench.measured import FAR, PAIRS, Line, Spread, beside, in_turn, on_core
from tests.bench.processes import FarSide, broker, cpu_s, daemon, far_side, peer

INSTRUMENTS, EVERY_MS = 20, 100
SETTLE_S = 3.0
READINGS_EVERY_S = 10.0  # how often the daemon publishes a reading: a window holds each once
PEER_WINDOW_S = 5.0


def turn(
    far: FarSide, start: Callable[[], AbstractContextManager[Popen[str]]], window_s: float
) -> float:
    """Seconds of processor for a million registers, once the side has settled."""
    with start() as process:
        time.sleep(SETTLE_S)
        far.ask("take")
        before = cpu_s(process.pid)
        time.sleep(window_s)
        spent_s = cpu_s(process.pid) - before
        registers = far.ask("take")["registers"]
    once = INSTRUMENTS * len(site_of_boxes.SIGNALS)
    due = once * window_s * 1000 / EVERY_MS
    if abs(registers - due) > 2 * once + 0.05 * due:
        raise RuntimeError(f"{registers} registers read in {window_s} s, due are {due:.0f}")
    return float(spent_s / registers * 1e6)


def prove_the_road(journal: Path, port: int) -> None:
    """RuntimeError unless readings stand in the record and at the broker."""
    with closing(sqlite3.connect(journal)) as record:
        (rows,) = record.execute("SELECT count(*) FROM sample").fetchone()
    if rows < INSTRUMENTS * len(site_of_boxes.SIGNALS) * 5:
        raise RuntimeError(f"only {rows} readings in the record")
    words = ["mosquitto_sub", "-p", str(port), "-t", "dewline/+/+/reading/#", "-C", "100"]
    heard = subprocess.run([*words, "-W", "5"], capture_output=True, text=True, check=False)
    if heard.stdout.count("\n") < 100:
        raise RuntimeError(f"only {heard.stdout.count(chr(10))} readings at the broker")


def measure(*, small: bool = False) -> list[Line]:
    """``small``: one pair."""
    with on_core(FAR), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = folder / "log"
        with far_side("instruments.py", str(INSTRUMENTS), log=log) as far, broker(folder) as port:
            document = site_of_boxes.document(far.said, EVERY_MS)
            document["mqtt"] = {"host": "127.0.0.1", "port": port}
            path = site_of_boxes.write(folder / "site", document)
            words = (str(EVERY_MS), *map(str, far.said))
            window_s = 1.0 if small else READINGS_EVERY_S
            peer_s = min(window_s, PEER_WINDOW_S)
            found = in_turn(
                {
                    "dewline": lambda: turn(far, lambda: daemon(path), window_s),
                    "bare block loop": lambda: turn(
                        far, lambda: peer("tcp-blocks", *words, log=log), peer_s
                    ),
                    "register by register": lambda: turn(
                        far, lambda: peer("tcp-registers", *words, log=log), peer_s
                    ),
                },
                1 if small else PAIRS,
            )
            prove_the_road(folder / "site" / "marsh.db", port)
    ours = Spread(tuple(found.pop("dewline")))
    others = tuple(beside(name, ours, Spread(tuple(values))) for name, values in found.items())
    holds = others[0].ratio.median <= 2.0 and others[1].ratio.median <= 1 / 5
    what = "CPU seconds a million readings: poll, judge, record, publish; 200 blocks of 12 a second"
    return [Line("P2", what, ours, others, "≤ 2.0 x the bare loop; ≤ 1/5 of singly", holds)]
