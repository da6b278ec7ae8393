"""P7: two hundred TCP instruments of twelve signals at 1 Hz, a box each, with the whole rule set.

A poll is missed where a second passed without a request, as the instruments saw it.
"""

from __future__ import annotations

import tempfile
import time
from itertools import pairwise
from pathlib import Path

from tests.bench import site_of_boxes
from tests.bench.measured import FAR, Line, on_core, spread
from tests.bench.processes import broker, cpu_s, daemon, far_side, rss_mb

INSTRUMENTS, MINUTES = 200, 3.0
START_WITHIN_S = 60.0
SETTLE_S = 10.0
AIM_CPU = 60.0


def missed(asked: list[float], began: float, ended: float) -> int:
    """Seconds between ``began`` and ``ended`` in which one instrument was not asked in its turn."""
    gaps = [b - a for a, b in pairwise([began, *asked, ended])]
    return sum(round(gap) - 1 for gap in gaps if gap > 1.5)


def watched(count: int, seconds: float, folder: Path) -> tuple[int, int, float, float]:
    """Polls missed, polls made, % of a core, most resident MB, once every instrument answers."""
    with far_side("instruments.py", str(count), log=folder / "log") as far, broker(folder) as port:
        document = site_of_boxes.document(far.said, 1000)
        document["mqtt"] = {"host": "127.0.0.1", "port": port}
        with daemon(site_of_boxes.write(folder / "site", document)) as process:
            deadline = time.monotonic() + START_WITHIN_S
            while not all(far.ask("take")["asked"]):
                if time.monotonic() > deadline:
                    raise RuntimeError("not every instrument was asked within a minute")
                time.sleep(2.0)
            time.sleep(min(SETTLE_S, seconds))
            far.ask("take")
            before, began = cpu_s(process.pid), time.monotonic()
            time.sleep(seconds)
            spent_s, ended = cpu_s(process.pid) - before, time.monotonic()
            asked = far.ask("take")["asked"]
            most_mb = rss_mb(process.pid)[1]
    lost = sum(missed(moments, began, ended) for moments in asked)
    return lost, sum(map(len, asked)), spent_s / (ended - began) * 100, most_mb


def measure(*, small: bool = False) -> list[Line]:
    """``small``: ten instruments for three seconds."""
    count, seconds = (10, 3.0) if small else (INSTRUMENTS, MINUTES * 60)
    with on_core(FAR), tempfile.TemporaryDirectory() as name:
        lost, polls, cpu, most_mb = watched(count, seconds, Path(name))
    what = f"{count} TCP instruments x 12 signals at 1 Hz, {seconds / 60:.3g} min"
    return [
        Line("P7", f"missed polls of {polls}: {what}", spread(lost), (), "0", lost == 0),
        Line("P7", "% of a core", spread(cpu), (), f"≤ {AIM_CPU:.0f}", cpu <= AIM_CPU),
        Line("P7", "MB resident at most", spread(most_mb)),
    ]
