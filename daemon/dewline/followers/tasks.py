"""Tasks that run side by side, none of which outlives its caller."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine, Sequence
from typing import Any, Protocol, TypeVar

from dewline.clock import Clock


class Closable(Protocol):
    """What has to be closed after use."""

    def close(self) -> None:
        """Let go."""


T = TypeVar("T")
R = TypeVar("R", bound=Closable)


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
    """Cancel what is not done and see all of them end.

    Asked again every second: before Python 3.12 ``asyncio.wait_for`` swallows a
    cancellation that comes in the same moment as the answer it waits for.
    """
    cancelled: asyncio.CancelledError | None = None
    while pending := [task for task in tasks if not task.done()]:
        for task in pending:
            task.cancel()
        try:
            await asyncio.wait(pending, timeout=1.0)
        except asyncio.CancelledError as error:
            cancelled = error
    for task in tasks:
        if not task.cancelled():
            task.exception()  # looked at, else asyncio logs it as never retrieved
    if cancelled is not None:
        raise cancelled


async def alone(coroutine: Coroutine[Any, Any, T]) -> T:
    """The result of ``coroutine``, run so that it cannot swallow our own cancellation."""
    task = asyncio.ensure_future(coroutine)
    try:
        await asyncio.wait({task})
    finally:
        await drop([task])
    return task.result()


async def until(clock: Clock, moment_s: float, event: asyncio.Event) -> None:
    """Idle until ``event`` or the moment, whichever is first. A stepping clock may jump."""
    if not event.is_set():
        await first_to_end(event.wait(), clock.sleep_until(moment_s))


async def ask_record(clock: Clock, open_reader: Callable[[], R], ask: Callable[[R], T]) -> T:
    """Ask the record in a worker thread: a slow card must not hold up the loop."""

    def in_thread() -> T:
        with contextlib.closing(open_reader()) as reader:
            return ask(reader)

    with clock.io():
        return await asyncio.to_thread(in_thread)
