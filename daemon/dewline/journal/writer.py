"""The one thread that writes the record, and what it does when the disk does not.

Jobs wait in an inbox until the thread is asked for a pass; a pass commits all
that waits in one transaction. What cannot be committed is held and tried again;
what is held is capped, readings first, events last.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from dewline.errors import JournalError
from dewline.journal.backlog import Backlog, Session, grave
from dewline.journal.retention import keep_house, rolled_seq, shed_some, spare_seq
from dewline.journal.rows import Book, Job
from dewline.journal.salvage import open_or_replace, replace_damaged
from dewline.journal.schema import is_damage
from dewline.journal.space import Reserve
from dewline.readings import Entry

log = logging.getLogger(__name__)

RETRY_S = 5.0
ROOM_TRIES = 8
WAL_LARGE_BYTES = 16_000_000
# What a job itself can be guilty of, as against the disk.
_UNWRITABLE = (
    *(ValueError, TypeError, OverflowError, AttributeError),
    *(JournalError, sqlite3.DatabaseError, sqlite3.InterfaceError),
)


@dataclass(frozen=True, slots=True)
class Report:
    """What one pass did. ``held`` are entries with events that are not on disk yet, told once."""

    asked: int
    committed: list[Entry]
    held: list[Entry]
    trouble: str | None


@dataclass(slots=True)
class Counts:
    """Written by the thread, read by anyone."""

    commits: int = 0
    seq: int = 0
    event_seq: int = 0
    commit_s: float = 0.0
    slowest_commit_s: float = 0.0
    refused: int = 0
    trouble: str | None = None
    damaged: Path | None = None


class Writer:
    """Owns the connection. ``put`` and ``ask`` come from the loop, all else runs in the thread."""

    def __init__(
        self,
        path: Path,
        keep_raw_ms: int,
        reserve: Reserve,
        report: Callable[[Report], None],
    ) -> None:
        self._path = path
        self._keep_raw_ms = keep_raw_ms
        self._reserve = reserve
        self._report = report
        self.counts = Counts()
        self._connection, self.counts.damaged = open_or_replace(path)
        self._closed = False
        self._book = Book(self._connection, {})
        self._session = Session()
        reserve.hold()
        self._inbox: deque[Job] = deque()
        self._backlog = Backlog()
        self._refused: list[Entry] = []
        self._retry_at = 0.0
        self._house: Iterator[None] | None = None
        self._house_now_ms: int | None = None
        self._house_done: Callable[[], None] = lambda: None
        self._asked = self._reported = 0
        self._stopping = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    # ---- from the event loop

    def put(self, job: Job) -> None:
        """Leave a job in the inbox. Never waits."""
        self._inbox.append(job)

    def ask(self) -> int:
        """Ask for a pass over all put in so far; its report bears this number or a higher one."""
        self._asked += 1
        self._wake.set()
        return self._asked

    def keep_house(self, now_ms: int, done: Callable[[], None]) -> None:
        """Have minutes made and old raw deleted, between commits; ``done`` from the thread."""
        self._house_now_ms, self._house_done = now_ms, done
        self._wake.set()

    def stop(self) -> None:
        """One last pass, then the end of the thread and of the connection."""
        self._stopping = True
        self._wake.set()
        self._thread.join()

    @property
    def backlog(self) -> Backlog:
        return self._backlog

    @property
    def waiting(self) -> int:
        """Jobs not on disk yet."""
        return len(self._inbox) + len(self._backlog.jobs)

    # ---- the thread

    def _run(self) -> None:
        while not self._stopping:
            self._wake.wait(self._patience_s())
            self._wake.clear()
            self._turn()
        self._turn()
        if self._backlog.jobs:
            log.error("journal: %d entries were never written", len(self._backlog.jobs))
        try:
            self._connection.close()  # checkpoints, and removes the log
        except sqlite3.Error as error:
            log.error("journal: %s", error)

    def _patience_s(self) -> float | None:
        if self._house is not None or self._house_now_ms is not None:
            return 0.0
        return RETRY_S if self._backlog.jobs else None

    def _turn(self) -> None:
        try:
            self._pass()
            self._step_house()
        except Exception:  # the thread must outlive its own mistakes: it is the only one
            log.exception("journal: a turn of the writer failed")
            if not self._stopping:
                time.sleep(1.0)

    def _pass(self) -> None:
        asked = self._asked  # before the inbox: all put in before the ask is in this pass
        while self._inbox:
            job = self._inbox.popleft()
            self._session.remember(job)
            self._backlog.jobs.append(job)
        if self._backlog.jobs and self._due():
            self._try()
        committed = [] if self.counts.trouble else self._backlog.clear()
        held = self._refused + (self._backlog.keep() if self.counts.trouble else [])
        if committed or held or asked != self._reported:
            self._refused, self._reported = [], asked
            self._report(Report(asked, committed, held, self.counts.trouble))

    def _due(self) -> bool:
        """A disk that refused is not asked again at once: each try costs all that is held."""
        return self._stopping or not self.counts.trouble or time.monotonic() >= self._retry_at

    def _try(self) -> None:
        try:
            self._commit()
            self.counts.trouble = None
        except Exception as error:  # whatever it was, the jobs are held and tried again
            if self.counts.trouble is None:
                log.error("journal: not written, held: %s", error, exc_info=_unforeseen(error))
            self.counts.trouble = str(error) or type(error).__name__
            self._retry_at = time.monotonic() + RETRY_S

    def _commit(self) -> None:
        """Put all that is held on disk, making room or a fresh file where that helps."""
        if self._closed:
            self._use(*open_or_replace(self._path))
        for _ in range(ROOM_TRIES):
            try:
                return self._write(self._backlog.jobs)
            except sqlite3.OperationalError as error:
                if not self._make_room(error):
                    raise
            except _UNWRITABLE as error:
                if not (isinstance(error, sqlite3.Error) and is_damage(error)):
                    return self._write_singly()
                self._start_afresh(error)
        raise JournalError("the disk stays full, whatever is given up")

    def _write(self, jobs: list[Job]) -> None:
        started = time.monotonic()
        # An event must be on the disk itself before anyone is told; readings may wait in
        # the log for the next sync. The mode can only change outside a transaction.
        mode = "FULL" if grave(jobs) else "NORMAL"
        self._connection.execute(f"PRAGMA synchronous = {mode}")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            self._book.write(jobs)
            self._connection.execute("COMMIT")
        except BaseException:
            self._undo()
            raise
        self._count(jobs, time.monotonic() - started)

    def _undo(self) -> None:
        if self._connection.in_transaction:  # a full disk has rolled back already
            self._connection.execute("ROLLBACK")
        self._book.reload()

    def _write_singly(self) -> None:
        """Commit what can be written; a job that no file would take is refused, not retried."""
        self._connection.execute("PRAGMA synchronous = FULL")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            verdicts = [self._taken(job) for job in self._backlog.jobs]
            self._connection.execute("COMMIT")
        except BaseException:
            self._undo()
            raise
        jobs = self._backlog.jobs
        self._refused = [
            job
            for job, taken in zip(jobs, verdicts, strict=True)
            if not taken and isinstance(job, Entry) and job.outcome.events
        ]
        self.counts.refused += verdicts.count(False)
        self._backlog.jobs = [job for job, taken in zip(jobs, verdicts, strict=True) if taken]
        self._count(self._backlog.jobs, 0.0)

    def _taken(self, job: Job) -> bool:
        self._connection.execute("SAVEPOINT job")
        try:
            self._book.write([job])
        except sqlite3.OperationalError:
            raise
        except _UNWRITABLE as error:
            log.error("journal: refused %.200r: %s", job, error)
            self._connection.execute("ROLLBACK TO job")
            self._book.reload()
            return False
        finally:
            if self._connection.in_transaction:
                self._connection.execute("RELEASE job")
        return True

    def _count(self, jobs: list[Job], took_s: float) -> None:
        counts = self.counts
        counts.commits += 1
        counts.commit_s += took_s
        counts.slowest_commit_s = max(counts.slowest_commit_s, took_s)
        for job in jobs:
            if isinstance(job, Entry):
                counts.seq = max(counts.seq, job.seq)
        counts.event_seq = self._book.event_seq
        if counts.commits % 64 == 0:
            self._shorten_log()

    def _shorten_log(self) -> None:
        """Where a reader kept the log from starting over, wait for a gap between readers."""
        log_file = self._path.with_name(self._path.name + "-wal")
        if log_file.exists() and log_file.stat().st_size > WAL_LARGE_BYTES:
            self._connection.execute("PRAGMA busy_timeout = 500")
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            self._connection.execute("PRAGMA busy_timeout = 5000")

    # ---- trouble

    def _make_room(self, error: sqlite3.OperationalError) -> bool:
        """Give up the reserve, then the oldest raw. False where nothing was left to give."""
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            return False
        if self._reserve.give_up():
            log.warning("journal: disk full, the reserve is given up")
            return True
        try:
            self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
            floor = min(spare_seq(self._connection), rolled_seq(self._connection) + 1)
            shed = shed_some(self._connection, floor) or shed_some(
                self._connection, spare_seq(self._connection)
            )
        except sqlite3.Error:
            self._undo()
            return False
        return shed

    def _start_afresh(self, error: sqlite3.Error) -> None:
        """The file is broken: go on in a new one."""
        log.error("journal: %s; the file is set aside", error)
        self._closed = True
        self._connection.close()
        self._use(*replace_damaged(self._path))

    def _use(self, connection: sqlite3.Connection, damaged: Path | None) -> None:
        """Go on with this connection, and put in again what this run has told it once."""
        self._connection, self.counts.damaged = connection, damaged or self.counts.damaged
        self._closed = False
        self._book = Book(connection, self._session.units)
        self._backlog.put_before(self._session.again())

    # ---- the hourly work

    def _step_house(self) -> None:
        if self._house is None and self._house_now_ms is not None:
            self._house = keep_house(self._connection, self._house_now_ms, self._keep_raw_ms)
            self._house_now_ms = None
        if self._house is None:
            return
        try:
            next(self._house)
        except StopIteration:
            self._reserve.hold()
            self._end_house()
        except sqlite3.Error as error:
            self._end_house()
            log.error("journal: house-keeping: %s", error)
            if is_damage(error):
                self._start_afresh(error)
            else:
                self._undo()

    def _end_house(self) -> None:
        self._house = None
        self._house_done()


def _unforeseen(error: Exception) -> bool:
    """Whether a trace is worth its lines: a full or busy disk needs none."""
    return not isinstance(error, (sqlite3.Error, JournalError))
