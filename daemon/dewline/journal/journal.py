"""The record as the event loop sees it: put in without waiting, reported when on disk."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from dewline.clock import Clock
from dewline.errors import JournalError
from dewline.events import Entry
from dewline.journal.reader import site_of
from dewline.journal.rows import Cursor, DeadLetter, PlanText, ReadingMap, Restamp, Snapshot, Units
from dewline.journal.space import Lock, Reserve, log_bytes, size_bytes
from dewline.journal.store import WriteCounts
from dewline.journal.writer import Report, Writer

KEEP_RAW_MS = 30 * 86_400_000
RESERVE_BYTES = 16_000_000

OnEntries = Callable[[list[Entry]], None]


@dataclass(slots=True, kw_only=True)
class Statistics(WriteCounts):
    """The record's health now: the counts of this run, with sizes in bytes.

    ``waiting``: jobs not on disk yet; ``lost_readings``, ``lost_events``: dropped while the disk
    refused.
    """

    waiting: int
    lost_readings: int
    lost_events: int
    file_bytes: int
    log_bytes: int
    free_bytes: int
    reserve_held: bool


class Journal:
    """The record of one daemon, for writing. Made with ``open`` inside the running loop.

    ``append`` and the ``put`` methods never block. The task ``run(clock)`` hands the waiting jobs
    to the writer thread every ``commit_every_ms``; an entry with events is handed over at once,
    with all jobs before it.
    """

    def __init__(self, path: Path, commit_every_ms: int, keep_raw_ms: int, reserve_bytes: int):
        self.path = path
        self.commit_every_ms = commit_every_ms
        self._loop = asyncio.get_running_loop()
        self._clock: Clock | None = None
        self._hold: contextlib.AbstractContextManager[None] | None = None
        self._asked = 0
        self._on_commit: list[OnEntries] = []
        self._on_held: list[OnEntries] = []
        self._passes: list[tuple[int, asyncio.Future[None]]] = []
        self._reserve = Reserve(path, reserve_bytes)
        self._lock = Lock(path)
        try:
            self._writer = Writer(path, keep_raw_ms, self._reserve, self._report_from_thread)
        except BaseException:
            self._lock.release()
            raise

    @classmethod
    def open(
        cls,
        path: Path,
        site: str,
        commit_every_ms: int = 2000,
        *,
        keep_raw_ms: int = KEEP_RAW_MS,
        reserve_bytes: int = RESERVE_BYTES,
    ) -> Journal:
        """Open or make the record of ``site`` and start its writer thread.

        JournalError where another daemon holds it, or where it was written by a newer dewline or
        for another site. A damaged file is set aside (see ``Statistics.damaged``) and a fresh
        one made.
        """
        owner = site_of(path)
        if owner not in (None, site):
            raise JournalError(f"{path} is the record of {owner}, not of {site}")
        return cls(path, commit_every_ms, keep_raw_ms, reserve_bytes)

    # ---- put in

    def append(self, entry: Entry) -> None:
        """Record an item and what followed from it; never blocks."""
        self._writer.put(entry)
        if entry.outcome.events:
            self.commit_soon()

    def put_plan(self, plan_hash: str, document: str) -> None:
        """Keep the plan behind a hash, as JSON text."""
        self._writer.put(PlanText(plan_hash, document))

    def put_reading_map(self, map_hash: str, document: str) -> None:
        """Keep how registers are read, behind a hash, as JSON text."""
        self._writer.put(ReadingMap(map_hash, document))

    def put_units(self, units: Mapping[str, str]) -> None:
        """Tell the units of signals by full name, before their first reading is appended."""
        self._writer.put(Units(dict(units)))

    def put_snapshot(self, item_seq: int, plan_hash: str, document: str) -> None:
        """Keep the state of the watch after item ``item_seq``; the newest few are kept."""
        self._writer.put(Snapshot(item_seq, plan_hash, document))

    def advance(
        self, follower: str, *, item_seq: int | None = None, event_seq: int | None = None
    ) -> None:
        """Move a follower's cursor to what its far side has confirmed."""
        self._writer.put(Cursor(follower, item_seq, event_seq))

    def put_dead_letter(self, follower: str, time_ms: int, reason: str, document: str) -> None:
        """Keep what a far side refused for good, with its reason."""
        self._writer.put(DeadLetter(follower, time_ms, reason, document))

    def restamp(self, first_seq: int, offset_ms: int) -> None:
        """Give the items from ``first_seq`` on the wall time of their watch time plus an offset."""
        self._writer.put(Restamp(first_seq, offset_ms))

    # ---- reports

    def on_commit(self, callback: OnEntries) -> None:
        """Call ``callback`` in the loop with entries that are on disk, in order."""
        self._on_commit.append(callback)

    def on_held(self, callback: OnEntries) -> None:
        """Call ``callback`` in the loop with entries with events that cannot be written for now.

        Each once, so that followers can send them before they are safe. They are written later,
        and reported to ``on_commit`` then.
        """
        self._on_held.append(callback)

    def commit_soon(self) -> None:
        """Hand all waiting jobs to the writer thread now, without waiting for it."""
        if self._hold is None and self._clock is not None:
            self._hold = self._clock.io()  # a stepping clock stands still until the report
            self._hold.__enter__()
        self._asked = self._writer.ask()

    async def flush(self) -> None:
        """Wait until all jobs put in so far are on disk; JournalError where the disk refuses."""
        if self._writer.stopped:
            raise JournalError(f"{self.path} is closed")
        self.commit_soon()
        done = self._loop.create_future()
        self._passes.append((self._asked, done))
        await done

    async def run(self, clock: Clock) -> None:
        """Hand the waiting jobs over every ``commit_every_ms``, for ever."""
        self._clock = clock
        try:
            while True:
                await clock.sleep(self.commit_every_ms / 1000)
                if self._writer.waiting:
                    self.commit_soon()
        finally:
            self._clock = None

    async def keep_house(self, now_ms: int) -> None:
        """Make the minutes of full hours before ``now_ms`` (watch time), delete old raw readings.

        Done by the writer thread, between commits; returns when it is finished. JournalError on
        a closed journal.
        """
        if self._writer.stopped:
            raise JournalError(f"{self.path} is closed")
        done = self._loop.create_future()

        def report_done() -> None:
            with contextlib.suppress(RuntimeError):  # the loop is closed
                self._loop.call_soon_threadsafe(_finish, done, None)

        with self._clock.io() if self._clock else contextlib.nullcontext():
            self._writer.keep_house(now_ms, report_done)
            await done

    def close(self) -> None:
        """Write the waiting jobs, end the thread and release the file; blocks until then."""
        self._writer.stop()
        self._lock.release()

    def statistics(self) -> Statistics:
        """The record's health now.

        Reads counts of the writer thread without a lock: two of them may differ by one commit.
        """
        return Statistics(
            **asdict(self._writer.counts),
            waiting=self._writer.waiting,
            lost_readings=self._writer.backlog.lost_readings,
            lost_events=self._writer.backlog.lost_events,
            file_bytes=size_bytes(self.path),
            log_bytes=log_bytes(self.path),
            free_bytes=self._reserve.free_bytes(),
            reserve_held=self._reserve.held,
        )

    # ---- from the thread

    def _report_from_thread(self, report: Report) -> None:
        with contextlib.suppress(RuntimeError):  # the loop is closed
            self._loop.call_soon_threadsafe(self._on_report, report)

    def _on_report(self, report: Report) -> None:
        if report.asked >= self._asked and self._hold is not None:
            self._hold.__exit__(None, None, None)
            self._hold = None
        for callbacks, entries in (
            (self._on_commit, report.committed),
            (self._on_held, report.held),
        ):
            for callback in callbacks if entries else ():
                callback(entries)
        error = None if report.trouble is None else JournalError(report.trouble)
        for asked, done in self._passes:
            if asked <= report.asked:
                _finish(done, error)
        self._passes = [(asked, done) for asked, done in self._passes if asked > report.asked]


def _finish(done: asyncio.Future[None], error: Exception | None) -> None:
    if done.done():
        return
    if error is None:
        done.set_result(None)
    else:
        done.set_exception(error)
