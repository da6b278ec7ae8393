"""Jobs that are not on disk yet, and which are dropped when there are too many."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from dewline.events import Entry
from dewline.journal.rows import Cursor, Job, PlanText, Units
from dewline.readings import Scan

EVENTS_KEPT = 10_000
READINGS_KEPT = 200_000


@dataclass(slots=True)
class Backlog:
    """Jobs in order. While nothing can be written, those over a limit are dropped, oldest first.

    Readings over 200 000, events over 10 000; commands and notes of people never.
    """

    jobs: list[Job] = field(default_factory=list)
    lost_readings: int = 0
    lost_events: int = 0
    _reported: int = 0

    def drop(self, count: int) -> None:
        """Drop the first ``count`` jobs: they are on disk, or refused for good."""
        self.jobs = self.jobs[count:]
        self._reported = max(0, self._reported - count)

    def hold(self) -> list[Entry]:
        """Apply the limits after a failed write.

        Returns the entries with events that came since the last call, each once.
        """
        fresh = [job for job in self.jobs[self._reported :] if _has_events(job)]
        self._cap()
        self._reported = len(self.jobs)
        return [job for job in fresh if isinstance(job, Entry)]

    def _cap(self) -> None:
        events = readings = 0
        kept: list[Job] = []
        for job in reversed(self.jobs):
            if isinstance(job, Entry):
                events += len(job.outcome.events)
                if _has_events(job) and events > EVENTS_KEPT:
                    self.lost_events += len(job.outcome.events)
                    continue
                if not _has_events(job) and _only_readings(job):
                    readings += _size(job)
                    if readings > READINGS_KEPT:
                        self.lost_readings += _size(job)
                        continue
            kept.append(job)
        kept.reverse()
        self.jobs = kept


@dataclass(slots=True)
class RunState:
    """Jobs that come once a run and that a fresh file needs again: plans, cursors and units."""

    plans: dict[str, PlanText] = field(default_factory=dict)
    cursors: dict[str, Cursor] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def record(self, job: Job) -> None:
        """Note a job that is put in; of a follower's cursors the newest halves count."""
        match job:
            case PlanText():
                self.plans[job.hash] = job
            case Cursor():
                self.cursors[job.follower] = _newer(self.cursors.get(job.follower, job), job)
            case Units():
                self.units.update(job.units)

    def jobs(self) -> list[Job]:
        """What to write into a fresh file first. Units stand in ``units``."""
        return [*self.plans.values(), *self.cursors.values()]


def _newer(old: Cursor, new: Cursor) -> Cursor:
    return Cursor(
        new.follower,
        old.item_seq if new.item_seq is None else new.item_seq,
        old.event_seq if new.event_seq is None else new.event_seq,
    )


def have_events(jobs: Iterable[Job]) -> bool:
    """Whether any of the jobs is an entry with events."""
    return any(_has_events(job) for job in jobs)


def _has_events(job: Job) -> bool:
    return isinstance(job, Entry) and bool(job.outcome.events)


def _only_readings(entry: Entry) -> bool:
    kept = entry.outcome.ledger or entry.outcome.verdicts
    return (entry.item is None or isinstance(entry.item, Scan)) and not kept


def _size(entry: Entry) -> int:
    measured = len(entry.item.readings) if isinstance(entry.item, Scan) else 0
    return measured + len(entry.outcome.readings)
