"""Links that vanish, hang, drop, refuse or are held by another."""

from __future__ import annotations

import asyncio
import gc
import inspect
import itertools
import logging
import os
import random
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.bus.plan import Block
from dewline.bus.poller import Poller
from dewline.clock import StepClock
from dewline.config.plan import ModbusRtuPlan, ModbusTcpPlan, SerialPortPlan
from dewline.errors import LinkDown, NoReply
from dewline.readings import Quality
from tests.chaos.conftest import limit_s
from tests.patience import PATIENCE_S, least_s

pytestmark = pytest.mark.long

Size = Callable[[str], int]


def _open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


def _resident_kb() -> int:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") // 1024


@pytest.mark.timeout(1200)
@pytest.mark.parametrize("kind", ["rtu", "ascii"])
async def test_b4_unplugged_and_back(
    kind: str, size: Size, far_rtu: Any, far_lines: Any, rtu_bus: Any, ascii_bus: Any,
    poll: Any, instrument: Any, line_instrument: Any, words: Any,
) -> None:  # fmt: skip
    """Behind a stable path the adapter comes back as another device: read again within 5 s.

    One loss and one return a cycle, files and memory flat, hardly any work meanwhile.
    """
    if kind == "rtu":
        far, polling = far_rtu, poll(rtu_bus, instrument("analyzers", *words(2), every_ms=50))
    else:
        far, polling = far_lines, poll(ascii_bus, line_instrument())
    bus = polling.poller._bus.name
    cycles, slowest_s, baseline = size("B4"), 0.0, (0, 0)
    await polling.until(lambda: (f"{bus}-link", True) in polling.states)
    for cycle in range(cycles):
        polling.states.clear()
        far.unplug()
        await polling.until(lambda: (f"{bus}-link", False) in polling.states)
        busy_s = time.process_time()
        await asyncio.sleep(0.2)
        assert time.process_time() - busy_s < 0.1, "busy while the adapter is away"
        far.plug()
        plugged = time.monotonic()
        await polling.until(lambda: len(polling.states) == 4)
        slowest_s = max(slowest_s, time.monotonic() - plugged)
        assert polling.states == [
            (f"{bus}-link", False),
            ("panel-answer", False),
            (f"{bus}-link", True),
            ("panel-answer", True),
        ]
        if cycle == 1:
            gc.collect()
            baseline = (_open_files(), _resident_kb())
    gc.collect()
    print(f"B4 {kind}: slowest return {slowest_s:.2f} s, files {baseline[0]} -> {_open_files()}")
    assert slowest_s <= limit_s(5.0)
    assert _open_files() <= baseline[0]
    assert _resident_kb() < baseline[1] + 3000
    assert polling.poller.statistics().reconnects == cycles


async def test_b5_half_open(
    far_tcp: Any, tcp_bus: Any, session: Any, instrument: Any, words: Any
) -> None:
    """A peer that says nothing more: an error within timeout + 1 s, and a new socket after it."""
    link, plan = session(tcp_bus), instrument("panel-bus", *words(1), timeout_ms=200)
    right, tries = far_tcp.respond, 0
    await link.exchange(plan, Block("holding", 0, 1, ()))

    async def silence() -> float:
        nonlocal tries
        tries += 1
        far_tcp.respond = lambda *_: []
        began = time.monotonic()
        with pytest.raises(NoReply):
            await link.exchange(plan, Block("holding", 0, 1, ()))
        took_s = time.monotonic() - began
        far_tcp.respond = right
        await link.exchange(plan, Block("holding", 0, 1, ()))
        return took_s

    assert await least_s(silence, 1.2) < 1.2
    assert far_tcp.connections == 1 + tries


async def test_b5_a_lost_connection_fails_at_once(
    far_tcp: Any, tcp_bus: Any, session: Any, instrument: Any
) -> None:
    """Dropped with a question under way: the error comes then, not at the timeout."""
    link, plan = session(tcp_bus), instrument("panel-bus", timeout_ms=600_000)
    far_tcp.respond = lambda *_: []
    asyncio.get_running_loop().call_later(0.05, far_tcp.drop_clients)
    with pytest.raises(LinkDown):
        async with asyncio.timeout(PATIENCE_S):
            await link.exchange(plan, Block("holding", 0, 1, ()))


