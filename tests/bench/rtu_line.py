"""Three Modbus RTU units on a paced pty in a process of their own: ``rtu_line.py PATH BAUD``.

The wire takes the time it would take (``dewline_sim.pacing``). First prints
``true``; then ``take`` gives the moments at which requests came since the last
``take``, as [moment, unit] by CLOCK_MONOTONIC.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from pathlib import Path

from dewline_sim.faults import Faults
from dewline_sim.lines import LineReply, Port, RtuUnits
from dewline_sim.modbus import Unit
from dewline_sim.pacing import PacedLine

UNITS = (1, 2, 3)


class Noted:
    """The units of a line, and when each was asked."""

    def __init__(self, faults: Faults) -> None:
        bank = {address: 100 + address for address in range(1000)}
        units = {n: Unit(lambda: {"holding": bank}) for n in UNITS}
        self._units = RtuUnits("line", units, faults)
        self.asked: list[tuple[float, int]] = []

    def receive(self, data: bytes) -> list[LineReply]:
        """The units' replies, with the moment and unit of each request noted."""
        replies = self._units.receive(data)
        self.asked += [(time.monotonic(), data[0]) for _ in replies]
        return replies


def main(path: str, baud: int) -> None:
    """Serve the line until the pipe ends, and answer its lines."""
    faults, lock = Faults({"line": "rtu"}), threading.Lock()
    noted = Noted(faults)
    line = PacedLine(Port(Path(path)), noted, faults, "line", baud=baud, lock=lock)
    line.start()
    print("true", flush=True)
    for _ in sys.stdin:
        asked, noted.asked = noted.asked, []
        print(json.dumps(asked), flush=True)
    line.stop()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
