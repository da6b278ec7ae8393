"""The served lab read by mbpoll: every table of every instrument, over TCP and RTU."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path
from typing import Any

import pytest

from dewline_sim.control import control
from dewline_sim.server import Served
from tests.sim.mbpoll import SHORT_S, Mbpoll

# What mbpoll must find, worked out by hand from the map: words and the lab's truth.
HOLDING = [321, 200, 400, 234, 0, 65536 - 350]
BITS = [1, 0, 0, 1, 0, 1, 0, 0, 0, 1]


async def test_panel_holding_registers(served: Served, mbpoll: Mbpoll) -> None:
    """Gauge pressure in hundredths of a mbar, setpoints, temperature in tenths, status word."""
    got = await mbpoll.values(*mbpoll.tcp(served, 1), "-r", 1, "-c", 6, "-t", "4:hex", "127.0.0.1")
    assert got[0] == pytest.approx(HOLDING[0], abs=12)  # 0.02 mbar of noise
    assert got[1:3] == HOLDING[1:3]
    assert got[3] == pytest.approx(HOLDING[3], abs=2)
    assert got[4:] == HOLDING[4:]


async def test_panel_bits(served: Served, mbpoll: Mbpoll) -> None:
    """Coils and discrete inputs are the lab's valves and doors."""
    coils = await mbpoll.values(*mbpoll.tcp(served, 2), "-r", 1, "-c", 10, "-t", 0, "127.0.0.1")
    doors = await mbpoll.values(*mbpoll.tcp(served, 2), "-r", 1, "-c", 6, "-t", 1, "127.0.0.1")
    assert coils == BITS
    assert doors == [0, 0, 1, 0, 1, 0]


async def test_panel_input_registers(
    served: Served, mbpoll: Mbpoll, truths: dict[str, float]
) -> None:
    """Floats big-endian (-B), words swapped (mbpoll's default), a loop in microamperes."""
    where = mbpoll.tcp(served, 1)
    large = await mbpoll.values(*where, "-r", 1, "-c", 1, "-t", "3:float", "-B", "127.0.0.1")
    assert large[0] == pytest.approx(100 * truths["large_pressure"], rel=0.01)
    supply = await mbpoll.values(*where, "-r", 10, "-c", 1, "-t", "3:int", "127.0.0.1")
    assert supply[0] == pytest.approx(600_000, abs=3000)  # 6 bar as Pa
    words = await mbpoll.values(*where, "-r", 1, "-c", 23, "-t", "3:hex", "127.0.0.1")
    assert words[4] == pytest.approx(4000 + 160 * truths["circulation_flow"], rel=0.04)
    assert words[5] == 888
    assert words[6] == pytest.approx(312, abs=6)
    assert words[7:9] == [1, 0]
    assert words[11] == pytest.approx(420, abs=2)
    assert words[13] == pytest.approx(155, abs=3)
    assert words[14] == pytest.approx(425, rel=0.06)
    assert words[15] == pytest.approx(65536 - 346, abs=6)
    assert words[16] == pytest.approx(250, rel=0.06)
    assert words[21] == pytest.approx(375, rel=0.06)  # 0.5 mbar in thousandths of a torr
    assert words[22] == 12


async def test_room_air(served: Served, mbpoll: Mbpoll, truths: dict[str, float]) -> None:
    """The room station behind the same port: hundredths of a percent, a swapped float, a bit."""
    where = mbpoll.tcp(served, 9)
    words = await mbpoll.values(*where, "-r", 1, "-c", 7, "-t", "3:hex", "127.0.0.1")
    assert words[0] == pytest.approx(2093, abs=6)
    humidity = await mbpoll.values(*where, "-r", 4, "-c", 1, "-t", "3:float", "127.0.0.1")
    assert humidity[0] == pytest.approx(truths["room_humidity"], abs=0.6)
    assert await mbpoll.values(*where, "-r", 1, "-c", 1, "-t", 1, "127.0.0.1") == [1]


async def test_analyzers_on_the_line(
    served: Served, mbpoll: Mbpoll, tmp_path: Path, truths: dict[str, float]
) -> None:
    """Over RTU: oxygen as a word-swapped float, the serial number, status bits."""
    line = tmp_path / "line"
    oxygen = await mbpoll.values(*mbpoll.rtu(11), "-r", 1, "-c", 1, "-t", "3:float", line)
    assert oxygen[0] == pytest.approx(truths["oxygen"], abs=0.03)
    serial = await mbpoll.values(*mbpoll.rtu(11), "-r", 101, "-c", 1, "-t", "4:int", "-B", line)
    assert serial == [110_041]
    words = await mbpoll.values(*mbpoll.rtu(12), "-r", 1, "-c", 7, "-t", "3:hex", line)
    assert words[6] == 0b11  # on, pump on, no service due
    swapped = [int(w) >> 8 | (int(w) & 0xFF) << 8 for w in words[2:4]]
    assert swapped[0] << 16 | swapped[1] == pytest.approx(1250, abs=30)  # thousandths of a ppm
    assert words[5] == pytest.approx(10 * (1.8 * truths["temperature"] + 32), abs=6)


async def test_what_is_read_is_what_is_said_to_be_shown(
    served: Served, mbpoll: Mbpoll, tmp_path: Path
) -> None:
    """The number that CSV and live view give is the one a reader decodes from the wire."""
    shown = {signal: value for signal, value, _ in served.scene.shown()}
    words = await mbpoll.values(
        *mbpoll.tcp(served, 1), "-r", 1, "-c", 1, "-t", "4:hex", "127.0.0.1"
    )
    assert words[0] / 100 == pytest.approx(shown["heron.pressure"])
    oxygen = await mbpoll.values(
        *mbpoll.rtu(11), "-r", 1, "-c", 1, "-t", "3:float", tmp_path / "line"
    )
    assert oxygen[0] == pytest.approx(shown["heron.oxygen"], rel=1e-5)


