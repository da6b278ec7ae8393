"""Clocks, and pauses between tries. The watch uses neither: its time is in its items.

``RealClock`` is the daemon's. ``StepClock`` jumps to the next due moment when nothing is runnable
and no I/O is in flight, so that a night over real sockets takes seconds; before each jump it awaits
``advance``, with which a simulator confirms that it has served everything up to that moment.
``Backoff`` gives the growing pauses between tries.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import itertools
import math
import time
from collections.abc import Awaitable, Callable, Coroutine, Iterator
from typing import Protocol, TypeVar

T = TypeVar("T")
_NOTHING_HELD = contextlib.nullcontext()
_SHORT_S = 0.005  # silences on a serial line; slots of polls are longer


class Clock(Protocol):
    """Time as pollers, ticker and followers see it. Every wait on I/O is inside ``io()``."""

    def wall_ms(self) -> int:
        """UTC epoch in ms; may step."""

    def monotonic(self) -> float:
        """Seconds that never go back."""

    async def sleep_until(self, moment: float) -> None:
        """Sleep until ``monotonic()`` reaches ``moment``."""

    async def sleep(self, seconds: float) -> None:
        """Sleep that long."""

    def io(self) -> contextlib.AbstractContextManager[None]:
        """Held while waiting for the outside world, so that a stepping clock stands still."""


class Backoff:
    """Pauses between tries in a row, in seconds: ``first_s``, twice as long each time, at most
    ``longest_s``.

    It neither sleeps nor draws at random, so that pauses can be tested. Where many clients may
    try at the same moment, the caller spreads the pause by a random factor.
    """

    def __init__(self, first_s: float, longest_s: float) -> None:
        self._first_s = first_s
        self._longest_s = longest_s
        self._pause_s = first_s

    def next_s(self) -> float:
        """The pause after this failure; the one after the next failure is twice as long."""
        pause_s = self._pause_s
        self._pause_s = min(2 * pause_s, self._longest_s)
        return pause_s

    def reset(self) -> None:
        """A try succeeded: the next failure is the first one in a row."""
        self._pause_s = self._first_s


class RealClock:
    """The clock on the wall. ``speed`` runs a demo that many times faster."""

    def __init__(self, speed: float = 1.0, epoch_ms: int | None = None) -> None:
        self._speed = speed
        self._zero = time.monotonic()
        self._epoch_ms = epoch_ms

    def wall_ms(self) -> int:
        """UTC epoch in ms: of the host, or counted from ``epoch_ms`` at ``speed``."""
        if self._epoch_ms is None:
            return round(time.time() * 1000)
        return self._epoch_ms + round(self.monotonic() * 1000)

    def monotonic(self) -> float:
        """Seconds since the clock was made, ``speed`` times as fast as real ones."""
        return (time.monotonic() - self._zero) * self._speed

    async def sleep_until(self, moment: float) -> None:
        """Sleep until ``monotonic()`` reaches ``moment``, to well below a millisecond."""
        left_s = max(0.0, (moment - self.monotonic()) / self._speed)
        if left_s > _SHORT_S:
            await asyncio.sleep(left_s)
            return
        # asyncio waits whole milliseconds, rounded up: the 1.75 ms between frames would become 2,
        # and a fast line would be idle for a tenth of its time. So the rest is slept here.
        await asyncio.sleep(math.floor(left_s * 1000) / 1000)
        time.sleep(max(0.0, (moment - self.monotonic()) / self._speed))  # noqa: ASYNC251 - < 1 ms

    async def sleep(self, seconds: float) -> None:
        """Sleep that many seconds of this clock."""
        await asyncio.sleep(seconds / self._speed)

    def io(self) -> contextlib.AbstractContextManager[None]:
        """Nothing: real time goes on while the outside world is waited for."""
        return _NOTHING_HELD


class StepClock:
    """Time that jumps from one due moment to the next; run the whole program inside ``run``.

    It starts at the wall time ``epoch_ms``. ``advance`` is awaited with each new wall time
    before anything that sleeps until then wakes. ``hang_after_s`` is in real seconds.
    """

    def __init__(
        self,
        epoch_ms: int,
        advance: Callable[[int], Awaitable[None]] | None = None,
        hang_after_s: float = 30.0,
    ) -> None:
        self._epoch_ms = epoch_ms
        self._now = 0.0
        self._advance = advance
        self._hang_after_s = hang_after_s
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()
        self._busy = 0
        self._idle: asyncio.Future[None] | None = None

    def wall_ms(self) -> int:
        """UTC epoch in ms, as far as it has jumped."""
        return self._epoch_ms + round(self._now * 1000)

    def monotonic(self) -> float:
        """Seconds since the start, as far as it has jumped."""
        return self._now

    async def sleep_until(self, moment: float) -> None:
        """Sleep until a jump reaches ``moment``; let others run where that is past."""
        if moment <= self._now:
            await asyncio.sleep(0)
            return
        sleeper = asyncio.get_running_loop().create_future()
        heapq.heappush(self._sleepers, (moment, next(self._order), sleeper))
        await sleeper

    async def sleep(self, seconds: float) -> None:
        """Sleep until a jump has gone that far."""
        await self.sleep_until(self._now + seconds)

    @contextlib.contextmanager
    def io(self) -> Iterator[None]:
        """Held while waiting for the outside world: no jump meanwhile."""
        self._busy += 1
        try:
            yield
        finally:
            self._busy -= 1
            if not self._busy:
                self._wake()

    async def run(self, program: Coroutine[object, None, T]) -> T:
        """Run ``program`` to its end, jumping whenever it only sleeps.

        RuntimeError when I/O held the clock for ``hang_after_s`` real seconds:
        a hung exchange would otherwise freeze virtual time for ever.
        """
        main = asyncio.ensure_future(program)
        main.add_done_callback(lambda _: self._wake())
        loop = asyncio.get_running_loop()
        try:
            while not main.done():
                # asyncio offers no public "is anything runnable"; _ready is that queue.
                if loop._ready:  # type: ignore[attr-defined]
                    await asyncio.sleep(0)
                elif self._busy:
                    await self._until_idle(loop)
                else:
                    await self._jump()
            return main.result()
        finally:
            if not main.done():
                main.cancel()
                await asyncio.gather(main, return_exceptions=True)

    async def _until_idle(self, loop: asyncio.AbstractEventLoop) -> None:
        """Wait, without spinning, until no I/O is in flight."""
        self._idle = loop.create_future()
        alarm = loop.call_later(self._hang_after_s, self._give_up)
        try:
            await self._idle
        finally:
            alarm.cancel()

    def _wake(self) -> None:
        if self._idle is not None and not self._idle.done():
            self._idle.set_result(None)

    def _give_up(self) -> None:
        if self._idle is not None and not self._idle.done():
            self._idle.set_exception(RuntimeError("stepping clock held by I/O for too long"))

    async def _jump(self) -> None:
        while self._sleepers and self._sleepers[0][2].done():
            heapq.heappop(self._sleepers)
        if not self._sleepers:
            await asyncio.sleep(0.0005)
            return
        moment = self._sleepers[0][0]
        # Time first: a line that the simulator streams while it advances is of this moment.
        self._now = moment
        if self._advance is not None:
            await self._advance(self._epoch_ms + round(moment * 1000))
        while self._sleepers and self._sleepers[0][0] <= moment:
            sleeper = heapq.heappop(self._sleepers)[2]
            if not sleeper.done():
                sleeper.set_result(None)
        # Two passes of the loop: bytes that the simulator wrote for this moment are
        # read by their protocols before anything woken above can run on.
        await asyncio.sleep(0)