async def test_b5_idle_connections_dropped(
    size: Size, far_tcp: Any, tcp_bus: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """A gateway that closes between polls costs no poll, no reading and no alarm."""
    polling = poll(tcp_bus, instrument("panel-bus", *words(1), every_ms=30))
    for i in range(1, size("B5") + 1):
        await polling.until(lambda i=i: len(polling.scans) >= i)
        far_tcp.drop_clients()
    assert {s.readings["heron.w0"].quality for s in polling.scans} == {Quality.GOOD}
    assert polling.states == [("panel-bus-link", True), ("panel-answer", True)]
    assert far_tcp.connections > 1


@pytest.mark.timeout(300)
async def test_b6_no_storm_and_no_giving_up(
    size: Size, poll: Any, instrument: Any, words: Any, caplog: Any, far_tcp: Any
) -> None:
    """A server that hangs up at once is tried less and less, and found again when it mends."""
    caplog.set_level(logging.INFO, logger="dewline.bus")
    taken: list[float] = []
    sick = True

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        taken.append(time.monotonic())
        if sick:
            writer.transport.abort()
            return
        await far_tcp._serve(reader, writer)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    bus = ModbusTcpPlan(name="gate", host="127.0.0.1", port=port)
    polling = poll(bus, instrument("gate", *words(1), every_ms=20))
    await asyncio.sleep(size("B6"))
    gaps_s = [after - before for before, after in itertools.pairwise(taken)]
    print(f"B6: {len(taken)} connections, {[round(g, 1) for g in gaps_s]} s apart")
    assert 2 <= len(taken) <= 8
    assert all(later > earlier for earlier, later in itertools.pairwise(gaps_s))
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith("gate: link down: ")
    sick = False
    await polling.until(lambda: ("gate-link", True) in polling.states)
    await polling.stop()
    server.close()
    far_tcp.drop_clients()
    await asyncio.sleep(0.02)


_HOLDER = """
import asyncio, sys
from dewline.bus.sessions import new_session
from dewline.clock import RealClock
from dewline.config.plan import ModbusRtuPlan, SerialPortPlan
async def hold():
    line = SerialPortPlan(port=sys.argv[1])
    await new_session(ModbusRtuPlan(name="b", line=line), RealClock()).open()
    print("held", flush=True)
    await asyncio.sleep(600)
asyncio.run(hold())
"""


@pytest.mark.parametrize("kind", ["rtu", "ascii"])
async def test_b15_two_daemons_on_one_port(
    kind: str, size: Size, far_rtu: Any, far_lines: Any, rtu_bus: Any, ascii_bus: Any, session: Any
) -> None:
    """The second is refused with the first one's pid; the lock dies with kill -9."""
    port = far_rtu.path if kind == "rtu" else far_lines.path
    for _ in range(size("B15")):
        holder = await asyncio.create_subprocess_exec(
            sys.executable, "-c", _HOLDER, str(port), stdout=subprocess.PIPE
        )
        assert holder.stdout is not None
        assert await holder.stdout.readline() == b"held\n"
        link = session(rtu_bus if kind == "rtu" else ascii_bus)
        with pytest.raises(LinkDown, match=f"held by process {holder.pid}$"):
            await link.open()
        holder.send_signal(signal.SIGKILL)
        await holder.wait()
        await link.open()
        await link.close()


async def test_b7_cancelled_anywhere(
    size: Size, side: Any, session: Any, instrument: Any, right_pdu: Any
) -> None:
    """Cancelled at random moments: no held lock, and the next question gets its own answer."""
    far, bus = side
    chance, link = random.Random(7), session(bus)
    plan = instrument(bus.name, timeout_ms=500)
    far.respond = lambda unit, pdu, frame: [(chance.uniform(0, 0.003), frame(right_pdu(unit, pdu)))]
    cancelled = 0
    for i in range(size("B7")):
        reading = asyncio.ensure_future(link.exchange(plan, Block("holding", i % 50, 1, ())))
        await asyncio.sleep(chance.uniform(0, 0.004))
        cancelled += reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
        payload = await link.exchange(plan, Block("holding", 60 + i % 40, 1, ()))
        request = struct.pack(">BHH", 3, 60 + i % 40, 1)
        assert payload == right_pdu(plan.unit, request)[2:]
    print(f"B7: {cancelled} cancelled under way")
    assert cancelled > 0


async def test_b7_a_poller_stops_at_any_moment(
    size: Size, side: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """Stopped at random moments, its far side answering or not: under a second, nothing left."""
    far, bus = side
    chance, right = random.Random(77), far.respond
    for i in range(size("B7") // 5):
        far.respond = right if i % 3 else (lambda *_: [])
        polling = poll(bus, instrument(bus.name, *words(4), every_ms=5, timeout_ms=60))
        await asyncio.sleep(chance.uniform(0, 0.05))
        assert await polling.stop() < 1.0
    await asyncio.sleep(0.05)
    coroutines = [t.get_coro() for t in asyncio.all_tasks()]
    files = [c.cr_code.co_filename for c in coroutines if inspect.iscoroutine(c)]
    ours = [file for file in files if "/dewline/" in file or "/pymodbus/" in file]
    assert ours == []


async def _dead_day(bus: Any, plan: Any, hours: int) -> tuple[float, int]:
    clock, scans = StepClock(0), 0

    def emit(_scan: Any) -> None:
        nonlocal scans
        scans += 1

    poller = Poller(
        bus, [plan], clock=clock, stamp=lambda: (clock.wall_ms(), clock.wall_ms()), emit=emit
    )

    async def program() -> None:
        task = asyncio.ensure_future(poller.run())
        await clock.sleep(hours * 3600)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    began = time.monotonic()
    await clock.run(program())
    return time.monotonic() - began, scans


@pytest.mark.timeout(600)
@pytest.mark.parametrize("what", ["silent unit", "server away", "port away"])
async def test_h9_a_dead_day_is_a_quiet_log(
    what: str, size: Size, far_tcp: Any, tcp_bus: Any, instrument: Any, words: Any, caplog: Any,
    free_port: Any, tmp_path: Path,
) -> None:  # fmt: skip
    """A day without an answer, polled at 1 s: a handful of lines, and readings still told."""
    caplog.set_level(logging.INFO)
    far_tcp.respond = lambda *_: []
    bus = {
        "silent unit": tcp_bus,
        "server away": ModbusTcpPlan(name="away", host="127.0.0.1", port=free_port()),
        "port away": ModbusRtuPlan(name="away", line=SerialPortPlan(port=str(tmp_path / "none"))),
    }[what]
    plan, hours = instrument(bus.name, *words(2), timeout_ms=2), size("H9")
    took_s, scans = await _dead_day(bus, plan, hours)
    lines = [record.getMessage() for record in caplog.records]
    print(f"H9 {what}: {hours} h in {took_s:.1f} s, {scans} scans, {len(lines)} lines: {lines}")
    assert 1 <= len(lines) <= 5
    assert scans >= 55 * hours
