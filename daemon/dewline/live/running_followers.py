"""The followers that run now, and how others take their place at a reload."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from dewline.config import Plan
from dewline.events import Entry
from dewline.followers.follower import Follower
from dewline.live.follower_factory import follower_plan
from dewline.live.supervise import Start


@dataclass(slots=True, eq=False)
class RunningFollowers:
    """The followers of the plan, each a supervised task; ``make`` gives those of a plan."""

    start_task: Start
    make: Callable[[Plan], Iterable[Follower]]
    _running: dict[str, tuple[Follower, asyncio.Task[None]]] = field(default_factory=dict)
    _ending: list[asyncio.Task[None]] = field(default_factory=list)  # of the plan before

    def __iter__(self) -> Iterator[Follower]:
        """The followers that run now, in the order of their start."""
        return iter([follower for follower, _ in self._running.values()])

    def start(self, plan: Plan) -> None:
        """Start every follower that the plan asks for."""
        for follower in self.make(plan):
            self._start(follower)

    def change(self, old: Plan, plan: Plan) -> None:
        """After a reload: end all and start those of the new plan, where it differs for them.

        The old ones deliver what is committed so far. The new ones wait until they have ended,
        so that no event is sent by both.
        """
        if follower_plan(old) == follower_plan(plan):
            return
        self._ending = [task for _, task in self._running.values()]
        self._ask_to_stop()
        self._running.clear()
        self.start(plan)

    async def stop(self) -> None:
        """Let all deliver what is committed, and return when the last one has ended."""
        self._ask_to_stop()
        await asyncio.gather(*(t for _, t in self._running.values()), return_exceptions=True)

    def committed(self, entries: Sequence[Entry]) -> None:
        """Hand on what is now on disk."""
        for follower in self:
            follower.committed(entries)

    def held(self, entries: Sequence[Entry]) -> None:
        """Hand on what the disk refuses: alarms go out all the same, marked as not durable."""
        for follower in self:
            follower.held(entries)

    def _ask_to_stop(self) -> None:
        for follower in self:
            follower.stop()

    def _start(self, follower: Follower) -> None:
        before = list(self._ending)

        async def run() -> None:
            if before:
                await asyncio.wait(before)
            await follower.run()

        task = self.start_task(f"follower {follower.name}", run)
        self._running[follower.name] = (follower, task)
