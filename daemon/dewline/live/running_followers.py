"""The followers that run now, and how others take their place at a reload.

Each is imported only where it is wanted: their libraries take long to load and much memory.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from dewline import __version__
from dewline.clock import Clock
from dewline.config import Plan
from dewline.config.plan import InfluxPlan, MqttPlan
from dewline.events import Entry
from dewline.followers.follower import Follower
from dewline.followers.mqtt.commands import Submit
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.journal import Journal, Reader
from dewline.live.supervise import Start
from dewline.readings import iso_utc
from dewline.watch.watch import Watch


@dataclass(slots=True, eq=False)
class RunningFollowers:
    """The followers of the plan, each a supervised task.

    ``start_task`` runs a job as a supervised task, ``submit`` puts a command to the watch,
    ``facts`` gives the content of the MQTT heartbeat (None: there is no progress to tell of),
    ``watch`` the watch as it is now, for a reload makes another one.
    ``started_ms`` is the wall time of the start.
    """

    start_task: Start
    clock: Clock
    journal: Journal
    submit: Submit
    facts: Callable[[], HeartbeatFacts | None]
    watch: Callable[[], Watch]
    started_ms: int
    clock_is_right: Callable[[], bool]
    _running: dict[str, tuple[Follower, asyncio.Task[None]]] = field(default_factory=dict)
    _ending: list[asyncio.Task[None]] = field(default_factory=list)  # of the plan before

    def __iter__(self) -> Iterator[Follower]:
        """The followers that run now, in the order of their start."""
        return iter([follower for follower, _ in self._running.values()])

    def start(self, plan: Plan) -> None:
        """Start every follower that the plan asks for."""
        for follower in self._make(plan):
            self._start(follower)

    def change(self, old: Plan, plan: Plan) -> None:
        """After a reload: end all and start those of the new plan, where it differs for them.

        The old ones deliver what is committed so far. The new ones wait until they have ended,
        so that no event is sent by both.
        """
        if _follower_plan(old) == _follower_plan(plan):
            return
        self._ending = [task for _, task in self._running.values()]
        self._ask_to_stop()
        self._running.clear()
        self.start(plan)

    def shut_roads(self) -> tuple[str, ...]:
        """The roads by which alarms go out, where all of them are barred: nobody can be told."""
        roads = dict(road for f in self for road in f.statistics().barred.items())
        return tuple(roads) if all(roads.values()) else ()

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

    def _make(self, plan: Plan) -> Iterator[Follower]:
        """The followers of ``plan``, in the order of their start."""
        if plan.mqtt is not None:
            yield self._mqtt(plan, plan.mqtt)
        if plan.influx is not None:
            yield self._influx(plan, plan.influx)
        if plan.contacts:
            from dewline.followers.push.follower import PushFollower  # noqa: PLC0415

            yield PushFollower(plan, self.clock, self.journal)

    def _mqtt(self, plan: Plan, mqtt: MqttPlan) -> Follower:
        from dewline.followers.mqtt.follower import MqttFollower  # noqa: PLC0415

        journal = self.journal
        return MqttFollower(
            mqtt,
            plan.site,
            self.clock,
            reader=lambda: Reader(journal.path),
            advance=lambda seq: journal.advance("mqtt", event_seq=seq),
            advance_ledger=lambda row: journal.advance(MqttFollower.of_ledger, event_seq=row),
            submit=self.submit,
            facts=self.facts,
            units={name: signal.unit for name, signal in plan.watch.signals.items()},
            started=iso_utc(self.started_ms),
            version=__version__,
            verdicts=self.watch().verdicts(),
        )

    def _influx(self, plan: Plan, influx: InfluxPlan) -> Follower:
        from dewline.followers.influx.follower import InfluxFollower  # noqa: PLC0415

        return InfluxFollower(
            influx,
            plan.site,
            self.clock,
            self.journal,
            rules=plan.watch.rules.values(),
            clock_is_right=self.clock_is_right,
        )


def _follower_plan(plan: Plan) -> object:
    """The part of a plan that its followers are made from: where it differs, make new ones."""
    rules = plan.watch.rules if plan.contacts or plan.influx else None
    return plan.mqtt, plan.influx, plan.contacts, plan.box_contacts, rules, plan.watch.signals
