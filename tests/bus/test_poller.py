"""The poller on real sockets and ptys: scans, states, what it does when things fail."""

from __future__ import annotations

import asyncio
import logging
import re
import struct
import time
from pathlib import Path
from typing import Any

import pytest

import dewline
from dewline.bus.modbus import _READERS, READ_FUNCTIONS
from dewline.bus.poller import Poller
from dewline.clock import StepClock
from dewline.config.plan import (
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    RegisterPlan,
    SerialPortPlan,
)
from dewline.readings import Quality, Reading, Scan

NO_ANSWER = Reading(None, Quality.NO_ANSWER)
PATIENT_MS = 60_000  # an exchange on a busy machine; the stepping clock stands still meanwhile


async def test_one_scan_a_turn_with_all_blocks(
    side: Any, poll: Any, instrument: Any, words: Any, truth: Any
) -> None:
    """A turn reads every block of an instrument and gives one scan keyed by signal."""
    far, bus = side
    plan = instrument(bus.name, *words(2), *words(1, 50), unit=3, every_ms=50)
    polling = poll(bus, plan)
    await polling.until(lambda: len(polling.scans) >= 4)
    for scan in polling.scans:
        assert scan.source == "panel"
        assert dict(scan.readings) == {
            f"heron.w{a}": Reading(float(truth(3, a)), Quality.GOOD) for a in (0, 1, 50)
        }
    assert [struct.unpack(">HH", pdu[1:]) for _, _, pdu in far.requests[:2]] == [(0, 2), (50, 1)]
    assert polling.states == [(f"{bus.name}-link", True), ("panel-answer", True)]
    at_ms = [scan.at_ms for scan in polling.scans]
    assert at_ms == sorted(at_ms)


async def test_one_register_may_feed_several_boxes(
    far_tcp: Any, tcp_bus: Any, poll: Any, instrument: Any, words: Any, truth: Any
) -> None:
    """One register, many signals: all are in the scan with the same reading."""
    register = words(1)
    plan = instrument("panel-bus", *register, feeds={"w0": ("heron.supply", "egret.supply")})
    polling = poll(tcp_bus, plan)
    await polling.until(lambda: polling.scans)
    expected = Reading(float(truth(1, 0)), Quality.GOOD)
    assert dict(polling.scans[0].readings) == dict.fromkeys(
        ("heron.supply", "egret.supply"), expected
    )


async def test_an_exception_spoils_its_own_block_only(
    side: Any, poll: Any, instrument: Any, words: Any, right_pdu: Any
) -> None:
    """A refused block is bad/exception; what else the turn brought stays good."""
    far, bus = side

    def respond(unit: int, pdu: bytes, frame: Any) -> list[tuple[float, bytes]]:
        busy = pdu[1:3] == b"\0\x32"
        return [(0.0, frame(b"\x83\x06" if busy else right_pdu(unit, pdu)))]

    far.respond = respond
    polling = poll(bus, instrument(bus.name, *words(1), *words(1, 50), every_ms=50))
    await polling.until(lambda: len(polling.scans) >= 2)
    readings = polling.scans[-1].readings
    assert readings["heron.w50"] == Reading(None, Quality.EXCEPTION)
    assert readings["heron.w0"].quality is Quality.GOOD
    assert polling.poller.statistics().exceptions >= 2


