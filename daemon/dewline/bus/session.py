"""The interface to the instruments of a bus: one open link, one exchange at a time.

There are three kinds (Modbus TCP, Modbus RTU, lines of text); one conformance suite in the
tests holds for all. A session only reads.
"""

from __future__ import annotations

import asyncio
import logging
from abc import ABC, abstractmethod
from collections.abc import Coroutine
from typing import Generic, Protocol, TypeVar

from dewline.bus.plan import Block
from dewline.config.plan import InstrumentPlan

T = TypeVar("T")


class ShieldedLock:
    """Runs one transaction at a time, each in a task that its caller's cancellation leaves alone.

    For serial lines: a request that is out must be followed to its answer, since a frame bears
    nothing that tells whose answer it is.
    """

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._tasks: set[asyncio.Task[object]] = set()

    async def run(self, transaction: Coroutine[object, None, T]) -> T:
        """Run ``transaction`` after those that came before it; its result or error."""
        task = asyncio.create_task(self._through(transaction))
        self._tasks.add(task)
        task.add_done_callback(self._over)
        return await asyncio.shield(task)

    async def _through(self, transaction: Coroutine[object, None, T]) -> T:
        try:
            async with self._lock:
                return await transaction
        finally:
            transaction.close()  # cancelled while waiting for the lock: it never began

    def _over(self, task: asyncio.Task[object]) -> None:
        self._tasks.discard(task)
        if not task.cancelled():
            task.exception()  # marks it as seen: a cancelled caller does not fetch it

    async def stop(self) -> None:
        """Cancel all transactions, under way or waiting, and wait for their ends."""
        for task in tuple(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


class CallerLock:
    """Runs one transaction at a time in its caller's own task, and so is cancelled with it.

    For TCP: a cancelled exchange costs only its connection, and the library passes cancellation
    on. A task for each transaction, as ``ShieldedLock`` makes, would be a tenth of what a
    reading costs.
    """

    def __init__(self) -> None:
        self._lock = asyncio.Lock()
        self._callers: set[asyncio.Task[object]] = set()

    async def run(self, transaction: Coroutine[object, None, T]) -> T:
        """Run ``transaction`` after those that came before it; its result or error."""
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
        """Cancel all callers and wait until no transaction is under way."""
        for caller in tuple(self._callers):
            caller.cancel()
        async with self._lock:
            pass


class Link(Protocol):
    """What a session holds open: a client or a port."""

    @property
    def connected(self) -> bool:
        """Whether it can be used."""

    def close(self) -> None:
        """Close it."""


Open_co = TypeVar("Open_co", bound=Link, covariant=True)


class Session(ABC, Generic[Open_co]):
    """One link to the instruments of a bus. Every failure is a BusError."""

    def __init__(self, lock: ShieldedLock | CallerLock) -> None:
        """``lock`` keeps the exchanges of this link apart."""
        # pymodbus' own log has an error for every odd frame; dewline logs changes of state itself.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)
        self._lock = lock
        self._link: Open_co | None = None

    @property
    @abstractmethod
    def rejected(self) -> int:
        """Answers dropped: they came when nothing was asked, or did not fit the question."""

    async def open(self) -> None:
        """Open the link if it is not open; LinkDown with the reason where that fails."""
        await self._lock.run(self._open())

    async def exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        """Ask for ``block``; returns the checked payload of the answer.

        LinkDown, NoReply, BadFrame or Refused. Where the caller is cancelled, its late answer is
        never taken for that of the next exchange: that one waits for the end of this one, or
        gets a new connection.
        """
        return await self._lock.run(self._exchange(instrument, block))

    async def close(self) -> None:
        """Close the link and end the exchange under way."""
        await self._lock.stop()
        self._drop()

    async def _open(self) -> Open_co:
        """The link, opened where it is not open; within the lock."""
        if self._link is None or not self._link.connected:
            self._drop()
            self._link = await self._connect()
        return self._link

    @abstractmethod
    async def _connect(self) -> Open_co:
        """A link that is open; LinkDown where that fails."""

    @abstractmethod
    async def _exchange(self, instrument: InstrumentPlan, block: Block) -> bytes:
        """One exchange, within the lock."""

    def _drop(self) -> None:
        """Close what is open."""
        link, self._link = self._link, None
        if link is not None:
            link.close()
