"""The least time that a Modbus RTU exchange takes on the wire."""

from __future__ import annotations

from collections.abc import Collection
from operator import attrgetter

from dewline.config.plan import InstrumentPlan, ModbusRtuPlan, RegisterPlan, Table

REQUEST_BYTES = 8  # address, function, start, quantity, CRC
ANSWER_BYTES = 5  # address, function, byte count, CRC


def silence_ms(baud: int) -> float:
    """The 3.5 characters between frames, ms.

    MODBUS over serial line V1.02 §2.5.1: 11 bits a character, and a fixed
    1.750 ms above 19200 Bd.
    """
    return 1.75 if baud > 19200 else 3.5 * 11_000 / baud


def wire_time_ms(baud: int, registers: int, *, bits: int = 0) -> float:
    """Shortest time of one read of ``registers`` (or of ``bits`` coils), ms.

    (8 + 5 + 2N) characters of 11 bits, and two silences; no delay of the
    instrument. A lower bound: a timeout below it can never be met.
    """
    data = 2 * registers + (bits + 7) // 8
    return (REQUEST_BYTES + ANSWER_BYTES + data) * 11_000 / baud + 2 * silence_ms(baud)


def longest_ms(
    bus: ModbusRtuPlan, registers: Collection[RegisterPlan], max_registers: int, max_gap: int
) -> float:
    """Least time of the longest read that these registers ask for, ms; 0 without registers.

    A read spans addresses of one table as the bus will ask for them: at most ``max_gap`` unused
    ones in a row and ``max_registers`` in all (2000 for coils).
    """
    times = [0.0]
    for table in {register.table for register in registers}:
        bits = table in ("coil", "discrete")
        for _, count, _ in runs(registers, table, max_gap, 2000 if bits else max_registers):
            words = 0 if bits else count
            times.append(wire_time_ms(bus.line.baud, words, bits=count if bits else 0))
    return max(times)


def runs(
    registers: Collection[RegisterPlan], table: Table, max_gap: int, most: int
) -> list[tuple[int, int, tuple[RegisterPlan, ...]]]:
    """The stretches of a table that are read in one go: first address, length and registers.

    Within one are at most ``max_gap`` unused addresses in a row and ``most`` addresses in all.
    """
    found: list[list[RegisterPlan]] = []
    start = end = 0
    inside = [r for r in registers if r.table == table]
    for register in sorted(inside, key=attrgetter("address", "words")):
        last = register.address + register.words
        if found and register.address - end <= max_gap and max(end, last) - start <= most:
            found[-1].append(register)
        else:
            found.append([register])
            start = end = register.address
        end = max(end, last)
    ends = [max(r.address + r.words for r in run) for run in found]
    return [
        (run[0].address, end - run[0].address, tuple(run))
        for run, end in zip(found, ends, strict=True)
    ]


def fed(instrument: InstrumentPlan) -> list[RegisterPlan]:
    """The registers of an instrument that feed a signal."""
    return [r for r in instrument.registers if instrument.feeds.get(r.name)]
