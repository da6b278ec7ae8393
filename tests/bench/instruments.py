"""Modbus TCP instruments in a process of their own: ``instruments.py COUNT [REGISTERS]``.

First prints their ports. Then answers lines: ``take`` gives, per instrument, the
moments of its requests since the last ``take``, and all registers handed out;
``set VALUE`` puts the first register of all to that value and says when (both
by CLOCK_MONOTONIC, which is one for all processes).
"""

from __future__ import annotations

import asyncio
import json
import math
import random
import sys
import threading
import time

from dewline_sim.faults import Faults
from dewline_sim.modbus import Unit, Words
from dewline_sim.tcp import TcpLink

# Raw values of a quiet box, away from every limit: site_of_boxes.py names and scales them.
QUIET = (60, 65, 250, 220, 1, 0, 0, 10130, 0, 0, 580, 240)
_NOISE = (2, 3, 12, 1, 0, 0, 0, 8, 0, 0, 4, 1)
BANKS = 97


def banks(registers: int, seed: int) -> list[dict[int, int]]:
    """Some moments of one instrument: its quiet values with noise of a few digits."""
    chance = random.Random(seed)
    cells = [(QUIET[a % len(QUIET)], _NOISE[a % len(QUIET)]) for a in range(registers)]
    return [
        {a: max(0, round(chance.gauss(mean, noise))) for a, (mean, noise) in enumerate(cells)}
        for _ in range(BANKS)
    ]


class Instrument(Unit):
    """A unit that notes when it was asked and for how much."""

    def __init__(self, registers: int, seed: int) -> None:
        super().__init__(self._now)
        self.asked: list[float] = []
        self.registers = 0
        self.forced: int | None = None
        self._banks = banks(registers, seed)

    def answer(self, pdu: bytes) -> bytes | None:
        """The reply, with the moment and the size of the request noted."""
        self.asked.append(time.monotonic())
        self.registers += int.from_bytes(pdu[3:5], "big")
        return super().answer(pdu)

    def _now(self) -> Words:
        bank = self._banks[math.floor(time.monotonic() * 20) % BANKS]
        if self.forced is not None:
            bank = {**bank, 0: self.forced}
        return {"holding": bank}


def answer(line: str, instruments: list[Instrument]) -> object:
    """The answer to one line of the pipe."""
    match line.split():
        case ["take"]:
            found = {
                "asked": [i.asked for i in instruments],
                "registers": sum(i.registers for i in instruments),
            }
            for instrument in instruments:
                instrument.asked, instrument.registers = [], 0
            return found
        case ["set", value]:
            for instrument in instruments:
                instrument.forced = int(value)
            return time.monotonic()
    raise ValueError(f"nobody here knows {line!r}")


async def main(count: int, registers: int) -> None:
    """Serve so many instruments; prints their ports, then answers lines of the pipe."""
    lock, instruments, ports = threading.Lock(), [], []
    for number in range(count):
        instrument = Instrument(registers, number)
        link = TcpLink(f"tcp-{number}", {1: instrument}, Faults({f"tcp-{number}": "tcp"}), lock)
        await link.start()
        instruments.append(instrument)
        ports.append(link.port)
    print(json.dumps(ports), flush=True)
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        print(json.dumps(answer(line, instruments)), flush=True)


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else len(QUIET)))
