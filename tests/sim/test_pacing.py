"""A paced line keeps the wire's time."""

from __future__ import annotations

import itertools
import os
import select
import threading
import time
import tty
from pathlib import Path

import pytest

from dewline_sim.faults import Faults
from dewline_sim.lines import Port, RtuUnits
from dewline_sim.modbus import Unit, crc16
from dewline_sim.pacing import PacedLine
from tests.patience import PATIENCE_S, TRIES

pytestmark = pytest.mark.clock

# Serial line guide V1.02 §2.5.1, worked out: (8 + 5 + 2N) characters of 11 bits and
# twice t3.5 (1.750 ms above 19200 Bd), in milliseconds.
EXCHANGE_MS = {
    (9600, 1): 25.2083,
    (9600, 10): 45.8333,
    (19200, 1): 12.6042,
    (19200, 10): 22.9167,
    (19200, 32): 48.1250,
    (115200, 1): 4.9323,
    (115200, 10): 6.6510,
    (115200, 125): 28.6128,
}


def exchange(fd: int, question: bytes, length: int) -> float:
    """Ask, read the whole reply; the moment its last byte was there."""
    os.write(fd, question)
    got = 0
    while got < length:
        assert select.select([fd], [], [], PATIENCE_S)[0], "no reply"
        got += len(os.read(fd, 4096))
    return time.perf_counter()


@pytest.mark.parametrize(("baud", "registers"), list(EXCHANGE_MS))
def test_an_exchange_lasts_as_long_as_on_the_wire(
    baud: int, registers: int, tmp_path: Path
) -> None:
    """Back to back, an exchange takes the time of the serial line guide within 3 %.

    A busy machine may hold this reader up, so one undisturbed dozen of many shows it. A dozen as a
    whole is never quicker, but for the time by which its first reply was read late.
    """
    bank = {"holding": dict.fromkeys(range(200), 7)}
    unit = Unit(lambda: bank)  # type: ignore[arg-type,return-value]
    faults = Faults({"line": "rtu"})
    port = Port(tmp_path / "line")
    units = RtuUnits("line", {1: unit}, faults)
    line = PacedLine(port, units, faults, "line", baud=baud, lock=threading.Lock())
    line.start()
    fd = os.open(tmp_path / "line", os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(fd)
        question = bytes((1, 3, 0, 0, 0, registers))
        question += crc16(question)
        length = 5 + 2 * registers
        wanted = EXCHANGE_MS[baud, registers]
        middles, means = [], []
        for _ in range(TRIES):
            moments = [exchange(fd, question, length) for _ in range(12)]
            gaps = sorted(1000 * (b - a) for a, b in itertools.pairwise(moments))
            middles.append(gaps[len(gaps) // 2])
            means.append(1000 * (moments[-1] - moments[0]) / len(gaps))
            if middles[-1] == pytest.approx(wanted, rel=0.03):
                break
    finally:
        os.close(fd)
        line.stop()
    print(f"{baud} Bd, {registers} registers: {middles[-1]:.3f} ms, on the wire {wanted:.3f} ms")
    assert middles[-1] == pytest.approx(wanted, rel=0.03), middles
    assert min(means) > 0.95 * wanted, means


def moments_of(fd: int, question: bytes, length: int) -> list[float]:
    """Ask; the moment at which each byte of the reply had come."""
    os.write(fd, question)
    moments: list[float] = []
    while len(moments) < length:
        assert select.select([fd], [], [], PATIENCE_S)[0], "no reply"
        moments += [time.perf_counter()] * len(os.read(fd, 4096))
    return moments


def test_bytes_leave_one_after_the_other(tmp_path: Path) -> None:
    """At 9600 Bd a reply of 51.6 ms does not come in one lump: its halves are 25 ms apart.

    A busy machine may hold this reader up, which brings them together: one of many tries shows it.
    """
    unit = Unit(lambda: {"holding": dict.fromkeys(range(50), 7)})
    faults = Faults({"line": "rtu"})
    port, units = Port(tmp_path / "line"), RtuUnits("line", {1: unit}, faults)
    line = PacedLine(port, units, faults, "line", baud=9600, lock=threading.Lock())
    line.start()
    fd = os.open(tmp_path / "line", os.O_RDWR | os.O_NOCTTY)
    apart_ms = 0.0
    try:
        tty.setraw(fd)
        question = bytes((1, 3, 0, 0, 0, 20))
        for _ in range(TRIES):
            moments = moments_of(fd, question + crc16(question), 45)
            apart_ms = 1000 * (moments[-1] - moments[22])
            if apart_ms == pytest.approx(25.2, abs=3.0):
                break
    finally:
        os.close(fd)
        line.stop()
    assert apart_ms == pytest.approx(25.2, abs=3.0)
