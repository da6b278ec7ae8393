"""What a user would otherwise run, as plain as it is written by hand: ``peers.py NAME WORDS…``.

Each runs until it is ended.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import signal
import sys
import time
from collections.abc import Awaitable, Callable, Sequence

REGISTERS = 12


def rtu_minimalmodbus(port: str, baud: str, count: str, *starts: str) -> None:
    """Block after block from three units with minimalmodbus."""
    # Each peer pays for its own imports only.
    import minimalmodbus  # noqa: PLC0415
    import serial  # noqa: PLC0415

    line = serial.Serial(port, int(baud), parity="N", stopbits=2, timeout=0.5)
    units = [minimalmodbus.Instrument(line, number) for number in (1, 2, 3)]
    while True:
        for unit, start in itertools.product(units, starts):
            unit.read_registers(int(start), int(count), 3)


async def rtu_registers(port: str, baud: str, count: str, *starts: str) -> None:
    """One register after the other from three units with pymodbus."""
    from pymodbus.client import AsyncModbusSerialClient  # noqa: PLC0415

    client = AsyncModbusSerialClient(port, baudrate=int(baud), parity="N", stopbits=2, timeout=0.5)
    await client.connect()
    while True:
        for unit, start in itertools.product((1, 2, 3), map(int, starts)):
            for address in range(start, start + int(count)):
                await client.read_holding_registers(address, count=1, device_id=unit)


async def tcp_blocks(every_ms: str, *ports: str) -> None:
    """A bare pymodbus loop an instrument: the whole block each time, and nothing done with it."""
    await _tcp(int(every_ms), ports, [(0, REGISTERS)])


async def tcp_registers(every_ms: str, *ports: str) -> None:
    """The same, register by register."""
    await _tcp(int(every_ms), ports, [(address, 1) for address in range(REGISTERS)])


async def _tcp(every_ms: int, ports: Sequence[str], reads: Sequence[tuple[int, int]]) -> None:
    from pymodbus.client import AsyncModbusTcpClient  # noqa: PLC0415

    async def poll(port: int) -> None:
        client = AsyncModbusTcpClient("127.0.0.1", port=port)
        await client.connect()
        due = time.monotonic()
        while True:
            for address, count in reads:
                await client.read_holding_registers(address, count=count)
            due += every_ms / 1000
            await asyncio.sleep(max(0.0, due - time.monotonic()))

    await asyncio.gather(*(poll(int(port)) for port in ports))


async def poll_and_publish(every_ms: str, port: str, broker: str) -> None:
    """Poll one register, publish when it crosses 5 ppm either way: no record, no delays."""
    import aiomqtt  # noqa: PLC0415
    from pymodbus.client import AsyncModbusTcpClient  # noqa: PLC0415

    instrument = AsyncModbusTcpClient("127.0.0.1", port=int(port))
    await instrument.connect()
    high, due = False, time.monotonic()
    async with aiomqtt.Client("127.0.0.1", int(broker)) as client:
        while True:
            answer = await instrument.read_holding_registers(0, count=1)
            value = answer.registers[0] * 0.01
            if (value > 5.0) != high:
                high = not high
                said = {"alarm": "heron.high", "transition": "raised" if high else "cleared"}
                await client.publish("dewline/saltmarsh/event", json.dumps(said), qos=1)
            due += int(every_ms) / 1000
            await asyncio.sleep(max(0.0, due - time.monotonic()))


ASYNC: dict[str, Callable[..., Awaitable[None]]] = {
    "rtu-registers": rtu_registers,
    "tcp-blocks": tcp_blocks,
    "tcp-registers": tcp_registers,
    "poll-and-publish": poll_and_publish,
}


async def _run(name: str, words: Sequence[str]) -> None:
    await ASYNC[name](*words)


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    if sys.argv[1] == "rtu-minimalmodbus":
        rtu_minimalmodbus(*sys.argv[2:])
    asyncio.run(_run(sys.argv[1], sys.argv[2:]))
