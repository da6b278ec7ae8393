"""The pollers of all buses, and which of them a reload replaces."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from dewline.bus.poller import BusStatistics, Poller, Stamp
from dewline.clock import Clock
from dewline.config import Plan
from dewline.live.liveness import Liveness, poller_within_s
from dewline.live.reload import changed_buses
from dewline.live.supervise import Start
from dewline.readings import Scan


class Pollers:
    """One poller for each bus of the plan, each a supervised task.

    ``start`` runs a job as a supervised task. ``emit`` gets every scan in the poller's own call.
    ``on_state`` gets ``BUS-link`` and ``INSTRUMENT-answer`` when they change. Every scan is
    progress for ``liveness``.
    """

    def __init__(
        self,
        start: Start,
        liveness: Liveness,
        clock: Clock,
        stamp: Stamp,
        *,
        emit: Callable[[Scan], None],
        on_state: Callable[[str, bool], None],
    ) -> None:
        self._start_task = start
        self._liveness = liveness
        self._clock = clock
        self._stamp = stamp
        self._emit = emit
        self._on_state = on_state
        self._running: dict[str, tuple[Poller, asyncio.Task[None]]] = {}

    def start(self, plan: Plan) -> None:
        """Start the poller of every bus."""
        for name in plan.buses:
            self._start(plan, name)

    def change(self, old: Plan, plan: Plan) -> None:
        """After a reload: replace the pollers of buses that are new, gone or read otherwise."""
        for name in changed_buses(old, plan):
            if name in self._running:
                self._running.pop(name)[1].cancel()
                self._liveness.forget(_part(name))
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
            self._liveness.moved(part, self._clock.monotonic())
            self._emit(scan)

        instruments = [i for i in plan.instruments.values() if i.bus == name]
        poller = Poller(
            plan.buses[name],
            instruments,
            clock=self._clock,
            stamp=self._stamp,
            emit=emit,
            on_state=self._on_state,
        )
        within_s = poller_within_s([i.every_ms for i in instruments if i.feeds])
        if within_s is not None:
            self._liveness.expect(part, within_s, self._clock.monotonic())
        self._running[name] = (poller, self._start_task(part, poller.run))


def _part(bus: str) -> str:
    """The name of a poller among tasks and parts that must make progress."""
    return f"bus {bus}"
