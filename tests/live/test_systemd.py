"""What the daemon reports to systemd, on the socket that systemd names (sd_notify(3))."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from dewline.clock import StepClock
from dewline.live.liveness import Liveness
from dewline.live.systemd import feed_watchdog, notify, watchdog_every_s


@pytest.fixture
def heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[socket.socket]:
    """The socket that systemd reads."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        line.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield line


def words(line: socket.socket) -> list[str]:
    found = []
    with contextlib.suppress(BlockingIOError):
        while True:
            found.append(line.recv(100).decode())
    return found


def test_a_word_arrives_and_nobody_listening_is_no_trouble(
    heard: socket.socket, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The socket is a path or an abstract name; without one nothing is sent and False returned."""
    assert notify("READY=1")
    assert words(heard) == ["READY=1"]
    monkeypatch.delenv("NOTIFY_SOCKET")
    assert not notify("READY=1")
    name = f"dewline-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(f"\0{name}")
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
        assert notify("STOPPING=1")
        assert line.recv(100) == b"STOPPING=1"


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 20.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 20.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_how_often_it_is_fed(
    environment: dict[str, str], every_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A third of what systemd waits; None without a watchdog or for another process."""
    monkeypatch.delenv("WATCHDOG_USEC", raising=False)
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert watchdog_every_s() == every_s


async def test_only_progress_feeds_it(
    heard: socket.socket, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing is reported while one part makes no progress; it is logged once, not every time."""
    clock, house = StepClock(0), Liveness()
    house.expect("bus panel", 20, 0)
    house.expect("watch", 10, 0)

    async def live() -> list[list[str]]:
        phases = []
        for moves in (("bus panel", "watch"), ("watch",), ("bus panel", "watch")):
            got: list[str] = []
            for _ in range(60):
                for part in moves:
                    house.moved(part, clock.monotonic())
                await clock.sleep(1)
                got += words(heard)  # the queue of a datagram socket holds about ten
            phases.append(got)
        return phases

    async def both() -> list[list[str]]:
        feeder = asyncio.create_task(
            feed_watchdog(5, clock, lambda: house.behind(clock.monotonic()))
        )
        phases = await live()
        feeder.cancel()
        await asyncio.gather(feeder, return_exceptions=True)
        return phases

    well, stuck, again = await clock.run(both())
    assert set(well) == {"WATCHDOG=1"}
    assert len(well) in (12, 13)
    assert len(stuck) <= 5  # the 20 s it is allowed, then nothing
    assert len(again) >= 11
    hungry = [r for r in caplog.records if "standing still" in r.getMessage()]
    assert [r.getMessage() for r in hungry] == [
        "standing still: bus panel; the watchdog goes hungry"
    ]