async def test_a_gateway_that_gets_no_answer_is_silence(
    far_tcp: Any, tcp_bus: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """Exceptions 10 and 11 come from a gateway: the instrument behind it is silent."""
    far_tcp.respond = lambda unit, pdu, frame: [(0.0, frame(b"\x83\x0b"))]
    polling = poll(tcp_bus, instrument("panel-bus", *words(1), every_ms=20))
    await polling.until(lambda: ("panel-answer", False) in polling.states)
    assert polling.scans[0].readings["heron.w0"] == NO_ANSWER
    assert ("panel-bus-link", True) in polling.states


async def test_silence_is_told_at_once_and_ends_with_the_first_answer(
    side: Any, poll: Any, instrument: Any, words: Any, caplog: Any
) -> None:
    """bad/no-answer from the first miss; the state after three; all good with the first reply."""
    far, bus = side
    caplog.set_level(logging.INFO, logger="dewline.bus")
    right = far.respond
    polling = poll(bus, instrument(bus.name, *words(2), every_ms=40, timeout_ms=250))
    await polling.until(lambda: polling.scans)
    far.respond = lambda *_: []
    await polling.until(lambda: polling.scans[-1].readings["heron.w1"] == NO_ANSWER)
    await polling.until(lambda: polling.states[-1] == ("panel-answer", False))
    before = polling.scans[: polling.scans_at[-1]]  # the scan of the third miss follows the state
    missed = [scan.readings["heron.w0"] == NO_ANSWER for scan in before]
    assert missed[-3:] == [False, True, True]
    far.respond = right
    await polling.until(lambda: polling.states[-1] == ("panel-answer", True))
    assert polling.scans[-1].readings["heron.w0"].quality is Quality.GOOD
    assert (f"{bus.name}-link", False) not in polling.states
    said = [record.getMessage() for record in caplog.records]
    assert said == [f"{bus.name}: link up", "panel: answers", "panel: silent", "panel: answers"]


async def test_a_block_without_answer_does_not_hide_the_others(
    far_rtu: Any, rtu_bus: Any, poll: Any, instrument: Any, words: Any, right_pdu: Any
) -> None:
    """Some instruments ignore addresses they lack: the rest is read, and they are not silent."""
    far_rtu.respond = lambda unit, pdu, frame: (
        [] if pdu[1:3] == b"\0\0" else [(0.0, frame(right_pdu(unit, pdu)))]
    )
    plan = instrument("analyzers", *words(1), *words(1, 50), every_ms=150, timeout_ms=40)
    polling = poll(rtu_bus, plan)
    await polling.until(lambda: len(polling.scans) >= 5)
    for scan in polling.scans[1:]:
        assert scan.readings["heron.w0"] == NO_ANSWER
        assert scan.readings["heron.w50"].quality is Quality.GOOD
    assert ("panel-answer", False) not in polling.states


async def test_link_loss_tells_parents_first(
    side: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """The bus, then its instruments, then every signal as bad/no-answer; and all comes back."""
    far, bus = side
    polling = poll(bus, instrument(bus.name, *words(1), every_ms=30))
    await polling.until(lambda: polling.scans)
    gone = far.stop() if bus.name == "panel-bus" else far.unplug()
    if gone is not None:
        await gone
    await polling.until(lambda: len(polling.states) == 4)
    assert polling.states[2:] == [(f"{bus.name}-link", False), ("panel-answer", False)]
    assert polling.scans[-1].readings["heron.w0"] == NO_ANSWER
    back = far.start() if bus.name == "panel-bus" else far.plug()
    if back is not None:
        await back
    await polling.until(lambda: len(polling.states) == 6)
    assert polling.states[4:] == [(f"{bus.name}-link", True), ("panel-answer", True)]
    assert polling.poller.statistics().reconnects == 1


async def test_a_stream_is_scanned_as_it_comes(
    far_lines: Any, ascii_bus: Any, poll: Any, line_instrument: Any
) -> None:
    """Each line of a stream is one scan; a line that does not fit is bad/no-answer."""
    plan = line_instrument(ask=None)
    polling = poll(ascii_bus, plan)
    await asyncio.sleep(0.05)
    far_lines.write(b"half a line\r\n")
    far_lines.write(b"T +020.0\r\n")
    await polling.until(lambda: len(polling.scans) == 1)
    assert polling.scans[0].readings == {"heron.t": Reading(20.0, Quality.GOOD)}
    await asyncio.sleep(0.85)
    far_lines.write(b"T +0x\r\n")
    await polling.until(lambda: len(polling.scans) == 2)
    assert polling.scans[1].readings == {"heron.t": NO_ANSWER}
    assert polling.poller.statistics().bad_frames == 1


async def _stepped(bus: Any, plans: Any, seconds: float, clock: StepClock) -> list[Scan]:
    scans: list[Scan] = []
    poller = Poller(
        bus,
        plans,
        clock=clock,
        stamp=lambda: (clock.wall_ms(), clock.wall_ms()),
        emit=scans.append,
    )

    async def program() -> None:
        task = asyncio.ensure_future(poller.run())
        while clock.monotonic() < seconds:  # the daemon's ticker: time stands at each second
            await clock.sleep(min(1.0, seconds - clock.monotonic()))
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    await clock.run(program())
    return scans


@pytest.mark.long
async def test_a_stepping_clock_is_exact_and_fast(
    far_tcp: Any, tcp_bus: Any, instrument: Any, words: Any
) -> None:
    """Ten minutes of 1 Hz over a real socket: every slot, stamped exactly, in less than that."""
    plans = [
        instrument("panel-bus", *words(2), unit=u, name=f"unit{u}", timeout_ms=PATIENT_MS)
        for u in (1, 2)
    ]
    began = time.monotonic()
    scans = await _stepped(tcp_bus, plans, 600.5, StepClock(1_000_000))
    assert time.monotonic() - began < 60  # a tenth of the time that passed
    assert [s.at_ms for s in scans if s.source == "unit2"] == [
        1_000_000 + 1000 * i for i in range(601)
    ]
    assert scans == await _stepped(tcp_bus, plans, 600.5, StepClock(1_000_000))


async def test_a_stepping_clock_over_a_serial_line(
    far_rtu: Any, rtu_bus: Any, instrument: Any, words: Any
) -> None:
    """Silences between frames pass in clock time, so that a stepped serial line is exact too."""
    plan = instrument(
        "analyzers", *words(2), turnaround_ms=200, gap_before_ms=300, timeout_ms=PATIENT_MS
    )
    second = instrument("analyzers", *words(2), unit=2, name="second", timeout_ms=PATIENT_MS)
    plans = [plan, second]
    scans = await _stepped(rtu_bus, plans, 60.5, StepClock(0))
    assert [s.at_ms for s in scans if s.source == "panel"] == [0] + [1000 * i for i in range(1, 61)]
    assert [s.at_ms for s in scans if s.source == "second"] == [200 + 1000 * i for i in range(61)]


async def test_a_stream_under_a_stepping_clock(
    far_lines: Any, ascii_bus: Any, line_instrument: Any
) -> None:
    """Waiting for a stream does not hold the clock; lines written by then are read by then."""
    sent = 0

    async def advance(to_ms: int) -> None:
        nonlocal sent
        while sent <= to_ms // 1000:
            far_lines.deliver(b"T +%05.1f\r\n" % (sent % 100))
            sent += 1
        await asyncio.sleep(0)

    clock = StepClock(0, advance)
    scans = await _stepped(ascii_bus, [line_instrument(ask=None)], 60.5, clock)
    heard = [(s.at_ms, s.readings["heron.t"].value or 0.0) for s in scans]
    first = int(heard[0][1])
    assert first <= 2
    assert [value for _, value in heard] == [float(second) for second in range(first, 61)]
    assert all(abs(at_ms - 1000 * value) <= 1000 for at_ms, value in heard)


def test_the_source_holds_no_write() -> None:
    """dewline only reads: no write function, no write method, no function code but 1 to 4."""
    source = Path(dewline.__file__).parent
    text = {path: path.read_text(encoding="utf-8") for path in source.rglob("*.py")}
    forbidden = re.compile(
        r"write_(coil|register|file|mask|multiple|single)|mask_write|readwrite|ReadWrite"
        r"|Write(Single|Multiple|File)|MaskWrite|write_registers|no_response_expected"
    )
    assert [path for path, code in text.items() if forbidden.search(code)] == []
    importers = {p.name for p, code in text.items() if re.search(r"(from|import) pymodbus", code)}
    assert importers <= {"modbus.py", "session_tcp.py", "session_rtu.py", "session_ascii.py"}
    assert sorted(READ_FUNCTIONS.values()) == [1, 2, 3, 4]
    assert {method.__name__ for method in _READERS.values()} == {
        "read_coils",
        "read_discrete_inputs",
        "read_holding_registers",
        "read_input_registers",
    }


async def test_a_bus_without_signals_is_left_alone(far_tcp: Any, tcp_bus: Any, poll: Any) -> None:
    """Nothing fed, nothing asked: no connection is made."""
    register = RegisterPlan(name="w0", table="holding", address=0)
    plan = InstrumentPlan(name="i", bus="b", profile="p", registers=(register,), feeds={})
    polling = poll(tcp_bus, plan)
    await asyncio.sleep(0.1)
    assert far_tcp.connections == 0
    assert not polling.task.done()


async def test_a_missing_port_is_tried_again(
    tmp_path: Path, poll: Any, instrument: Any, words: Any
) -> None:
    """No port at start is a lost link, told with its signals, not an end."""
    line = SerialPortPlan(port=str(tmp_path / "none"))
    polling = poll(ModbusRtuPlan(name="a", line=line), instrument("a", *words(1)))
    await polling.until(lambda: polling.scans)
    assert polling.states == [("a-link", False), ("panel-answer", False)]
    assert polling.scans[0].readings == {"heron.w0": NO_ANSWER}
    assert await polling.stop() < 0.5


async def test_reconnects_grow_apart(
    poll: Any, instrument: Any, words: Any, free_port: Any
) -> None:
    """A TCP server that is away is tried after 0.5 s, 1 s ...: few attempts, one log line."""
    bus = ModbusTcpPlan(name="p", host="127.0.0.1", port=free_port())
    polling = poll(bus, instrument("p", *words(1)))
    waits = [polling.poller._next_retry_s() for _ in range(12)]
    for wait_s, nominal_s in zip(waits, [0.5, 1, 2, 4, 8, 16, 32, 60, 60, 60, 60, 60], strict=True):
        assert 0.8 * nominal_s <= wait_s <= 1.2 * nominal_s
