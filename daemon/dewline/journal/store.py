"""The file under the writer thread: transactions, and what is done when one fails.

A job that no file would take is refused alone. On a full disk the reserve is given up, then the
oldest raw readings. A damaged file is set aside and replaced by a fresh one. After any other
failure the caller has to keep its jobs and try again.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from dewline.errors import JournalError
from dewline.events import Entry
from dewline.journal.backlog import RunState, have_events
from dewline.journal.retention import keep_house, rolled_seq, shed_some, spare_seq
from dewline.journal.rows import Job, RowWriter
from dewline.journal.salvage import open_or_replace, replace_damaged
from dewline.journal.schema import is_damage
from dewline.journal.space import Reserve, log_bytes

log = logging.getLogger(__name__)

TRIES = 8
PAGE_BYTES = 1024
SPARE_PAGES = 2000  # free pages kept inside the file while the disk is full
ROOM_BYTES = 1_000_000  # below this nothing is begun: a log must still be moved into the file
LOG_PAGES, LEAN_LOG_PAGES = 1000, 200  # between checkpoints
FULL_BYTES = 100_000
LARGE_LOG_BYTES = 16_000_000
TIDY_EVERY = 64  # commits
# Errors that may come from a job itself rather than from the disk.
UNWRITABLE = (
    *(ValueError, TypeError, OverflowError, AttributeError),
    *(JournalError, sqlite3.DatabaseError, sqlite3.InterfaceError),
)


@dataclass(slots=True)
class WriteCounts:
    """Counts of this run, times in seconds; written by the writer thread, read by any thread.

    ``refused``: jobs that no file would take. ``damaged``: where a broken file was set aside in
    this run. ``trouble``: why nothing can be written now, None while all is well.
    """

    commits: int = 0
    seq: int = 0
    event_seq: int = 0
    commit_s: float = 0.0
    slowest_commit_s: float = 0.0
    refused: int = 0
    trouble: str | None = None
    damaged: Path | None = None


class Store:
    """Owns the writing connection; used by one thread at a time.

    ``lean``: the disk is full, so the file does not grow; new rows take the place of old ones.
    """

    def __init__(self, path: Path, reserve: Reserve) -> None:
        self._path = path
        self._reserve = reserve
        self.counts = WriteCounts()
        self.run_state = RunState()
        self._open: bool = True
        self._connection, self.counts.damaged = open_or_replace(path)
        self._rows = RowWriter(self._connection, {})
        self.lean = False
        if not reserve.hold() and reserve.short:
            self._enter_lean_mode()

    def write(self, jobs: Sequence[Job]) -> set[int]:
        """Commit jobs in one transaction; returns the indices of those refused for good.

        sqlite3.Error or JournalError where nothing could be written.
        """
        if not self._open:
            self._use(*open_or_replace(self._path))
        for _ in range(TRIES):
            if self.lean:
                self._find_room()
            try:
                self._transact(jobs)
                self._tidy()
            except sqlite3.OperationalError as error:
                if not self._make_room(error):
                    raise
            except UNWRITABLE as error:
                if not (isinstance(error, sqlite3.Error) and is_damage(error)):
                    return self._write_singly(jobs)
                self._start_afresh(error)
            else:
                return set()
        raise JournalError("the disk stays full, whatever is given up")

    def keep_house(self, now_ms: int, keep_raw_ms: int) -> Iterator[None]:
        """Minutes and retention, in small steps; a failure ends it until the next hour."""
        try:
            yield from keep_house(self._connection, now_ms, keep_raw_ms)
        except sqlite3.Error as error:
            log.error("journal: house-keeping: %s", error)
            if is_damage(error):
                self._start_afresh(error)
            elif self._open:
                self._undo()
        self._regain_reserve()

    def close(self) -> None:
        """Close the file; SQLite moves its log into it."""
        try:
            self._connection.close()
        except sqlite3.Error as error:
            log.error("journal: %s", error)

    # ---- transactions

    def _transact(self, jobs: Sequence[Job]) -> None:
        started = time.monotonic()
        # An event must be on the disk itself before it is reported; readings may wait in
        # the log for the next sync. The mode can only change outside a transaction.
        mode = "FULL" if have_events(jobs) else "NORMAL"
        self._connection.execute(f"PRAGMA synchronous = {mode}")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            self._rows.write(jobs)
            self._connection.execute("COMMIT")
        except BaseException:
            self._undo()
            raise
        self._count(jobs, time.monotonic() - started)

    def _undo(self) -> None:
        if self._connection.in_transaction:  # a full disk has rolled back already
            self._connection.execute("ROLLBACK")
        self._rows.reload()

    def _write_singly(self, jobs: Sequence[Job]) -> set[int]:
        self._connection.execute("PRAGMA synchronous = FULL")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            refused = {place for place, job in enumerate(jobs) if not self._write_one(job)}
            self._connection.execute("COMMIT")
        except BaseException:
            self._undo()
            raise
        self.counts.refused += len(refused)
        self._count([job for place, job in enumerate(jobs) if place not in refused], 0.0)
        return refused

    def _write_one(self, job: Job) -> bool:
        self._connection.execute("SAVEPOINT job")
        try:
            self._rows.write([job])
        except sqlite3.OperationalError:
            raise
        except UNWRITABLE as error:
            log.error("journal: refused %.200r: %s", job, error)
            self._connection.execute("ROLLBACK TO job")
            self._rows.reload()
            return False
        finally:
            if self._connection.in_transaction:
                self._connection.execute("RELEASE job")
        return True

    def _count(self, jobs: Sequence[Job], took_s: float) -> None:
        counts = self.counts
        counts.commits += 1
        counts.commit_s += took_s
        counts.slowest_commit_s = max(counts.slowest_commit_s, took_s)
        counts.seq = max([counts.seq, *(job.seq for job in jobs if isinstance(job, Entry))])
        counts.event_seq = self._rows.event_seq

    # ---- disk space

    def _tidy(self) -> None:
        """After every 64th commit: take the reserve back where possible, shorten a long log."""
        try:
            if self.counts.commits % TIDY_EVERY == 0:
                self._regain_reserve()
                if log_bytes(self._path) > LARGE_LOG_BYTES:  # readers kept it from starting over
                    self._start_log_over("TRUNCATE")
        except sqlite3.OperationalError as error:  # the commit itself stands
            log.warning("journal: %s", error)
            self._undo()

    def _start_log_over(self, how: str) -> bool:
        """Move the whole log into the file and start it over; False while a reader needs it."""
        self._connection.execute("PRAGMA busy_timeout = 500")
        try:
            busy = self._connection.execute(f"PRAGMA wal_checkpoint({how})").fetchone()[0]
        finally:
            self._connection.execute("PRAGMA busy_timeout = 5000")
        return not busy

    def _enter_lean_mode(self) -> None:
        """The disk is full: from now on new rows take the place of old ones in the file."""
        self.lean = True
        self._connection.execute(f"PRAGMA wal_autocheckpoint = {LEAN_LOG_PAGES}")

    def _regain_reserve(self) -> None:
        if self.lean and self._reserve.hold():
            log.warning("journal: the disk has room again")
            self.lean = False
            self._connection.execute(f"PRAGMA wal_autocheckpoint = {LOG_PAGES}")

    def _find_room(self) -> None:
        """In lean mode: delete old raw before writing; JournalError where too little space is left.

        On a disk that is full to the last byte a log can neither be moved into the file nor
        start over, so no write is begun that might not be finished.
        """
        self._shed_for_spare()
        spare = self._connection.execute("PRAGMA freelist_count").fetchone()[0]
        room = spare * PAGE_BYTES + self._reserve.free_bytes()
        if room < ROOM_BYTES and room + min(self._log_to_reuse(), ROOM_BYTES // 2) < ROOM_BYTES:
            raise JournalError("the disk is full")

    def _log_to_reuse(self) -> int:
        """Bytes of the log that the next rows can use again; 0 while a reader needs them."""
        try:
            return log_bytes(self._path) if self._start_log_over("RESTART") else 0
        except sqlite3.OperationalError:  # a checkpoint needs space; reclaim nothing
            return 0

    def _make_room(self, error: sqlite3.OperationalError) -> bool:
        """Give up the reserve and the oldest raw readings; False where that freed nothing."""
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        # Any write may fail on a dying card; raw is given up only for want of room.
        full_log = code == sqlite3.SQLITE_IOERR and self._reserve.free_bytes() < FULL_BYTES
        if code != sqlite3.SQLITE_FULL and not full_log:
            return False
        gave = self._reserve.give_up()
        if gave:
            log.warning("journal: disk full; the reserve is given up, old raw readings go")
        self._enter_lean_mode()
        try:
            # First of all move the log into the file, while the reserve's room is still
            # there: a log that cannot be moved can neither start over nor grow.
            _, pages, moved = self._connection.execute("PRAGMA wal_checkpoint").fetchone()
            return self._shed_for_spare() or gave or 0 < pages == moved
        except sqlite3.OperationalError:
            self._undo()
            return gave

    def _shed_for_spare(self) -> bool:
        """Delete the oldest raw readings until enough pages are free inside the file.

        Those that have their minutes first. Whether anything was deleted.
        """
        shed = False
        while self._connection.execute("PRAGMA freelist_count").fetchone()[0] < SPARE_PAGES:
            floor = spare_seq(self._connection)
            rolled = min(floor, rolled_seq(self._connection) + 1)
            if not shed_some(self._connection, rolled) and not shed_some(self._connection, floor):
                break
            shed = True
        return shed

    # ---- damage

    def _start_afresh(self, error: sqlite3.Error) -> None:
        log.error("journal: %s; the file is set aside", error)
        self._open = False
        self._connection.close()
        self._use(*replace_damaged(self._path))

    def _use(self, connection: sqlite3.Connection, damaged: Path | None) -> None:
        """Go on in this file, and write into it what comes only once a run."""
        self._connection, self.counts.damaged = connection, damaged or self.counts.damaged
        self._open = True
        self._rows = RowWriter(connection, self.run_state.units)
        if self.lean:
            self._enter_lean_mode()
        self._transact(self.run_state.jobs())
