"""Each fault of the wire, as mbpoll (or a bare socket or tty) sees it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
import tty
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path

import pytest

from dewline_sim.faults import KINDS, Faults
from dewline_sim.modbus import crc16
from dewline_sim.scenario import Scene
from dewline_sim.server import Endpoints, Served
from tests.patience import PATIENCE_S
from tests.sim.mbpoll import SHORT_S, Mbpoll

Switch = Callable[..., Awaitable[Path]]

ASK = bytes.fromhex("0B 03 00 64 00 02")  # unit 11: two holding registers from 100
ASK += crc16(ASK)
RIGHT = bytes.fromhex("0B 03 04 00 01 AD D9")  # 110 041
RIGHT += crc16(RIGHT)


@contextlib.contextmanager
def opened(path: Path) -> Iterator[int]:
    """A raw tty as a client opens it."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(fd)
        yield fd
    finally:
        os.close(fd)


async def received(fd: int, least: int = 1, quiet_s: float = 0.05) -> bytes:
    """What comes: so many bytes however long they take, and what follows within ``quiet_s``."""
    got = b""
    loop = asyncio.get_running_loop()
    more = asyncio.Event()

    def readable() -> None:
        nonlocal got
        got += os.read(fd, 4096)
        more.set()

    loop.add_reader(fd, readable)
    while len(got) < least:
        await asyncio.wait_for(more.wait(), PATIENCE_S)
        more.clear()
    await asyncio.sleep(quiet_s)
    loop.remove_reader(fd)
    return got


async def asked(path: Path, least: int = 1, question: bytes = ASK) -> bytes:
    """What the line sends in reply to a question."""
    with opened(path) as fd:
        os.write(fd, question)
        return await received(fd, least)


@pytest.fixture
async def lab(served: Served, tmp_path: Path) -> Switch:
    """Switches a fault on for the analyzers' line and gives the path of the line."""

    async def switch(kind: str, **more: object) -> Path:
        served.scene.faults.add({"kind": kind, "link": "analyzers", **more})
        await served.apply_faults()
        return tmp_path / "line"

    return switch


async def test_a_sound_line_says_what_it_must(served: Served, tmp_path: Path) -> None:
    """Without a fault the reply is the right one, byte for byte."""
    assert await asked(tmp_path / "line", len(RIGHT)) == RIGHT


async def test_silence(lab: Switch, mbpoll: Mbpoll, served: Served) -> None:
    """mbpoll times out; another unit on the line still answers."""
    line = await lab("silence", unit=11)
    assert "timed out" in await mbpoll(*mbpoll.rtu(11, SHORT_S), "-r", 101, line)
    assert await mbpoll.values(*mbpoll.rtu(12), "-r", 101, line) == [0]
    assert served.counts()["struck"] == {"silence": 1}


async def test_late(lab: Switch, mbpoll: Mbpoll) -> None:
    """mbpoll gives up; the reply comes all the same, onto a line where others may be asking."""
    line = await lab("late", delay_s=0.3)
    with opened(line) as fd:
        os.write(fd, ASK)
        assert await received(fd, 0, 0.2) == b""
        assert await received(fd, len(RIGHT)) == RIGHT
    assert "timed out" in await mbpoll(*mbpoll.rtu(11, SHORT_S), "-r", 101, line)


async def test_a_late_reply_does_not_hold_up_the_next(served: Served, tmp_path: Path) -> None:
    """The next question is answered at once, and then comes the answer to the one before."""
    fault = served.scene.faults.add({"kind": "late", "link": "analyzers", "delay_s": 0.15})
    question = bytes.fromhex("0B 04 00 06 00 01")
    with opened(tmp_path / "line") as fd:
        os.write(fd, ASK)
        assert await received(fd, 0) == b""
        served.scene.faults.clear(fault.id)
        os.write(fd, question + crc16(question))
        reply = bytes.fromhex("0B 04 02 00 03")
        whole = reply + crc16(reply) + RIGHT
        assert await received(fd, len(whole)) == whole


async def test_slow_is_inside_the_timeout(lab: Switch, mbpoll: Mbpoll) -> None:
    """A slow unit is slow, and right."""
    line = await lab("slow", delay_s=0.12)
    began = time.monotonic()
    got = await mbpoll.values(*mbpoll.rtu(11), "-r", 101, "-c", 1, "-t", "4:int", "-B", line)
    assert got == [110_041]
    assert time.monotonic() - began > 0.12


