"""What others hear of a daemon that dies, stops, or comes back."""

from __future__ import annotations

import asyncio
import signal
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Broker, Subscriber
from tests.patience import PATIENCE_S

pytestmark = pytest.mark.long

DAEMON = Path(__file__).with_name("delivery_daemon.py")
STATE = "dewline/saltmarsh/state"
ALARMS = "dewline/saltmarsh/heron/alarm/"
KEEPALIVE_S = 4


@pytest.fixture
async def start(
    tmp_path: Path, broker: Broker
) -> AsyncIterator[Callable[..., Awaitable[asyncio.subprocess.Process]]]:
    """``await start(last)``: a daemon process on the broker, killed at the end."""
    running = []

    async def run(last: int = 10) -> asyncio.subprocess.Process:
        words = [str(DAEMON), str(tmp_path / "marsh.db"), str(broker.port), str(last)]
        process = await asyncio.create_subprocess_exec(
            sys.executable, *words, "5", str(KEEPALIVE_S), stdout=asyncio.subprocess.DEVNULL
        )
        running.append(process)
        return process

    yield run
    for process in running:
        if process.returncode is None:
            process.kill()
        await process.wait()


def says(state: str) -> Callable[[Subscriber], bool]:
    return lambda s: [d["state"] for d in s.documents(STATE)][-1:] == [state]


async def test_kill_9_is_heard_as_lost_and_a_new_start_as_running(
    start: Callable[..., Awaitable[asyncio.subprocess.Process]],
    broker: Broker,
    subscribe: Callable[..., Any],
) -> None:
    """The last will says ``lost`` within 1.5 keepalives of kill -9; the next start: running."""
    heard = await subscribe(broker.port, STATE)
    process = await start()
    await heard.until(says("running"))
    process.kill()
    began = time.monotonic()
    await heard.until(says("lost"), 1.5 * KEEPALIVE_S)
    print(f"lost was heard {time.monotonic() - began:.3f} s after kill -9")
    late = await subscribe(broker.port, STATE)
    await late.until(says("lost"))
    await start()
    await heard.until(says("running"))


async def test_a_clean_stop_is_heard_as_stopped(
    start: Callable[..., Awaitable[asyncio.subprocess.Process]],
    broker: Broker,
    subscribe: Callable[..., Any],
) -> None:
    """SIGTERM ends as ``stopped``, retained, and no ``lost`` comes after it."""
    heard = await subscribe(broker.port, STATE)
    process = await start()
    await heard.until(says("running"))
    process.terminate()
    assert await asyncio.wait_for(process.wait(), PATIENCE_S) == 0
    await heard.until(says("stopped"))
    late = await subscribe(broker.port, STATE)
    await late.until(says("stopped"))
    assert "lost" not in [d["state"] for d in heard.documents(STATE)]


async def test_retained_alarms_tell_the_truth_after_a_kill(
    start: Callable[..., Awaitable[asyncio.subprocess.Process]],
    broker: Broker,
    subscribe: Callable[..., Any],
) -> None:
    """Transitions that a killed daemon did not deliver are on the alarm topics after its start."""
    heard = await subscribe(broker.port, "dewline/saltmarsh/#")
    process = await start(last=300)
    await heard.until(lambda s: len(s.messages("dewline/saltmarsh/event")) > 20)
    process.send_signal(signal.SIGKILL)
    await process.wait()
    await start(last=310)
    await heard.until(lambda s: 310 in [d["seq"] for d in s.documents("dewline/saltmarsh/event")])
    late = await subscribe(broker.port, f"{ALARMS}+")
    await late.until(lambda s: len(s.messages()) == 7)
    assert sorted(d["seq"] for n in range(7) for d in late.documents(f"{ALARMS}rule-{n}")) == list(
        range(304, 311)
    )
