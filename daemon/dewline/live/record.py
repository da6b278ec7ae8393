"""The open record of a daemon: its journal, the watch as it stood at the end, and their upkeep."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import AsyncIterator
from pathlib import Path

from dewline.bus.poller import Stamp
from dewline.clock import Clock
from dewline.config import Plan, watch_plan_to_json
from dewline.errors import JournalError
from dewline.journal import Journal, Reader
from dewline.readings import compact_json
from dewline.replay.drive import Drive
from dewline.replay.recovery import recover

log = logging.getLogger(__name__)
SNAPSHOT_EVERY_S = 600.0
HOUSEKEEPING_EVERY_S = 3600.0


@contextlib.asynccontextmanager
async def opened_record(plan: Plan, clock: Clock) -> AsyncIterator[Record]:
    """The record of ``plan``, opened, its watch recovered; closed when the block is left.

    JournalError where it cannot be opened or read, or another daemon holds it. A stepping
    clock does not advance meanwhile.
    """
    journal = Journal.open(
        plan.journal.path,
        plan.site,
        plan.journal.commit_every_ms,
        keep_raw_ms=plan.journal.keep_raw_ms,
        reserve_bytes=plan.journal.reserve_bytes,
    )
    try:
        with clock.io():
            _put_plan(journal, plan)
            await _written(journal)
            with Reader(plan.journal.path) as reader:
                drive = recover(reader, plan.watch, plan.hash, journal.append, clock.wall_ms())
        yield Record(journal, drive)
    finally:
        journal.close()


class Record:
    """What the daemon writes beside items: plans, states of the watch, the hourly housekeeping."""

    def __init__(self, journal: Journal, drive: Drive) -> None:
        self.journal = journal
        self.drive = drive
        self._damaged: Path | None = None

    def put_plan(self, plan: Plan) -> None:
        """Keep the watch plan by its hash, and the units of its signals."""
        _put_plan(self.journal, plan)

    def put_snapshot(self) -> None:
        """Keep the state of the watch after the last item."""
        state = compact_json(self.drive.watch.save())
        self.journal.put_snapshot(self.drive.seq, self.drive.plan_hash, state)

    async def written(self) -> bool:
        """Wait until all that was fed is on disk; False where the disk refuses for now."""
        return await _written(self.journal)

    def newly_damaged(self) -> bool:
        """Whether the file was set aside as damaged, and a fresh one made, since the last call."""
        before, self._damaged = self._damaged, self.journal.statistics().damaged
        return self._damaged != before

    async def keep_snapshots(self, clock: Clock) -> None:
        """Put a snapshot every 10 min, so that a restart reads few items again."""
        while True:
            await clock.sleep(SNAPSHOT_EVERY_S)
            self.put_snapshot()

    async def keep_house(self, clock: Clock, stamp: Stamp) -> None:
        """Every hour make the minutes of full hours and delete old raw readings."""
        while True:
            await clock.sleep(HOUSEKEEPING_EVERY_S)
            await self.journal.keep_house(stamp()[1])


def _put_plan(journal: Journal, plan: Plan) -> None:
    journal.put_plan(plan.hash, watch_plan_to_json(plan.watch))
    journal.put_units({name: signal.unit for name, signal in plan.watch.signals.items()})


async def _written(journal: Journal) -> bool:
    try:
        await journal.flush()
    except JournalError as error:
        log.warning("not on disk yet: %s", error)
        return False
    return True
