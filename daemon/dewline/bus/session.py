"""The seam to an instrument: one open link, one exchange at a time.

Three real kinds stand behind it (Modbus TCP, Modbus RTU, ASCII lines); one
conformance suite holds for all. A session only ever reads.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Coroutine
from typing import Any, Protocol, TypeVar

from dewline.bus.plan import Block
from dewline.config.plan import InstrumentPlan

T = TypeVar("T")


class Session(Protocol):
    """One link to the instruments of a bus. Every failure is a BusError."""

    @property
    def rejected(self) -> int:
        """Answers thrown away because they came when nothing was asked, or were not the answer."""

    async def open(self) -> None:
        """Open the link, or raise LinkDown saying why. Without effect on an open one."""

    async def exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        """Ask for ``block`` and give the checked payload of its answer.

        Raises LinkDown, NoReply, BadFrame or Refused. Cancelling the caller shifts no answer:
        the next exchange waits for the end of this one, or has a connection of its own.
        """

    async def close(self) -> None:
        """Let go of the link and of whatever is under way."""


class Turnstile:
    """Lets one transaction through at a time and shields it from its caller's cancellation."""

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._tasks: set[asyncio.Task[Any]] = set()

    async def run(self, transaction: Coroutine[Any, Any, T]) -> T:
        """The result of ``transaction``, once those before it are over."""
        task = asyncio.create_task(self._through(transaction))
        self._tasks.add(task)
        task.add_done_callback(self._over)
        return await asyncio.shield(task)

    async def _through(self, transaction: Coroutine[Any, Any, T]) -> T:
        try:
            async with self._lock:
                return await transaction
        finally:
            transaction.close()  # cancelled while waiting for the lock: it never began

    def _over(self, task: asyncio.Task[Any]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()  # a caller that was cancelled will not look at it

    async def stop(self) -> None:
        """Cancel whatever is under way and wait until it is gone."""
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


class Doorway:
    """Lets one transaction through at a time, in its caller's own task: both are cancelled as one.

    For a link that cancellation costs no more than its connection, and a library that lets
    cancellation through. A task a transaction, as the turnstile makes, would be a tenth of
    all that a reading costs.
    """

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._callers: set[asyncio.Task[Any]] = set()

    async def run(self, transaction: Coroutine[Any, Any, T]) -> T:
        """The result of ``transaction``, once those before it are over."""
        caller = asyncio.current_task()
        assert caller is not None
        self._callers.add(caller)
        try:
            async with self._lock:
                return await transaction
        finally:
            transaction.close()  # cancelled while waiting for the lock: it never began
            self._callers.discard(caller)

    async def stop(self) -> None:
        """Cancel whatever is under way, with its callers, and wait until it is gone."""
        for caller in tuple(self._callers):
            caller.cancel()
        async with self._lock:
            pass


def quiet_library() -> None:
    """The library logs frames of every client at error level; dewline logs changes itself."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
