"""The open record of a daemon: its journal, the watch as it stood at the end, and their upkeep."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

from dewline.bus.poller import Stamp
from dewline.clock import Clock
from dewline.config import Plan, watch_plan_to_json
from dewline.config.read_with import read_with
from dewline.errors import JournalError
from dewline.events import Entry, LedgerRow, Outcome
from dewline.journal import Journal, Reader
from dewline.readings import compact_json
from dewline.replay.drive import Drive
from dewline.replay.recovery import recover
from dewline.watch.ledgers.rows import REMEMBERED

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
    record = Record(journal)
    try:
        with clock.io():
            record.put_plan(plan)
            await record.written()
            with Reader(plan.journal.path) as reader:
                record.rows = reader.last_ledger_rows(REMEMBERED)
                now_ms = clock.wall_ms()
                record.drive = recover(
                    reader,
                    plan.watch,
                    plan.hash,
                    journal.append,
                    now_ms,
                    read_with=read_with(plan).hash,
                )
        yield record
    finally:
        journal.close()


@dataclass(slots=True, eq=False)
class Record:
    """What the daemon writes beside items: plans, states of the watch, the hourly housekeeping.

    ``rows``: the last closed rows of the ledger before the start, and those written beside the
    watch since.
    """

    journal: Journal
    drive: Drive = field(init=False)  # there once the watch is recovered
    rows: list[LedgerRow] = field(default_factory=list)
    _damaged: Path | None = None

    def put_plan(self, plan: Plan) -> None:
        """Keep by their hashes the watch plan and how registers are read; the units of signals."""
        self.journal.put_plan(plan.hash, watch_plan_to_json(plan.watch))
        self.journal.put_reading_map(*read_with(plan))
        self.journal.put_units({name: s.unit for name, s in plan.watch.signals.items()})

    def put_all(self, plan: Plan) -> None:
        """What a fresh file needs: plan, state and the verdicts that stand."""
        self.put_plan(plan)
        self.put_snapshot()
        standing = Outcome(verdicts=self.drive.watch.verdicts())
        self.journal.append(Entry(self.drive.seq, None, standing))

    def put_row(self, row: LedgerRow) -> None:
        """Write a row into the ledger that does not come from the watch."""
        self.journal.append(Entry(self.drive.seq, None, Outcome(ledger=(row,))))
        self.rows = [*self.rows, row][-REMEMBERED:]

    def put_snapshot(self) -> None:
        """Keep the state of the watch after the last item."""
        state = compact_json(self.drive.watch.save())
        self.journal.put_snapshot(self.drive.seq, self.drive.plan_hash, state)

    async def written(self) -> bool:
        """Wait until all that was fed is on disk; False where the disk refuses for now."""
        try:
            await self.journal.flush()
        except JournalError as error:
            log.warning("not on disk yet: %s", error)
            return False
        return True

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
