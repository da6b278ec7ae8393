"""A Modbus client of somebody else, for what the simulated lab serves."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from dewline_sim.server import Served

#: How long a reply is waited for that must not come.
SHORT_S = 0.2


class Mbpoll:
    """Debian's mbpoll (libmodbus), a client that is none of ours."""

    def __init__(self, program: str) -> None:
        self._program = program

    async def __call__(self, *words: str | int | Path) -> str:
        """Its whole output for one poll."""
        child = await asyncio.create_subprocess_exec(
            self._program,
            "-1",
            *(str(w) for w in words),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
        )
        out, _ = await child.communicate()
        return out.decode()

    async def values(self, *words: str | int | Path) -> list[float]:
        """The numbers it read; fails with its words where it read none."""
        out = await self(*words)
        found = re.findall(r"^\[\d+\]:\s+(\S+)", out, re.MULTILINE)
        assert found, out
        return [float(int(v, 16)) if v.startswith("0x") else float(v) for v in found]

    def tcp(self, served: Served, unit: int, within_s: float = 2.0) -> list[str | int]:
        """Words that name a unit behind the served panel port, and how long it is waited for."""
        port = served.ports["panel"].port
        return ["-m", "tcp", "-p", port, "-a", unit, "-o", f"{within_s}"]

    def rtu(self, unit: int, within_s: float = 2.0) -> list[str | int]:
        """Words that name a unit on the served line, and how long it is waited for."""
        return ["-m", "rtu", "-b", 19200, "-P", "even", "-a", unit, "-o", f"{within_s}"]
