"""Tasks that run side by side, none of which outlives its caller."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine, Sequence
from typing import Any

from dewline.clock import Clock


async def first_to_end(*coroutines: Coroutine[Any, Any, Any]) -> None:
    """Run side by side until one ends, drop the others, pass its error on."""
    tasks = [asyncio.ensure_future(c) for c in coroutines]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        await drop(tasks)


async def drop(tasks: Sequence[asyncio.Future[Any]]) -> None:
    """Cancel what is not done and see all of them end."""
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


async def until(clock: Clock, moment_s: float, event: asyncio.Event) -> None:
    """Idle until ``event`` or the moment, whichever is first. A stepping clock may jump."""
    if not event.is_set():
        await first_to_end(event.wait(), clock.sleep_until(moment_s))
