"""P5: what a small board has to give: memory, processor, and the time to the first poll.

Ten boxes of twelve signals at 1 Hz with the whole rule set, record and broker; a second
daemon at the same time also feeds a store. Memory is the most that was ever resident.
Beside it: the imports of the daemon alone. Start to first poll: from the moment the
process is started to the first request at an instrument.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from tests.bench import site_of_boxes
from tests.bench.measured import FAR, NEAR, PAIRS, Line, Spread, beside, in_turn, on_core, spread
from tests.bench.processes import FarSide, broker, cpu_s, daemon, far_side, rss_mb, store

BOXES, MINUTES = 10, 5.0
SETTLE_S = 10.0
IMPORTS = "import asyncio, sqlite3, yaml, pydantic, aiomqtt, pymodbus.client"
SAYS_RSS = "; import re; print(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1])"
AIM_MB = {"mqtt": 80.0, "mqtt and influx": 130.0}
AIM_CPU, AIM_START_S = 8.0, 0.6


def imports() -> tuple[float, float]:
    """Megabytes and seconds of a Python that only imports what the daemon stands on."""
    started = time.monotonic()
    with on_core(NEAR):
        words = [sys.executable, "-c", IMPORTS + SAYS_RSS]
        said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    return int(said) * 1024 / 1e6, time.monotonic() - started


def start_s(far: FarSide, path: Path) -> float:
    """Seconds from the start of the process to its first request, with no record yet."""
    for old in path.parent.glob("marsh.db*"):
        old.unlink()
    far.ask("take")
    started = time.monotonic()
    with daemon(path):
        first = None
        while first is None and time.monotonic() < started + 30:
            time.sleep(0.1)
            first = min((min(a) for a in far.ask("take")["asked"] if a), default=None)
    if first is None:
        raise RuntimeError("no request within 30 s")
    return float(first - started)


def lasting(paths: dict[str, Path], seconds: float) -> dict[str, tuple[float, float]]:
    """Name -> (most resident MB, per cent of a core) of the daemons, run side by side."""
    with ExitStack() as stack:
        pids = {name: stack.enter_context(daemon(path)).pid for name, path in paths.items()}
        time.sleep(SETTLE_S)
        before, began = {name: cpu_s(pid) for name, pid in pids.items()}, time.monotonic()
        time.sleep(seconds)
        passed_s = time.monotonic() - began
        return {
            name: (rss_mb(pid)[1], (cpu_s(pid) - before[name]) / passed_s * 100)
            for name, pid in pids.items()
        }


def measure(*, small: bool = False) -> list[Line]:
    """``small``: a few seconds, one start."""
    with on_core(FAR), ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        far = stack.enter_context(far_side("instruments.py", str(BOXES), log=folder / "log"))
        port, store_port = stack.enter_context(broker(folder)), stack.enter_context(store(folder))
        mqtt: dict[str, Any] = {"host": "127.0.0.1", "port": port}
        paths = {}
        for name in AIM_MB:
            document = {**site_of_boxes.document(far.said, 1000), "mqtt": mqtt}
            if name != "mqtt":
                document["site"] = "mudflat"
                document["influx"] = {"url": f"http://127.0.0.1:{store_port}", "org": "marsh"}
            paths[name] = site_of_boxes.write(folder / name.split()[-1], document)
        starts = in_turn(
            {"dewline": lambda: (0.0, start_s(far, paths["mqtt"])), "imports": imports},
            1 if small else PAIRS,
        )
        seconds = 3.0 if small else MINUTES * 60
        found = lasting(paths, seconds)
    return _lines(found, starts["dewline"], starts["imports"], seconds)


def _lines(
    found: dict[str, tuple[float, float]],
    starts: list[tuple[float, float]],
    bare: list[tuple[float, float]],
    seconds: float,
) -> list[Line]:
    bare_mb, bare_s = (Spread(tuple(column)) for column in zip(*bare, strict=True))
    settled = (
        f"{BOXES} boxes x {len(site_of_boxes.SIGNALS)} signals at 1 Hz, {seconds / 60:.3g} min"
    )
    lines = []
    for name, (most_mb, cpu) in found.items():
        ours = spread(most_mb)
        other = (beside("bare imports", ours, spread(bare_mb.median)),)
        aim, what = AIM_MB[name], f"MB resident at most, {name}: {settled}"
        lines.append(Line("P5", what, ours, other, f"≤ {aim:.0f}", most_mb <= aim))
        held = cpu <= AIM_CPU
        lines.append(Line("P5", f"% of a core, {name}", spread(cpu), (), f"≤ {AIM_CPU:.0f}", held))
    first = Spread(tuple(s for _, s in starts))
    other = (beside("bare imports", first, bare_s),)
    what, aim_text = "s from start to first poll", f"≤ {AIM_START_S}"
    return [*lines, Line("P5", what, first, other, aim_text, first.median <= AIM_START_S)]
