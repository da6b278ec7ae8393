"""The least time that a Modbus RTU exchange takes on the wire."""

from __future__ import annotations

from collections.abc import Iterable

from dewline.config.plan import InstrumentPlan, ModbusRtuPlan, RegisterPlan

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
    bus: ModbusRtuPlan, registers: Iterable[RegisterPlan], max_registers: int, max_gap: int
) -> float:
    """Least time of the longest read that these registers ask for, ms; 0 without registers.

    A read spans addresses of one table as the bus will ask for them: at most ``max_gap`` unused
    ones in a row and ``max_registers`` in all (2000 for coils).
    """
    times = [0.0]
    by_table: dict[str, list[RegisterPlan]] = {}
    for register in registers:
        by_table.setdefault(register.table, []).append(register)
    for table, members in by_table.items():
        bits = table in ("coil", "discrete")
        for words in _runs(members, 2000 if bits else max_registers, max_gap):
            time = wire_time_ms(bus.line.baud, 0 if bits else words, bits=words if bits else 0)
            times.append(time)
    return max(times)


def _runs(registers: list[RegisterPlan], most: int, max_gap: int) -> Iterable[int]:
    """Lengths of the stretches that are read in one go."""
    start = end = None
    for register in sorted(registers, key=lambda r: r.address):
        stop = register.address + register.words
        if start is None or end is None:
            start, end = register.address, stop
        elif register.address - end <= max_gap and stop - start <= most:
            end = max(end, stop)
        else:
            yield end - start
            start, end = register.address, stop
    if start is not None and end is not None:
        yield end - start


def fed(instrument: InstrumentPlan) -> list[RegisterPlan]:
    """The registers of an instrument that feed a signal."""
    return [r for r in instrument.registers if r.name in instrument.feeds]
