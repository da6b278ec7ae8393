"""A client that is not ours (Debian's mbpoll, on libmodbus) reads what the daemon records."""

from __future__ import annotations

import asyncio
import re
import struct
import subprocess
from typing import Any

import pytest

from tests.patience import PATIENCE_S, TRIES

pytestmark = pytest.mark.service


def mbpoll(*words: str) -> dict[int, int]:
    """Raw 16-bit registers by 1-based reference.

    On a busy machine the answer to the daemon's last question may come only now: it is read, and
    the question is asked again.
    """
    for _ in range(TRIES):
        found = subprocess.run(
            ["mbpoll", "-1", "-q", "-o", "3", *words],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            check=False,
        )
        if found.returncode == 0:
            break
    assert found.returncode == 0, found.stderr
    rows = re.findall(r"^\[(\d+)\]:\s+(-?\d+)", found.stdout, re.MULTILINE)
    return {int(reference): int(raw) & 0xFFFF for reference, raw in rows}


def recorded(daemon: Any, box: str, signal: str) -> float:
    return float(daemon.status()["boxes"][box]["readings"][signal]["value"])


async def freeze(lab: Any, *instruments: str) -> None:
    """Hold every register, and let the daemon read it once more."""
    for name in instruments:
        lab.ask(act={"do": "freeze", "instrument": name})
    await asyncio.sleep(1.5)


async def test_over_tcp(road: Any, lab: Any) -> None:
    """Pressure, setpoints, supply and coils of a panel: mbpoll and the record agree."""
    await freeze(lab, "heron-panel")
    to_panel = ("-m", "tcp", "-p", str(lab.tcp_port), "-a", "1")
    holding = mbpoll(*to_panel, "-t", "4", "-r", "1", "-c", "4", "127.0.0.1")
    pressure = struct.unpack(">h", struct.pack(">H", holding[1]))[0] * 0.01
    assert recorded(road, "heron", "pressure") == pytest.approx(pressure, abs=1e-9)
    assert recorded(road, "heron", "pressure_low") == pytest.approx(holding[2] * 0.01, abs=1e-9)
    inputs = mbpoll(*to_panel, "-t", "3", "-r", "1", "-c", "8", "127.0.0.1")
    large_pa = struct.unpack(">f", struct.pack(">HH", inputs[1], inputs[2]))[0]  # ABCD, in Pa
    assert recorded(road, "heron", "large_pressure") == pytest.approx(large_pa / 100, rel=1e-6)
    coils = mbpoll(*to_panel, "-t", "0", "-r", "1", "-c", "3", "127.0.0.1")
    assert recorded(road, "heron", "circulating") == coils[1]
    assert recorded(road, "heron", "purging") == coils[2]
    doors = mbpoll(*to_panel, "-t", "1", "-r", "1", "-c", "2", "127.0.0.1")
    assert recorded(road, "heron", "large_outer_door") == doors[1]


async def test_over_rtu(road: Any, lab: Any) -> None:
    """Oxygen and moisture of an analyzer on the pty, in two word orders: they agree."""
    await freeze(lab, "egret-trace")
    oxygen, moisture = recorded(road, "egret", "oxygen"), recorded(road, "egret", "moisture")
    assert await asyncio.to_thread(road.stop) == 0  # the line serves one master at a time
    to_line = ("-m", "rtu", "-b", "19200", "-P", "even", "-a", "12", "-t", "3")
    words = mbpoll(*to_line, "-r", "1", "-c", "4", str(lab.folder / "line"))
    assert struct.unpack(">f", struct.pack(">HH", words[2], words[1]))[0] == pytest.approx(  # CDAB
        oxygen, rel=1e-6
    )
    swapped = struct.pack("<HH", words[3], words[4])  # BADC
    assert struct.unpack(">i", swapped)[0] * 0.001 == pytest.approx(moisture, abs=1e-9)