async def test_a_hole_in_the_map_is_told(served: Served, mbpoll: Mbpoll) -> None:
    """Past the end of the bank: exception 2, which mbpoll calls an illegal data address."""
    out = await mbpoll(*mbpoll.tcp(served, 1), "-r", 900, "-c", 2, "-t", 4, "127.0.0.1")
    assert "Illegal data address" in out


async def test_writes_are_refused_and_counted(served: Served, mbpoll: Mbpoll) -> None:
    """A write gets exception 1, moves nothing, and shows in the counts that prove its absence."""
    assert served.counts()["write"] == 0
    out = await mbpoll(*mbpoll.tcp(served, 1), "-r", 2, "-t", 4, "127.0.0.1", 999)
    assert "Illegal function" in out
    got = await mbpoll.values(*mbpoll.tcp(served, 1), "-r", 2, "-c", 1, "-t", 4, "127.0.0.1")
    assert got == [200]
    assert served.counts()["write"] == 1
    assert served.counts()["read"] == 1


async def test_a_unit_that_is_not_there_is_silent(
    served: Served, mbpoll: Mbpoll, tmp_path: Path
) -> None:
    """Nobody answers for another: on TCP as on the line."""
    assert "timed out" in await mbpoll(*mbpoll.tcp(served, 77, SHORT_S), "-r", 1, "127.0.0.1")
    assert "timed out" in await mbpoll(*mbpoll.rtu(77, SHORT_S), "-r", 1, tmp_path / "line")


async def test_requests_back_to_back_each_get_their_own_reply(served: Served) -> None:
    """Two requests in one segment: two replies, in order, each with its transaction and unit."""
    reader, writer = await asyncio.open_connection("127.0.0.1", served.ports["panel"].port)
    ask = bytes.fromhex("0001 0000 0006 01 03 0001 0001 0002 0000 0006 02 03 0002 0001")
    writer.write(ask)
    got = await reader.readexactly(22)
    writer.close()
    await writer.wait_closed()
    assert got == bytes.fromhex("0001 0000 0005 01 03 02 00C8 0002 0000 0005 02 03 02 0190")


class Line:
    """One connection to a control socket."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def ask(self, **question: object) -> dict[str, Any]:
        """The answer to one request."""
        self.writer.write(json.dumps(question).encode() + b"\n")
        answer: dict[str, Any] = json.loads(await self.reader.readline())
        return answer


async def test_lock_step(served: Served, tmp_path: Path) -> None:
    """``served_ms`` comes when all is told up to then: one streamed line a second can be read."""
    start = served.scene.now_ms
    async with control(served, tmp_path / "ctl"):
        line = Line(*await asyncio.open_unix_connection(tmp_path / "ctl"))
        frost = (tmp_path / "frost").open("rb", buffering=0)
        began = time.perf_counter()
        for second in range(1, 301):
            answer = await line.ask(advance_to_ms=start + 1000 * second)
            assert answer == {"served_ms": start + 1000 * second}
            assert frost.read(200).count(b"\n") == 1
        print(f"lock-step: {(time.perf_counter() - began) / 300 * 1e6:.0f} us a second")
        assert (await line.ask(hello=True))["now_ms"] == start + 300_000
        frost.close()
        line.writer.close()
        await line.writer.wait_closed()


async def test_control_answers_mistakes_with_words(
    served: Served, tmp_path: Path, truths: dict[str, float]
) -> None:
    """What cannot be done is said, and the line goes on."""
    async with control(served, tmp_path / "ctl"):
        line = Line(*await asyncio.open_unix_connection(tmp_path / "ctl"))
        wrong: list[dict[str, object]] = [
            {"fault": {"kind": "gremlins", "link": "panel"}},
            {"fault": {"kind": "crc", "link": "panel"}},
            {"fault": {"kind": "silence", "link": "nowhere"}},
            {"act": {"do": "freeze", "instrument": "nobody"}},
            {"act": {"do": "dance", "instrument": "heron-trace"}},
            {"nonsense": 1},
        ]
        for question in wrong:
            assert "error" in await line.ask(**question)
        assert (await line.ask(truth="heron"))["truth"]["oxygen"] == truths["oxygen"]
        assert "silence" in (await line.ask(acts=True))["fault"]
        line.writer.close()
        await line.writer.wait_closed()


async def test_acts_by_control(served: Served, mbpoll: Mbpoll, tmp_path: Path) -> None:
    """An analyzer that loses its power falls silent; after it, one block of zeros."""
    async with control(served, tmp_path / "ctl"):
        line = Line(*await asyncio.open_unix_connection(tmp_path / "ctl"))
        act = {"do": "power", "instrument": "heron-trace", "with": {"on": False}}
        assert await line.ask(act=act) == {"done": True}
        what: list[str | int | Path] = ["-r", 1, "-c", 7, "-t", "3:hex", tmp_path / "line"]
        assert "timed out" in await mbpoll(*mbpoll.rtu(11, SHORT_S), *what)
        where = [*mbpoll.rtu(11), *what]
        await line.ask(act=act | {"with": {"on": True}})
        assert await mbpoll.values(*where) == [0] * 7
        start = served.scene.now_ms
        await line.ask(advance_to_ms=start + 3000)
        words = await mbpoll.values(*where)
        assert words[2:4] == [0x0080, 0x0100]  # 0x80000001 byte-swapped: warming up
        line.writer.close()
        await line.writer.wait_closed()
