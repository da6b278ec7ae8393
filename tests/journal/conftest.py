"""A record on a real file, its committer running, and the makers of what goes in."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.clock import RealClock
from dewline.events import Event
from dewline.journal import Journal
from dewline.readings import Quality, Reading, Scan

Opener = Callable[..., contextlib.AbstractAsyncContextManager[Journal]]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "saltmarsh.db"


@pytest.fixture
def opened(path: Path) -> Opener:
    """``async with opened() as journal``: its committer runs until the end of the block."""

    @contextlib.asynccontextmanager
    async def open_it(commit_every_ms: int = 20, **settings: Any) -> AsyncIterator[Journal]:
        settings = {"reserve_bytes": 0, **settings}
        journal = Journal.open(path, "saltmarsh", commit_every_ms, **settings)
        committer = asyncio.create_task(journal.run(RealClock()))
        try:
            yield journal
        finally:
            committer.cancel()
            await asyncio.gather(committer, return_exceptions=True)
            journal.close()
            await asyncio.sleep(0)  # the last report of the thread

    return open_it


@pytest.fixture
def event_of() -> Callable[..., Event]:
    def make(n: int, **fields: Any) -> Event:
        values: dict[str, Any] = {
            "id": f"{n:016x}",
            "seq": n,
            "time_ms": n * 1000,
            "at_ms": n * 1000,
            "site": "saltmarsh",
            "box": "heron",
            "alarm": "heron.moisture-high",
            "transition": "raised",
            "state": "unacknowledged",
            "priority": "high",
            "signal": "heron.moisture",
        }
        return Event(**(values | fields))

    return make


@pytest.fixture
def scan_of() -> Callable[..., Scan]:
    def make(at_ms: int, time_ms: int | None = None, **values: float | None) -> Scan:
        readings = {
            f"heron.{name}": Reading(value, Quality.NO_ANSWER if value is None else Quality.GOOD)
            for name, value in values.items()
        }
        return Scan(at_ms if time_ms is None else time_ms, at_ms, "heron-trace", readings)

    return make
