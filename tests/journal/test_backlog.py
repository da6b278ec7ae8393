"""What is held while the disk refuses, and what is let go."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest

from dewline.events import Entry, Event, LedgerRow, Outcome
from dewline.journal.backlog import Backlog, RunState
from dewline.journal.rows import Cursor, Job, PlanText, Snapshot, Units
from dewline.readings import Command, Scan


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("dewline.journal.backlog.EVENTS_KEPT", 3)
    monkeypatch.setattr("dewline.journal.backlog.READINGS_KEPT", 10)


def seqs(jobs: Iterable[Job]) -> list[int]:
    """The numbers of the entries; every job has to be one."""
    entries = list(jobs)
    assert all(isinstance(job, Entry) for job in entries)
    return [job.seq for job in entries if isinstance(job, Entry)]


@pytest.mark.usefixtures("small")
def test_old_readings_go_first_and_are_counted(scan_of: Callable[..., Scan]) -> None:
    """Of scans without events the newest stay, up to the cap."""
    backlog = Backlog([Entry(n, scan_of(n, a=1.0, b=2.0), Outcome()) for n in range(1, 9)])
    assert backlog.hold() == []
    assert seqs(backlog.jobs) == [4, 5, 6, 7, 8]
    assert backlog.lost_readings == 6


@pytest.mark.usefixtures("small")
def test_events_words_and_ledgers_outlive_readings(
    scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """Events up to their cap, commands, ledger rows, plans and snapshots stay."""
    row = LedgerRow("t", "heron", "gap", 0, 1, {})
    firm: list[Job] = [
        Entry(1, Command(1, 1, "socket", "note", "anna"), Outcome()),
        Entry(2, scan_of(2, a=1.0), Outcome((event_of(1),))),
        Entry(3, scan_of(3, a=1.0), Outcome(ledger=(row,))),
        PlanText("abc", "{}"),
        Snapshot(3, "abc", "{}"),
    ]
    backlog = Backlog([*firm, *(Entry(n, scan_of(n, a=1.0), Outcome()) for n in range(4, 40))])
    backlog.hold()
    assert backlog.jobs[: len(firm)] == firm
    assert len(backlog.jobs) == len(firm) + 10


@pytest.mark.usefixtures("small")
def test_events_past_their_cap_are_told_all_the_same(
    scan_of: Callable[..., Scan], event_of: Callable[..., Event]
) -> None:
    """Every event is handed on once; of those held, the newest stay."""
    entries = [Entry(n, scan_of(n), Outcome((event_of(n),))) for n in range(1, 6)]
    backlog = Backlog(list(entries))
    assert backlog.hold() == entries
    assert backlog.lost_events == 2
    backlog.jobs.append(Entry(6, scan_of(6), Outcome((event_of(6),))))
    assert [entry.seq for entry in backlog.hold()] == [6]
    assert seqs(backlog.jobs) == [4, 5, 6]


def test_what_was_written_makes_no_news_of_the_rest(event_of: Callable[..., Event]) -> None:
    """Dropping the first of those told leaves the others told."""
    entries = [Entry(0, None, Outcome((event_of(n),))) for n in range(1, 4)]
    backlog = Backlog(list(entries))
    backlog.hold()
    backlog.drop(2)
    assert backlog.jobs == entries[2:]
    backlog.jobs.append(entries[0])
    assert backlog.hold() == entries[:1]
    assert backlog.hold() == []


def test_a_session_remembers_plans_units_and_whole_cursors() -> None:
    """Halves of a cursor that came apart are put in again as one."""
    run_state = RunState()
    jobs: list[Job] = [
        PlanText("abc", "{}"),
        Cursor("mqtt", None, 4),
        Cursor("mqtt", 9, None),
        Cursor("mqtt", None, 5),
        Units({"heron.a": "ppm"}),
        Units({"heron.b": "mbar"}),
    ]
    for job in jobs:
        run_state.record(job)
    assert run_state.jobs() == [PlanText("abc", "{}"), Cursor("mqtt", 9, 5)]
    assert run_state.units == {"heron.a": "ppm", "heron.b": "mbar"}