async def test_short(lab: Switch, mbpoll: Mbpoll) -> None:
    """Fewer registers than asked, check sum and all in order: libmodbus refuses the length."""
    line = await lab("short")
    got = await asked(line)
    assert got == bytes.fromhex("0B 03 02 00 01") + crc16(bytes.fromhex("0B 03 02 00 01"))
    assert "failed" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 2, "-t", "4:hex", line)


async def test_cut(lab: Switch, mbpoll: Mbpoll) -> None:
    """Half a reply and then nothing: a timeout."""
    line = await lab("cut")
    assert await asked(line, len(RIGHT) // 2) == RIGHT[: len(RIGHT) // 2]
    where = mbpoll.rtu(11, SHORT_S)
    assert "timed out" in await mbpoll(*where, "-r", 101, "-c", 2, "-t", "4:hex", line)


async def test_wrong_unit(lab: Switch, mbpoll: Mbpoll) -> None:
    """The reply of somebody else is not taken."""
    line = await lab("wrong-unit")
    assert (await asked(line))[0] == 12
    assert "failed" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 1, line)


async def test_wrong_function(lab: Switch, mbpoll: Mbpoll) -> None:
    """A reply to another question is not taken."""
    line = await lab("wrong-function")
    assert (await asked(line))[1] == 4
    assert "failed" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 1, line)


@pytest.mark.parametrize(
    ("code", "words"),
    [(2, "Illegal data address"), (4, "server failure"), (6, "server is busy")],
)
async def test_exception(lab: Switch, mbpoll: Mbpoll, code: int, words: str) -> None:
    """The exception of V1.1b3 §7 comes with the code asked for, and mbpoll names it."""
    line = await lab("exception", code=code)
    assert words in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 1, line)


async def test_check_sum(lab: Switch, mbpoll: Mbpoll) -> None:
    """mbpoll says the check sum is wrong."""
    line = await lab("crc")
    assert "CRC" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 1, line)


async def test_noise(lab: Switch, served: Served) -> None:
    """Stray bytes before and after the frame, one wrong byte in it."""
    line = await lab("noise-before")
    got = await asked(line)
    assert got.endswith(RIGHT)
    assert len(got) > len(RIGHT)
    served.scene.faults.clear()
    await lab("noise-after")
    got = await asked(line)
    assert got.startswith(RIGHT)
    assert len(got) > len(RIGHT)
    served.scene.faults.clear()
    await lab("noise-inside")
    got = await asked(line)
    assert sum(a != b for a, b in zip(got, RIGHT, strict=True)) == 1


async def test_noise_before_makes_mbpoll_fail(lab: Switch, mbpoll: Mbpoll) -> None:
    """libmodbus finds no frame behind the noise."""
    line = await lab("noise-before")
    assert "failed" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 1, line)


async def test_split(lab: Switch, mbpoll: Mbpoll) -> None:
    """In pieces, but all of it: mbpoll is patient between bytes."""
    line = await lab("split", gap_s=0.03)
    with opened(line) as fd:
        os.write(fd, ASK)
        first = await received(fd, quiet_s=0.0)
        assert 0 < len(first) < len(RIGHT)
        assert first + await received(fd, len(RIGHT) - len(first)) == RIGHT
    got = await mbpoll.values(*mbpoll.rtu(11), "-r", 101, "-c", 1, "-t", "4:int", "-B", line)
    assert got == [110_041]


async def test_echo(lab: Switch, mbpoll: Mbpoll) -> None:
    """The question comes back before the answer."""
    line = await lab("echo")
    assert await asked(line, len(ASK + RIGHT)) == ASK + RIGHT
    assert "failed" in await mbpoll(*mbpoll.rtu(11), "-r", 101, "-c", 2, line)


async def test_share(served: Served, tmp_path: Path) -> None:
    """A fault with a share strikes about that share of the exchanges, the same by the same seed."""
    faults = served.scene.faults
    faults.add({"kind": "silence", "link": "analyzers", "share": 0.25})
    struck = sum(not faults.shape("analyzers", 11, ASK, b"\3\0", _bare) for _ in range(2000))
    assert 420 < struck < 580
    assert faults.struck["silence"] == struck


def _bare(unit: int, pdu: bytes) -> bytes:
    return pdu


async def test_dropped_link(served: Served, mbpoll: Mbpoll) -> None:
    """Open connections are closed, new ones refused; afterwards the same port listens again."""
    port = served.ports["panel"].port
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    fault = served.scene.faults.add({"kind": "drop", "link": "panel"})
    await served.apply_faults()
    with pytest.raises((ConnectionError, asyncio.IncompleteReadError)):
        await asyncio.wait_for(reader.readexactly(1), PATIENCE_S)
    writer.close()
    out = await mbpoll(*mbpoll.tcp(served, 1), "-r", 1, "127.0.0.1")
    assert "Connection refused" in out
    served.scene.faults.clear(fault.id)
    await served.apply_faults()
    assert served.ports["panel"].port == port
    assert await mbpoll.values(*mbpoll.tcp(served, 1), "-r", 2, "-c", 1, "127.0.0.1") == [200]


