"""Wire times against the published rules of the serial line."""

from __future__ import annotations

import pytest

from dewline.config.plan import ModbusRtuPlan, RegisterPlan, SerialPortPlan
from dewline.config.wire import longest_ms, silence_ms, wire_time_ms

# MODBUS over serial line V1.02 §2.5.1: 11 bits a character, t3.5 between frames, fixed at
# 1.750 ms above 19200 Bd. The times follow from (8 + 5 + 2N) 11 / B + 2 t3.5, worked by hand.
TIMES = [
    (9600, 1, 25.2083),
    (9600, 2, 27.5),
    (9600, 10, 45.8333),
    (9600, 125, 309.375),
    (19200, 1, 12.6042),
    (19200, 10, 22.9167),
    (19200, 32, 48.125),
    (38400, 1, 7.7969),
    (38400, 125, 78.8385),
    (115200, 2, 5.1233),
    (115200, 125, 28.6128),
]


@pytest.mark.parametrize(("baud", "registers", "time_ms"), TIMES)
def test_wire_time(baud: int, registers: int, time_ms: float) -> None:
    """A read can be no faster than its characters and silences."""
    assert wire_time_ms(baud, registers) == pytest.approx(time_ms, abs=1e-4)


def test_silence_is_fixed_on_fast_lines() -> None:
    """3.5 characters up to 19200 Bd, 1.750 ms above."""
    assert silence_ms(9600) == pytest.approx(4.0104, abs=1e-4)
    assert silence_ms(19200) == pytest.approx(2.0052, abs=1e-4)
    assert silence_ms(38400) == silence_ms(115200) == 1.75


def test_bits_travel_eight_to_a_byte() -> None:
    """Sixteen coils answer in as many bytes as one register."""
    assert wire_time_ms(9600, 0, bits=16) == wire_time_ms(9600, 1)
    assert wire_time_ms(9600, 0, bits=17) > wire_time_ms(9600, 0, bits=16)


def bus(baud: int) -> ModbusRtuPlan:
    return ModbusRtuPlan(name="a", line=SerialPortPlan(port="/dev/null", baud=baud))


def register(address: int, kind: str = "uint16", table: str = "input") -> RegisterPlan:
    return RegisterPlan(name=f"r{address}", table=table, address=address, type=kind)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("addresses", "max_gap", "most", "words"),
    [
        ([0], 8, 125, 1),
        ([0, 1, 2], 8, 125, 3),
        ([0, 9], 8, 125, 10),
        ([0, 10], 8, 125, 1),
        ([0, 1, 2, 3], 8, 2, 2),
        ([300, 0, 301], 8, 125, 2),
    ],
)
def test_the_longest_read_decides(
    addresses: list[int], max_gap: int, most: int, words: int
) -> None:
    """Neighbours are read in one request, up to the gap and the size allowed."""
    found = longest_ms(bus(9600), [register(a) for a in addresses], most, max_gap)
    assert found == wire_time_ms(9600, words)


def test_nothing_to_read_takes_no_time() -> None:
    """An instrument that feeds nothing puts nothing on the wire."""
    assert longest_ms(bus(9600), [], 125, 8) == 0.0
