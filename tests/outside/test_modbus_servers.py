"""Reading servers that are not ours: pymodbus' and umodbus', over TCP and over a pty.

What they hold is set through their own interfaces, so their encoding is theirs.
The two were written independently of dewline and of each other.
"""

from __future__ import annotations

import asyncio
import os
import select
import struct
import threading
import tty
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from socketserver import TCPServer
from typing import Any

import pytest
import serial
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice
from umodbus.server.serial import get_server as get_serial_server
from umodbus.server.serial.rtu import RTUServer
from umodbus.server.tcp import RequestHandler, get_server

from dewline.bus.decode import compile_block
from dewline.bus.plan import Block, plan_reads
from dewline.bus.sessions import new_session
from dewline.clock import RealClock
from dewline.config.plan import (
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    RegisterPlan,
    SerialPortPlan,
)
from dewline.errors import Refused
from dewline.readings import Quality, Reading

# A float, a signed double word, an analog value and status bits, as the words on the wire.
OXYGEN = struct.unpack(">HH", struct.pack(">f", 20.946))
MOISTURE = struct.unpack(">HH", struct.pack(">i", -1234))
HOLDING = [*OXYGEN, *MOISTURE, 512, 0b101, 0, 0]
INPUT = [i * 1000 for i in range(8)]
COILS = [True, False, True, True, False, False, False, True]
DISCRETE = [not coil for coil in COILS]

REGISTERS = (
    RegisterPlan(name="o2", table="holding", address=0, type="float32", word_order="ABCD"),
    RegisterPlan(
        name="h2o", table="holding", address=2, type="int32", word_order="ABCD", scale=0.01
    ),
    RegisterPlan(name="level", table="holding", address=4, scale=0.5),
    RegisterPlan(name="bit", table="holding", address=5, type="bit", bit=2),
    RegisterPlan(name="seven", table="input", address=7),
    *(RegisterPlan(name=f"c{i}", table="coil", address=i, type="bit") for i in range(8)),
    *(RegisterPlan(name=f"d{i}", table="discrete", address=i, type="bit") for i in range(8)),
)
EXPECTED: dict[str, float] = {
    "o2": 20.945999145507812,  # the float32 nearest to 20.946
    "h2o": -12.34,
    "level": 256.0,
    "bit": 1.0,
    "seven": 7000.0,
    **{f"c{i}": float(bit) for i, bit in enumerate(COILS)},
    **{f"d{i}": float(bit) for i, bit in enumerate(DISCRETE)},
}


def instrument(unit: int) -> InstrumentPlan:
    feeds: dict[str, tuple[str, ...]] = {r.name: (f"heron.{r.name}",) for r in REGISTERS}
    return InstrumentPlan(
        name="i", bus="b", profile="p", registers=REGISTERS, feeds=feeds, unit=unit, timeout_ms=1000
    )


async def read_all(bus: ModbusTcpPlan | ModbusRtuPlan, unit: int) -> dict[str, Reading]:
    """Every register, block by block, as the poller would."""
    plan, session = instrument(unit), new_session(bus, RealClock())
    found: dict[str, Reading] = {}
    try:
        for block in plan_reads(plan):
            payload = await session.exchange(plan, block)
            readings = compile_block(plan, block)(payload)
            found |= {r.name: value for r, value in zip(block.registers, readings, strict=True)}
        with pytest.raises(Refused) as caught:
            await session.exchange(plan, Block("holding", 500, 1, ()))
        assert caught.value.code == 2  # illegal data address
    finally:
        await session.close()
    return found


def check(found: dict[str, Reading]) -> None:
    assert {name: reading.quality for name, reading in found.items()} == dict.fromkeys(
        EXPECTED, Quality.GOOD
    )
    assert {name: reading.value for name, reading in found.items()} == pytest.approx(EXPECTED)


