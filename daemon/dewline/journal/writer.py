"""The one thread that writes the record.

Jobs wait in an inbox until the thread is asked for a pass; a pass commits all of them in one
transaction. Jobs that cannot be committed are held, reported and tried again every 5 s.
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
from dewline.events import Entry
from dewline.journal.backlog import Backlog
from dewline.journal.rows import Job
from dewline.journal.space import Reserve
from dewline.journal.store import Store

log = logging.getLogger(__name__)

RETRY_S = 5.0
SLICE = 200  # jobs in one transaction after trouble, so that a long backlog fits a short log


@dataclass(frozen=True, slots=True)
class Report:
    """Result of one pass: ``asked`` is the number of the newest ask it answers.

    ``held``: entries with events that are not on disk, each reported once. ``trouble``: why not
    all could be written, None where it was.
    """

    asked: int
    committed: list[Entry]
    held: list[Entry]
    trouble: str | None


class Writer:
    """Runs the thread, which calls ``report``; the public methods are for the event loop.

    ``counts`` of this run are written by the thread. ``stopped``: whether ``stop`` was called.
    """

    def __init__(
        self, path: Path, keep_raw_ms: int, reserve: Reserve, report: Callable[[Report], None]
    ) -> None:
        self._keep_raw_ms = keep_raw_ms
        self._report = report
        self._store = Store(path, reserve)
        self.counts = self._store.counts
        self._inbox: deque[Job] = deque()
        self.backlog = Backlog()
        self._retry_at = 0.0
        self._house: Iterator[None] | None = None
        self._house_asked: deque[tuple[int, Callable[[], None]]] = deque()
        self._house_done: Callable[[], None] = lambda: None
        self._asked = self._reported = 0
        self.stopped = False
        self._wake = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)
        self._thread.start()

    # ---- from the event loop

    def put(self, job: Job) -> None:
        """Leave a job in the inbox; never waits."""
        self._inbox.append(job)

    def ask(self) -> int:
        """Ask for a pass over all jobs put in so far.

        Returns the number of this ask; the pass that answers it reports this number or a higher
        one.
        """
        self._asked += 1
        self._wake.set()
        return self._asked

    def keep_house(self, now_ms: int, done: Callable[[], None]) -> None:
        """Make minutes and delete old raw readings between commits.

        The thread calls ``done`` at the end.
        """
        self._house_asked.append((now_ms, done))
        self._wake.set()

    def stop(self) -> None:
        """Make one last pass, then end the thread and close the file; waits for that."""
        self.stopped = True
        self._wake.set()
        self._thread.join()

    @property
    def waiting(self) -> int:
        """Jobs not on disk yet."""
        return len(self._inbox) + len(self.backlog.jobs)

    # ---- the thread

    def _run(self) -> None:
        while not self.stopped:
            self._wake.wait(self._wait_s())
            self._wake.clear()
            self._turn()
        self._turn()
        if self.backlog.jobs:
            log.error("journal: %d entries were never written", len(self.backlog.jobs))
        self._store.close()

    def _wait_s(self) -> float | None:
        if self._house is not None or self._house_asked:
            return 0.0
        return RETRY_S if self.backlog.jobs else None

    def _turn(self) -> None:
        try:
            self._pass()
            self._step_house()
        except Exception:  # no other thread would write: it must go on after a mistake of its own
            log.exception("journal: a turn of the writer failed")
            if not self.stopped:
                time.sleep(1.0)

    def _pass(self) -> None:
        asked = self._asked  # before the inbox: all put in before the ask is in this pass
        while self._inbox:
            job = self._inbox.popleft()
            self._store.run_state.record(job)
            self.backlog.jobs.append(job)
        committed: list[Entry] = []
        held: list[Entry] = []
        if self.backlog.jobs and self._due():
            self._try(committed, held)
        if self.counts.trouble:
            held += self.backlog.hold()
        if committed or held or asked != self._reported:
            self._reported = asked
            self._report(Report(asked, committed, held, self.counts.trouble))

    def _due(self) -> bool:
        """A disk that refused is not asked again at once: a try may take long."""
        return self.stopped or not self.counts.trouble or time.monotonic() >= self._retry_at

    def _try(self, committed: list[Entry], refused: list[Entry]) -> None:
        counts = self.counts
        try:
            while self.backlog.jobs:
                careful = counts.trouble or self._store.lean
                jobs = self.backlog.jobs[:SLICE] if careful else self.backlog.jobs
                places = self._store.write(jobs)
                for place, job in enumerate(jobs):
                    if isinstance(job, Entry) and place not in places:
                        committed.append(job)
                    elif isinstance(job, Entry) and job.outcome.events:
                        refused.append(job)
                self.backlog.drop(len(jobs))
            counts.trouble = None
        except Exception as error:  # whatever it was, the jobs are held and tried again
            if counts.trouble is None:
                log.error("journal: not written, held: %s", error, exc_info=_unforeseen(error))
            counts.trouble = str(error) or type(error).__name__
            self._retry_at = time.monotonic() + RETRY_S

    def _step_house(self) -> None:
        """One small step of the hourly work."""
        if self._house is None and self._house_asked:
            now_ms, self._house_done = self._house_asked.popleft()
            self._house = self._store.keep_house(now_ms, self._keep_raw_ms)
        if self._house is None:
            return
        try:
            next(self._house)
        except Exception as end:
            self._house = None
            self._house_done()
            if not isinstance(end, StopIteration):
                raise


def _unforeseen(error: Exception) -> bool:
    """Whether a trace is worth its lines: a full or busy disk needs none."""
    return not isinstance(error, (sqlite3.Error, JournalError))
