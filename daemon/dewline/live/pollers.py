"""The pollers of all buses, and which of them a reload replaces."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from dewline.bus.poller import BusStatistics, Poller, Stamp
from dewline.clock import Clock
from dewline.config import Plan
from dewline.live.liveness import Liveness, poller_within_s
from dewline.live.reload import changed_buses
from dewline.live.supervise import Start
from dewline.readings import Scan


@dataclass(slots=True, eq=False)
class Pollers:
    """One poller for each bus of the plan, each a supervised task.

    ``start_task`` runs a job as a supervised task. ``emit`` gets every scan in the poller's own
    call, ``on_state`` gets ``BUS-link`` and ``INSTRUMENT-answer`` when they change. Every scan
    is progress for ``liveness``.
    """

    start_task: Start
    liveness: Liveness
    clock: Clock
    stamp: Stamp
    emit: Callable[[Scan], None]
    on_state: Callable[[str, bool], None]
    _running: dict[str, tuple[Poller, asyncio.Task[None]]] = field(default_factory=dict)

    def start(self, plan: Plan) -> None:
        """Start the poller of every bus."""
        for name in plan.buses:
            self._start(plan, name)

    def change(self, old: Plan, plan: Plan) -> None:
        """After a reload: replace the pollers of buses that are new, gone or read otherwise."""
        for name in changed_buses(old, plan):
            if name in self._running:
                self._running.pop(name)[1].cancel()
                self.liveness.forget(_part(name))
            if name in plan.buses:
                self._start(plan, name)

    async def stop(self) -> None:
        """Cancel all and return when the last one has ended."""
        tasks = [task for _, task in self._running.values()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def statistics(self) -> dict[str, BusStatistics]:
        """Counts since the start of each poller, by bus."""
        return {name: poller.statistics() for name, (poller, _) in self._running.items()}

    def _start(self, plan: Plan, name: str) -> None:
        part = _part(name)

        def emit(scan: Scan) -> None:
            self.liveness.moved(part, self.clock.monotonic())
            self.emit(scan)

        instruments = [i for i in plan.instruments.values() if i.bus == name]
        poller = Poller(
            plan.buses[name],
            instruments,
            clock=self.clock,
            stamp=self.stamp,
            emit=emit,
            on_state=self.on_state,
        )
        within_s = poller_within_s([i.every_ms for i in instruments if i.feeds])
        if within_s is not None:
            self.liveness.expect(part, within_s, self.clock.monotonic())
        self._running[name] = (poller, self.start_task(part, poller.run))


def _part(bus: str) -> str:
    """The name of a poller among tasks and parts that must make progress."""
    return f"bus {bus}"
