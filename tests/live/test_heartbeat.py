"""The heartbeat: pings outside only while every part of the daemon makes progress."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from dewline.clock import RealClock
from dewline.config.plan import HeartbeatPlan
from dewline.live.heartbeat import Heartbeat
from tests.conftest import Answer, Sink

SECRET = "canary-reed-77"


@pytest.fixture
async def start(tmp_path: Path) -> AsyncIterator[Callable[..., Heartbeat]]:
    """``start(text, behind)``: a running heartbeat whose address file holds ``text``."""
    tasks = []

    def run(text: str, behind: Callable[[], tuple[str, ...]] = lambda: ()) -> Heartbeat:
        file = tmp_path / "ping.url"
        file.write_text(text)
        pinger = Heartbeat(HeartbeatPlan(url_file=file, every_ms=50), RealClock(), behind)
        tasks.append(asyncio.create_task(pinger.run()))
        return pinger

    yield run
    for task in tasks:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def test_it_pings_only_while_every_part_makes_progress(
    start: Callable[..., Heartbeat], sink: Sink
) -> None:
    """Pings stop when a part stands still, and go on when it moves again."""
    still: list[str] = []
    start(f"http://127.0.0.1:{sink.port}/{SECRET}", lambda: tuple(still))
    await sink.until(3)
    assert {path for _, path, _ in sink.got} == {f"/{SECRET}"}
    still.append("bus analyzers")
    await asyncio.sleep(0.1)
    before = len(sink.got)
    await asyncio.sleep(0.4)
    assert len(sink.got) == before
    still.clear()
    await sink.until(before + 1)


async def test_a_failure_is_logged_once_without_the_address(
    start: Callable[..., Heartbeat],
    sink: Sink,
    answer: type[Answer],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A receiver that refuses: one line for the outage, the address in none."""
    caplog.set_level(logging.DEBUG)
    sink.usual = answer(500)
    start(f"http://127.0.0.1:{sink.port}/{SECRET}")
    await sink.until(4)
    sink.usual = answer(200)
    await sink.until(6)
    told = [r for r in caplog.records if "ping" in r.getMessage()]
    assert [r.getMessage() for r in told] == ["ping to the outside: answered 500"]
    assert SECRET not in caplog.text


@pytest.mark.parametrize("text", ["file:///etc/hostname", "no address", ""])
async def test_only_web_addresses_are_asked(
    start: Callable[..., Heartbeat], caplog: pytest.LogCaptureFixture, text: str
) -> None:
    """Anything else is refused with the name of the file."""
    start(text)
    await asyncio.sleep(0.2)
    assert "ping.url" in caplog.text
    assert not text or text not in caplog.text
