"""Tasks that run side by side, none of which outlives its caller."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from typing import TypeVar

from dewline.clock import Clock
from dewline.journal import Reader

T = TypeVar("T")


async def first_to_end(*awaitables: Awaitable[object]) -> None:
    """Run all side by side until one ends, cancel the others, and raise the error of that one."""
    tasks = [asyncio.ensure_future(a) for a in awaitables]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        await cancel_all(tasks)


async def cancel_all(tasks: Sequence[asyncio.Future[T]]) -> None:
    """Cancel what is not done and wait until every task has ended.

    Cancelled again every second: before Python 3.12 ``asyncio.wait_for`` swallows a
    cancellation that comes in the same moment as the result it waits for.
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
            task.exception()  # else asyncio logs that it was never retrieved
    if cancelled is not None:
        raise cancelled


async def in_own_task(awaitable: Awaitable[T]) -> T:
    """The result of ``awaitable``, run in a task of its own.

    A library that swallows cancellations can then not swallow that of the caller.
    """
    task = asyncio.ensure_future(awaitable)
    try:
        await asyncio.wait({task})
    finally:
        await cancel_all([task])
    return task.result()


async def wait_until(clock: Clock, moment_s: float, event: asyncio.Event) -> None:
    """Wait for ``event`` or the moment (monotonic s), whichever is first.

    A stepping clock may jump meanwhile.
    """
    if not event.is_set():
        await first_to_end(event.wait(), clock.sleep_until(moment_s))


async def ask_journal(
    clock: Clock, open_reader: Callable[[], Reader], ask: Callable[[Reader], T]
) -> T:
    """The answer of ``ask``, which reads the journal in a worker thread.

    On a slow memory card a read may take seconds, and must not stop the event loop.
    """

    def in_thread() -> T:
        with contextlib.closing(open_reader()) as reader:
            return ask(reader)

    with clock.io():
        return await asyncio.to_thread(in_thread)
