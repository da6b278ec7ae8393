"""The live daemon: pollers, ticker, commands and followers around the one drive.

Everything that judges is in the watch; everything durable is in the journal.
What stands here only starts tasks, keeps them alive and hands things over.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable, Sequence
from itertools import repeat
from pathlib import Path
from typing import Any

from dewline import __version__
from dewline.bus.poller import Poller
from dewline.clock import Clock
from dewline.config import Plan, watch_plan_to_json
from dewline.errors import CommandError, JournalError
from dewline.events import Entry, Outcome, Reply
from dewline.followers.follower import Follower
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.journal import Journal, Reader
from dewline.live import control_socket, follower_factory
from dewline.live.control_socket import command_of, leak_test_of
from dewline.live.host_clock import HostClock
from dewline.live.liveness import Liveness, parts_within_s, poller_within_s
from dewline.live.reload import changed_buses, reread, what_waits
from dewline.live.self_monitor import SelfMonitor
from dewline.live.status import status_document, worst_state
from dewline.live.supervise import keep_running
from dewline.live.systemd import feed_watchdog, notify, watchdog_every_s
from dewline.readings import Reading, Resumed, Scan, compact_json
from dewline.replay.drive import Drive
from dewline.replay.recovery import recorded_plans, recover
from dewline.watch_plan import WatchPlan

log = logging.getLogger(__name__)
SNAPSHOT_EVERY_S = 600.0
HOUSEKEEPING_EVERY_S = 3600.0


class Service:
    """One running daemon under one plan. ``run`` returns after ``stop``."""

    def __init__(
        self, plan: Plan, clock: Clock, clock_is_set: Callable[[], bool] = lambda: True
    ) -> None:
        self.plan = plan
        self._clock_is_set = clock_is_set
        self.clock = clock
        self.latest: dict[str, tuple[int, Reading]] = {}
        self.started_ms = clock.wall_ms()
        self._stop = asyncio.Event()
        self._pollers: dict[str, tuple[Poller, asyncio.Task[None]]] = {}
        self._followers: dict[str, tuple[Follower, asyncio.Task[None]]] = {}
        self._leaving: list[asyncio.Task[None]] = []  # followers of the plan before a reload
        self._advance = Liveness()
        self._damaged: Path | None = None
        self._state = "running"
        self._readings = 0

    # -- life ---------------------------------------------------------------

    async def run(self) -> None:
        """Recover, watch until stopped, then leave the record complete."""
        self.journal = Journal.open(
            self.plan.journal.path,
            self.plan.site,
            self.plan.journal.commit_every_ms,
            keep_raw_ms=self.plan.journal.keep_raw_ms,
            reserve_bytes=self.plan.journal.reserve_bytes,
        )
        try:
            with self.clock.io():  # a stepping clock must not run ahead of the start
                self._put_plan()
                await self._written()
                self._recover()
            self.journal.on_commit(self._committed)
            self.journal.on_held(self._held)
            server = await control_socket.serve(self.plan.journal.socket, self._answer)
            async with asyncio.TaskGroup() as group:
                house = self._start(group)
                notify("READY=1")
                log.info("watching %s, %d signals", self.plan.site, len(self.plan.watch.signals))
                await self._stop.wait()
                notify("STOPPING=1")
                await self._leave(house)
            server.close()
            self.plan.journal.socket.unlink(missing_ok=True)
        finally:
            self.journal.close()

    def stop(self) -> None:
        """Ask for a clean stop."""
        self._stop.set()

    def _recover(self) -> None:
        with Reader(self.plan.journal.path) as reader:
            self.drive: Drive = recover(
                reader, self._plan_of, self.plan.hash, self.journal.append, self.clock.wall_ms()
            )
        self._at_base_ms = self.drive.at_ms or 0
        self._monotonic_base = self.clock.monotonic()
        self.self_monitor = SelfMonitor(
            self.plan.watch.signals, self.stamp, self.feed, self.plan.journal.path.parent
        )
        self.host_clock = HostClock(
            self._clock_is_set, self.stamp, self.journal, self.drive.seq, self.self_monitor.set
        )
        self._look_for_damage()
        self._snapshot()

    def _look_for_damage(self) -> None:
        """A record set aside as damaged: say so, and give the fresh one a state to start from."""
        damaged = self.journal.statistics().damaged
        if damaged != self._damaged:
            self._damaged = damaged
            self.self_monitor.set("journal-damaged", float(damaged is not None))
            self._put_plan()
            self._snapshot()

    def _start(self, group: asyncio.TaskGroup) -> list[asyncio.Task[None]]:
        self._group = group
        house = {
            "ticker": self._tick,
            "committer": lambda: self.journal.run(self.clock),
            "host clock": lambda: self.host_clock.run(self.clock),
            "own box": lambda: self.self_monitor.run(self.clock, self._look),
            "snapshots": self._keep_snapshots,
            "housekeeping": self._keep_house,
        }
        if (every_s := watchdog_every_s()) is not None:
            house["watchdog"] = lambda: feed_watchdog(every_s, self.clock, self.behind)
        for part, within_s in parts_within_s(self.plan.journal.commit_every_ms).items():
            self._advance.expect(part, within_s, self.clock.monotonic())
        tasks = [self._keep(name, job) for name, job in house.items()]
        self._start_heartbeat()
        for name in self.plan.buses:
            self._start_bus(name)
        self._start_followers()
        return tasks

    def _keep(self, name: str, job: Any) -> asyncio.Task[None]:
        return self._group.create_task(
            keep_running(name, job, self.clock, self.self_monitor.task_failures), name=name
        )

    async def _leave(self, house: list[asyncio.Task[None]]) -> None:
        """Stop reading, write all down, let the followers catch up, then end."""
        self._state = "stopping"
        for _, task in self._pollers.values():
            task.cancel()
        await asyncio.gather(*(t for _, t in self._pollers.values()), return_exceptions=True)
        self.self_monitor.look(self._all_followers())
        self._snapshot()
        await self._written()
        for follower, _ in self._followers.values():
            follower.stop()
        await asyncio.gather(*(t for _, t in self._followers.values()), return_exceptions=True)
        await self._written()
        for task in (*house, self._heartbeat):
            task.cancel()

    # -- the road -------------------------------------------------------------

    def stamp(self) -> tuple[int, int]:
        """(wall ms, watch ms) of this moment."""
        passed_ms = round((self.clock.monotonic() - self._monotonic_base) * 1000)
        return self.clock.wall_ms(), self._at_base_ms + passed_ms

    def feed(self, scan: Scan) -> None:
        """A scan from a poller or from the house itself goes through the watch at once."""
        outcome = self.drive.feed(scan)
        self._readings += len(scan.readings)
        for readings in (scan.readings, outcome.readings):
            self.latest.update(
                zip(readings, zip(repeat(scan.time_ms), readings.values()), strict=False)
            )

    async def _tick(self) -> None:
        while True:
            _, at_ms = self.stamp()
            self.drive.tick_to(at_ms)
            self._advance.moved("watch", self.clock.monotonic())
            await self.clock.sleep((1000 - at_ms % 1000) / 1000)

    def behind(self) -> tuple[str, ...]:
        """The pollers, watch or journal that stand still; empty while the house gets on."""
        return self._advance.behind(self.clock.monotonic())

    def _committed(self, entries: Sequence[Entry]) -> None:
        self._advance.moved("journal", self.clock.monotonic())
        for follower, _ in self._followers.values():
            follower.committed(entries)

    def _held(self, entries: Sequence[Entry]) -> None:
        """The disk refuses: alarms go out all the same, marked as not durable."""
        for follower, _ in self._followers.values():
            follower.held(entries)

    # -- parts ----------------------------------------------------------------

    def _start_bus(self, name: str) -> None:
        instruments = [i for i in self.plan.instruments.values() if i.bus == name]
        part = f"bus {name}"

        def emit(scan: Scan) -> None:
            self._advance.moved(part, self.clock.monotonic())
            self.feed(scan)

        poller = Poller(
            self.plan.buses[name],
            instruments,
            clock=self.clock,
            stamp=self.stamp,
            emit=emit,
            on_state=self._on_state,
        )
        within_s = poller_within_s([i.every_ms for i in instruments if i.feeds])
        if within_s is not None:
            self._advance.expect(part, within_s, self.clock.monotonic())
        self._pollers[name] = (poller, self._keep(f"bus {name}", poller.run))

    def _start_heartbeat(self) -> None:
        """The ping to the outside, by the plan that runs now."""
        job = follower_factory.heartbeat(self.plan.heartbeat, self.clock, self.behind)
        self._heartbeat = self._keep("heartbeat", job)

    def _start_followers(self) -> None:
        for follower in follower_factory.followers(
            self.plan,
            self.clock,
            self.journal,
            submit=self._submit_from_afar,
            facts=self._facts,
            started_ms=self.started_ms,
            clock_is_right=lambda: self.host_clock.right,
        ):
            self._start_follower(follower)

    def _start_follower(self, follower: Follower) -> None:
        before = list(self._leaving)

        async def run() -> None:
            if before:  # the old plan's follower may be about to say the same
                await asyncio.wait(before)
            await follower.run()

        task = self._keep(f"follower {follower.name}", run)
        self._followers[follower.name] = (follower, task)

    def _look(self) -> Iterable[Follower]:
        self._look_for_damage()
        return self._all_followers()

    def _on_state(self, name: str, up: bool) -> None:
        self.self_monitor.set(name, float(up))

    def _all_followers(self) -> Iterable[Follower]:
        return [follower for follower, _ in self._followers.values()]

    # -- the record -----------------------------------------------------------

    def _plan_of(self, plan_hash: str) -> WatchPlan | None:
        """A watch plan by its hash: the one that runs, or one that the record remembers."""
        if plan_hash == self.plan.hash:
            return self.plan.watch
        with Reader(self.plan.journal.path) as reader:
            return recorded_plans(reader)(plan_hash)

    def _put_plan(self) -> None:
        self.journal.put_plan(self.plan.hash, watch_plan_to_json(self.plan.watch))
        signals = self.plan.watch.signals
        self.journal.put_units({name: signal.unit for name, signal in signals.items()})

    def _snapshot(self) -> None:
        state = compact_json(self.drive.watch.save())
        self.journal.put_snapshot(self.drive.seq, self.drive.plan_hash, state)

    async def _keep_snapshots(self) -> None:
        while True:
            await self.clock.sleep(SNAPSHOT_EVERY_S)
            self._snapshot()

    async def _keep_house(self) -> None:
        while True:
            await self.clock.sleep(HOUSEKEEPING_EVERY_S)
            await self.journal.keep_house(self.stamp()[1])

    # -- words from people ------------------------------------------------------

    async def _submit_from_afar(self, request: dict[str, Any]) -> Reply:
        reply = self.submit(request, "mqtt")
        await self._written()
        return reply

    async def _written(self) -> bool:
        """Wait until all that was fed is on disk; False where the disk refuses for now."""
        try:
            await self.journal.flush()
        except JournalError as error:
            log.warning("not on disk yet: %s", error)
            return False
        return True

    def submit(self, request: dict[str, Any], source: str) -> Reply:
        """A command, already allowed: through the watch like everything else."""
        command = command_of(request, self.stamp(), source)
        return self.drive.feed(command).reply or Reply(False, "no answer")

    async def _answer(self, request: dict[str, Any]) -> dict[str, Any]:
        match request.get("ask"):
            case "status":
                return self.status()
            case "command":
                reply = self.submit(request, "socket")
                later = "" if await self._written() else " (not on disk yet)"
                message = reply.message + later
                return {"ok": reply.ok, "message": message, "event_id": reply.event_id}
            case "reload":
                return self.reload()
            case "leak-test":
                return await self._write_leak_test(request)
            case other:
                return {"ok": False, "message": f"nobody here knows {other!r}"}

    async def _write_leak_test(self, request: dict[str, Any]) -> dict[str, Any]:
        """A judged leak test into the ledger: a conclusion, nothing the watch is fed."""
        try:
            row = leak_test_of(request, self.plan.watch)
        except CommandError as error:
            return {"ok": False, "message": str(error)}
        self.journal.append(Entry(self.drive.seq, None, Outcome(ledger=(row,))))
        await self._written()
        return {"ok": True, "message": f"written into the ledger of {row.box}"}

    def reload(self) -> dict[str, Any]:
        """Read the config again. A bad one leaves the old one running and says so."""
        try:
            plan = reread(self.plan)
        except CommandError as refusal:
            log.error("reload refused: %s", refusal)
            return {"ok": False, "message": str(refusal)}
        message = f"reloaded {plan.path}{what_waits(self.plan, plan)}"
        self._change(plan)
        log.info(message)
        return {"ok": True, "message": message}

    def _change(self, plan: Plan) -> None:
        old, self.plan = self.plan, plan
        self._put_plan()
        time_ms, at_ms = self.stamp()
        self.drive.feed(Resumed(time_ms, at_ms, "reload", 0, plan.hash, __version__))
        self.self_monitor.forget(plan.watch.signals)
        for name in changed_buses(old, plan):
            if name in self._pollers:
                self._pollers.pop(name)[1].cancel()
                self._advance.forget(f"bus {name}")
            if name in plan.buses:
                self._start_bus(name)
        if old.heartbeat != plan.heartbeat:
            self._heartbeat.cancel()
            self._start_heartbeat()
        if follower_factory.part(old) != follower_factory.part(plan):
            self._leaving = [task for _, task in self._followers.values()]
            for follower, _ in self._followers.values():
                follower.stop()
            self._followers.clear()
            self._start_followers()
        self.self_monitor.look(self._all_followers())
        self._snapshot()

    def status(self) -> dict[str, Any]:
        """The answer to ``dewline status --json``."""
        followers = self._all_followers()
        return status_document(
            self.plan.watch, self._state, self.drive.watch, self.latest, followers
        )

    def statistics(self) -> dict[str, Any]:
        """Counts since the start: readings taken in, each bus, each follower, the journal."""
        return {
            "readings": self._readings,
            "buses": {name: poller.statistics() for name, (poller, _) in self._pollers.items()},
            "followers": {f.name: f.statistics() for f in self._all_followers()},
            "journal": self.journal.statistics(),
        }

    def _facts(self) -> HeartbeatFacts | None:
        """What the heartbeat says; None, so that it stays away, while anything stands still."""
        if self.behind():
            return None
        return {
            "seq": self.drive.seq,
            "worst": worst_state(self.drive.watch),
            "followers": {f.name: f.statistics().seconds_behind for f in self._all_followers()},
        }