def simulated(unit: int) -> SimDevice:
    """A pymodbus device; it refuses addresses that it does not hold."""
    bits, words = DataType.BITS, DataType.REGISTERS
    tables = (
        [SimData(0, values=COILS + [False] * 8, datatype=bits)],
        [SimData(0, values=DISCRETE + [False] * 8, datatype=bits)],
        [SimData(0, values=HOLDING, datatype=words)],
        [SimData(0, values=INPUT, datatype=words)],
    )
    return SimDevice(id=unit, simdata=tables)


@pytest.fixture
def pty_pair(tmp_path: Path) -> Iterator[tuple[str, str]]:
    """Two ends of a serial line, carried between two ptys by a thread."""
    ends = [os.openpty() for _ in range(2)]
    for _, slave in ends:
        tty.setraw(slave)
    (one, one_slave), (two, two_slave) = ends
    stop_read, stop_write = os.pipe()

    def carry(source: int, target: int) -> None:
        while True:
            ready, _, _ = select.select([source, stop_read], [], [])
            if stop_read in ready:
                return
            os.write(target, os.read(source, 4096))

    threads = [threading.Thread(target=carry, args=pair) for pair in ((one, two), (two, one))]
    for thread in threads:
        thread.start()
    yield os.ttyname(one_slave), os.ttyname(two_slave)
    os.write(stop_write, b"x")
    for thread in threads:
        thread.join()
    for handle in (one, one_slave, two, two_slave, stop_read, stop_write):
        os.close(handle)


@pytest.fixture
async def pymodbus_tcp(free_port: Callable[[], int]) -> AsyncIterator[int]:
    port = free_port()
    server = ModbusTcpServer([simulated(3)], address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    yield port
    await server.shutdown()  # type: ignore[no-untyped-call] # pymodbus leaves it untyped


async def test_pymodbus_server_over_tcp(pymodbus_tcp: int) -> None:
    """All four tables of a pymodbus TCP server read as they were set."""
    check(await read_all(ModbusTcpPlan(name="b", host="127.0.0.1", port=pymodbus_tcp), 3))


async def test_pymodbus_server_over_rtu(pty_pair: tuple[str, str]) -> None:
    """All four tables of a pymodbus RTU server read as they were set."""
    server = ModbusSerialServer([simulated(3)], port=pty_pair[0], baudrate=19200)
    await server.serve_forever(background=True)
    bus = ModbusRtuPlan(name="b", line=SerialPortPlan(port=pty_pair[1]))
    try:
        check(await read_all(bus, 3))
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call] # pymodbus leaves it untyped


def routes(server: Any) -> None:
    """Our registers in a umodbus server, for unit 5."""
    tables: dict[int, list[Any]] = {1: COILS, 2: DISCRETE, 3: HOLDING, 4: INPUT}
    for function, values in tables.items():

        def read(slave_id: int, function_code: int, address: int, values: Any = values) -> int:
            return int(values[address])

        server.route(slave_ids=[5], function_codes=[function], addresses=range(len(values)))(read)


async def test_umodbus_server_over_tcp() -> None:
    """All four tables of a umodbus TCP server read as they were set."""
    server = get_server(TCPServer, ("127.0.0.1", 0), RequestHandler)
    routes(server)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        port = server.server_address[1]
        check(await read_all(ModbusTcpPlan(name="b", host="127.0.0.1", port=port), 5))
    finally:
        await asyncio.to_thread(server.shutdown)
        thread.join()
        server.server_close()


@pytest.mark.long
async def test_umodbus_server_over_rtu(pty_pair: tuple[str, str]) -> None:
    """All four tables of a umodbus RTU server read as they were set."""
    with serial.Serial(pty_pair[0], 19200) as port:
        server = get_serial_server(RTUServer, port)
        routes(server)
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        bus = ModbusRtuPlan(name="b", line=SerialPortPlan(port=pty_pair[1]))
        try:
            check(await read_all(bus, 5))
        finally:
            server.shutdown()
            await asyncio.to_thread(thread.join)