async def test_half_open_link(served: Served, mbpoll: Mbpoll) -> None:
    """The connection stays open and nothing answers."""
    served.scene.faults.add({"kind": "half-open", "link": "panel"})
    assert "timed out" in await mbpoll(*mbpoll.tcp(served, 1, SHORT_S), "-r", 1, "127.0.0.1")


async def test_unplugged_adapter(served: Served, mbpoll: Mbpoll, tmp_path: Path) -> None:
    """The node is gone and an open tty hangs up; plugged in again, the same path works."""
    line = tmp_path / "line"
    with opened(line) as fd:
        fault = served.scene.faults.add({"kind": "unplug", "link": "analyzers"})
        await served.apply_faults()
        assert not line.is_symlink()
        with contextlib.suppress(OSError):  # EIO or an end of file: the kernel's choice
            assert os.read(fd, 1) == b""
    assert "No such file" in await mbpoll(*mbpoll.rtu(11), "-r", 101, line)
    served.scene.faults.clear(fault.id)
    await served.apply_faults()
    assert await asked(line, len(RIGHT)) == RIGHT


async def test_two_hundred_unplug_cycles_leave_nothing_open(served: Served, tmp_path: Path) -> None:
    """Files stay the same in number however often the adapter is pulled."""

    async def cycle() -> None:
        fault = served.scene.faults.add({"kind": "unplug", "link": "analyzers"})
        await served.apply_faults()
        served.scene.faults.clear(fault.id)
        await served.apply_faults()

    await cycle()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(200):
        await cycle()
    assert len(os.listdir("/proc/self/fd")) == before
    assert await asked(tmp_path / "line", len(RIGHT)) == RIGHT


async def test_streamer(served: Served, tmp_path: Path) -> None:
    """A line of text is lost, cut or noisy as the fault has it."""
    frost, scene = tmp_path / "frost", served.scene

    async def next_line(least: int = 1) -> bytes:
        served.advance(scene.now_ms + 1000)
        return await received(fd, least)

    with opened(frost) as fd:
        sound = await next_line()
        assert sound.startswith(b"FP -")
        assert sound.endswith(b" mbar\r\n")
        laws: dict[str, Callable[[bytes], bool]] = {
            "silence": lambda got: got == b"",
            "cut": lambda got: 0 < len(got) < len(sound) and b"\n" not in got,
            "noise-before": lambda got: b"FP -" in got and not got.startswith(b"FP -"),
            "noise-after": lambda got: b" mbar\r\n" in got and not got.endswith(b" mbar\r\n"),
        }
        for kind, law in laws.items():
            fault = scene.faults.add({"kind": kind, "link": "frost"})
            assert law(await next_line(0 if kind == "silence" else 1)), kind
            scene.faults.clear(fault.id)


async def test_faults_by_story(
    still_scene: Callable[..., Scene], tmp_path: Path, mbpoll: Mbpoll
) -> None:
    """A story switches a fault on at its time and off after its while."""
    fault = {"kind": "exception", "link": "panel", "unit": 1, "code": 6}
    scene = still_scene(({"at": "20:10", "fault": fault, "for": "10 min"},))
    minute = 60_000
    async with Served(scene, Endpoints(rtu=tmp_path / "line")) as served:
        start = scene.now_ms
        where = [*mbpoll.tcp(served, 1), "-r", 2, "-c", 1, "127.0.0.1"]
        for at, busy in ((9, False), (10, True), (19, True), (20, False)):
            served.advance(start + at * minute)
            assert ("busy" in await mbpoll(*where)) == busy


def test_a_fault_that_makes_no_sense_is_refused() -> None:
    """Kind, link and keys are checked, and the text says what there is."""
    faults = Faults({"panel": "tcp", "frost": "ascii"})
    for wrong in (
        {"kind": "gremlins", "link": "panel"},
        {"kind": "silence", "link": "attic"},
        {"kind": "crc", "link": "panel"},
        {"kind": "drop", "link": "frost"},
        {"kind": "silence", "link": "panel", "loudness": 3},
    ):
        with pytest.raises(ValueError):
            faults.add(wrong)
    assert all(kind.what for kind in KINDS.values())
