"""Jobs that are not on disk yet, and what is let go of when there are too many."""

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
    """Held in order. Readings are capped first; events at 10 000; people's words never."""

    jobs: list[Job] = field(default_factory=list)
    lost_readings: int = 0
    lost_events: int = 0
    _told: int = 0

    def drop(self, count: int) -> None:
        """The first ``count`` are on disk, or refused for good."""
        self.jobs = self.jobs[count:]
        self._told = max(0, self._told - count)

    def keep(self) -> list[Entry]:
        """Nothing could be written: cap what is held; returns entries with events not told yet."""
        fresh = [job for job in self.jobs[self._told :] if _grave(job)]
        self._cap()
        self._told = len(self.jobs)
        return [job for job in fresh if isinstance(job, Entry)]

    def _cap(self) -> None:
        events = readings = 0
        kept: list[Job] = []
        for job in reversed(self.jobs):
            if isinstance(job, Entry):
                events += len(job.outcome.events)
                if _grave(job) and events > EVENTS_KEPT:
                    self.lost_events += len(job.outcome.events)
                    continue
                if not _grave(job) and _only_readings(job):
                    readings += _size(job)
                    if readings > READINGS_KEPT:
                        self.lost_readings += _size(job)
                        continue
            kept.append(job)
        kept.reverse()
        self.jobs = kept


@dataclass(slots=True)
class Session:
    """What this run has put in once and a fresh file would need again."""

    plans: dict[str, PlanText] = field(default_factory=dict)
    cursors: dict[str, Cursor] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    def remember(self, job: Job) -> None:
        match job:
            case PlanText():
                self.plans[job.hash] = job
            case Cursor():
                self.cursors[job.follower] = _newer(self.cursors.get(job.follower, job), job)
            case Units():
                self.units.update(job.units)

    def again(self) -> list[Job]:
        return [*self.plans.values(), *self.cursors.values()]


def _newer(old: Cursor, new: Cursor) -> Cursor:
    return Cursor(
        new.follower,
        old.item_seq if new.item_seq is None else new.item_seq,
        old.event_seq if new.event_seq is None else new.event_seq,
    )


def grave(jobs: Iterable[Job]) -> bool:
    """Whether an event is among them."""
    return any(_grave(job) for job in jobs)


def _grave(job: Job) -> bool:
    return isinstance(job, Entry) and bool(job.outcome.events)


def _only_readings(entry: Entry) -> bool:
    return (entry.item is None or isinstance(entry.item, Scan)) and not entry.outcome.ledger


def _size(entry: Entry) -> int:
    measured = len(entry.item.readings) if isinstance(entry.item, Scan) else 0
    return measured + len(entry.outcome.readings)
