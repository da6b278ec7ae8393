"""The live daemon: pollers, ticker, commands and followers around the one drive.

``running`` opens the record, recovers the watch, builds a ``Service`` and starts its parts. The
watch judges and the journal keeps; the service passes readings and requests between the parts.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from itertools import repeat

from dewline import __version__
from dewline.clock import Clock
from dewline.config import Plan
from dewline.config.read_with import read_with
from dewline.errors import CommandError
from dewline.events import Entry
from dewline.followers.follower import Follower
from dewline.followers.mqtt.messages import HeartbeatFacts
from dewline.live import control_socket
from dewline.live.host_clock import HostClock
from dewline.live.liveness import Liveness, parts_within_s
from dewline.live.pollers import Pollers
from dewline.live.record import Record, opened_record
from dewline.live.reload import reread, restart_notice
from dewline.live.request_handler import RequestHandler
from dewline.live.requests import Answer, StatusDocument
from dewline.live.running_followers import RunningFollowers
from dewline.live.self_monitor import SelfMonitor
from dewline.live.status import ServiceStatistics, heartbeat_facts, status_document
from dewline.live.supervise import Job, keep_running
from dewline.live.systemd import feed_watchdog, notify, watchdog_every_s
from dewline.readings import Reading, Resumed, Scan

log = logging.getLogger(__name__)


@contextlib.asynccontextmanager
async def running(
    plan: Plan, clock: Clock, clock_is_set: Callable[[], bool] = lambda: True
) -> AsyncIterator[Service]:
    """The daemon of ``plan``, running for as long as the block lasts.

    On entry the record is opened and the watch recovered (JournalError where that fails); when
    the block ends well, the record is left complete and the followers have caught up.
    ``clock_is_set``: whether the wall clock of the host can be believed by now.
    """
    async with opened_record(plan, clock) as record:
        async with asyncio.TaskGroup() as group:
            service = Service(plan, clock, record, group, clock_is_set)
            server = await control_socket.serve(plan.journal.socket, service.requests.answer)
            service.start()
            notify("READY=1")
            log.info("watching %s, %d signals", plan.site, len(plan.watch.signals))
            yield service
            notify("STOPPING=1")
            await service.stop()
        server.close()
        plan.journal.socket.unlink(missing_ok=True)


class Service:
    """One daemon under one plan. Its tasks run in ``group`` from ``start`` to ``stop``."""

    def __init__(
        self,
        plan: Plan,
        clock: Clock,
        record: Record,
        group: asyncio.TaskGroup,
        clock_is_set: Callable[[], bool],
    ) -> None:
        self.plan = plan
        self.clock = clock
        self.drive = record.drive
        self.latest: dict[str, tuple[int, Reading]] = {}
        self._record = record
        self._group = group
        self._state = "running"
        self._readings = 0
        self._at_base_ms = record.drive.at_ms or 0
        self._monotonic_base = clock.monotonic()
        self._liveness = Liveness()
        monitor = SelfMonitor(plan.watch.signals, self.stamp, self.feed, plan.journal.path.parent)
        self._self_monitor = monitor
        self.host_clock = HostClock(
            clock_is_set, self.stamp, record.journal, record.drive.seq, monitor.set
        )
        self._pollers = Pollers(
            self._start_task,
            self._liveness,
            clock,
            self.stamp,
            emit=self.feed,
            on_state=lambda name, up: monitor.set(name, float(up)),
        )
        self.requests = RequestHandler(record, self.stamp, status=self.status, reload=self.reload)
        self._followers = RunningFollowers(
            self._start_task,
            clock,
            record.journal,
            submit=self.requests.submit_from_afar,
            facts=self._facts,
            watch=lambda: record.drive.watch,
            started_ms=clock.wall_ms(),
            clock_is_right=lambda: self.host_clock.right,
        )
        self._own_tasks: dict[str, asyncio.Task[None]] = {}

    def start(self) -> None:
        """Start the service's own tasks, the pollers and the followers.

        A record set aside as damaged is reported first, and the recovered state of the watch
        is put into the record, so that a restart need not read the same items again.
        """
        self._check_damage()
        self._record.put_snapshot()
        self._record.journal.on_commit(self._committed)
        self._record.journal.on_held(self._followers.held)
        for part, within_s in parts_within_s(self.plan.journal.commit_every_ms).items():
            self._liveness.expect(part, within_s, self.clock.monotonic())
        for name, job in self._own_jobs().items():
            self._own_tasks[name] = self._start_task(name, job)
        self._start_heartbeat()
        self._pollers.start(self.plan)
        self._followers.start(self.plan)

    def _own_jobs(self) -> dict[str, Job]:
        clock, record, monitor = self.clock, self._record, self._self_monitor
        jobs: dict[str, Job] = {
            "ticker": self._tick,
            "committer": lambda: record.journal.run(clock),
            "host clock": lambda: self.host_clock.run(clock),
            "own box": lambda: monitor.run(clock, self._followers_and_damage),
            "snapshots": lambda: record.keep_snapshots(clock),
            "housekeeping": lambda: record.keep_house(clock, self.stamp),
        }
        if (every_s := watchdog_every_s()) is not None:
            jobs["watchdog"] = lambda: feed_watchdog(every_s, clock, self.behind)
        return jobs

    def _start_heartbeat(self) -> None:
        if self.plan.heartbeat is not None:
            from dewline.live.heartbeat import Heartbeat  # noqa: PLC0415 - few have a receiver

            job = Heartbeat(self.plan.heartbeat, self.clock, self._stuck_or_barred).run
            self._own_tasks["heartbeat"] = self._start_task("heartbeat", job)

    def _start_task(self, name: str, job: Job) -> asyncio.Task[None]:
        run = keep_running(name, job, self.clock, self._self_monitor.task_failures)
        return self._group.create_task(run, name=name)

    async def stop(self) -> None:
        """Stop reading, write all down, let the followers catch up, then end all tasks."""
        self._state = "stopping"
        await self._pollers.stop()
        self._self_monitor.measure(self._followers)
        self._record.put_snapshot()
        await self._record.written()
        await self._followers.stop()
        await self._record.written()
        for task in self._own_tasks.values():
            task.cancel()

    def stamp(self) -> tuple[int, int]:
        """(wall ms, watch ms) of this moment; watch time goes by the monotonic clock."""
        passed_ms = round((self.clock.monotonic() - self._monotonic_base) * 1000)
        return self.clock.wall_ms(), self._at_base_ms + passed_ms

    def feed(self, scan: Scan) -> None:
        """Feed a scan, of a poller or of the daemon itself, to the watch at once."""
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
            self._liveness.moved("watch", self.clock.monotonic())
            await self.clock.sleep((1000 - at_ms % 1000) / 1000)

    def behind(self) -> tuple[str, ...]:
        """The pollers, watch or journal that make no progress; empty while all do."""
        return self._liveness.behind(self.clock.monotonic())

    def _stuck_or_barred(self) -> tuple[str, ...]:
        return (*self.behind(), *self._followers.shut_roads())

    def _committed(self, entries: Sequence[Entry]) -> None:
        """These entries are in the record: the followers may read them there."""
        self._liveness.moved("journal", self.clock.monotonic())
        self._followers.committed(entries)

    def _check_damage(self) -> None:
        """Report a record set aside as damaged; put plan and state into the fresh one."""
        if self._record.newly_damaged():
            self._self_monitor.set("journal-damaged", 1.0)
            self._record.put_all(self.plan)

    def _followers_and_damage(self) -> Iterable[Follower]:
        self._check_damage()
        return self._followers

    def reload(self) -> Answer:
        """Read the config again. A bad one leaves the old one running and says so."""
        try:
            plan = reread(self.plan)
        except CommandError as refusal:
            log.error("reload refused: %s", refusal)
            return {"ok": False, "message": str(refusal)}
        message = f"reloaded {plan.path}{restart_notice(self.plan, plan)}"
        self._change(plan)
        log.info(message)
        return {"ok": True, "message": message}

    def _change(self, plan: Plan) -> None:
        """Go on under another plan: the watch, and each part that the change concerns."""
        old, self.plan = self.plan, plan
        self._record.put_plan(plan)
        resumed = Resumed(*self.stamp(), "reload", 0, plan.hash, __version__, read_with(plan).hash)
        self.drive.feed(resumed, plan.watch)
        self._self_monitor.change_signals(plan.watch.signals)
        self._pollers.change(old, plan)
        if old.heartbeat != plan.heartbeat:
            if task := self._own_tasks.pop("heartbeat", None):
                task.cancel()
            self._start_heartbeat()
        self._followers.change(old, plan)
        self._self_monitor.measure(self._followers)
        self._record.put_snapshot()

    def status(self) -> StatusDocument:
        """The answer to ``dewline status --json``."""
        record, followers = self._record, self._followers
        return status_document(self.plan.watch, self._state, record, self.latest, followers)

    def statistics(self) -> ServiceStatistics:
        """Counts since the start."""
        return ServiceStatistics(self._readings, self._pollers.statistics())

    def _facts(self) -> HeartbeatFacts | None:
        """The content of the MQTT heartbeat; None, so that it stays away, without progress."""
        return None if self.behind() else heartbeat_facts(self.drive, self._followers)
