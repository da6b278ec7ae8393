"""How the watch goes on where it stopped: snapshot, the items after it, then one Resumed.

The same watch is cranked through the recorded items by the same drive, so it
stands exactly where it stood; what it says again on the way is already in the
record and is dropped.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from functools import lru_cache

from dewline import __version__
from dewline.config import watch_plan_from_json
from dewline.errors import DewlineError, JournalError
from dewline.events import Entry
from dewline.journal import Reader
from dewline.readings import Resumed
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan

log = logging.getLogger(__name__)


def recorded_plans(reader: Reader) -> Callable[[str], WatchPlan | None]:
    """Looks up a watch plan by its hash in the record; None where it is not there."""

    @lru_cache(maxsize=8)
    def look_up(plan_hash: str) -> WatchPlan | None:
        text = reader.plan(plan_hash)
        return None if text is None else watch_plan_from_json(text)

    return look_up


def first_plan_hash(reader: Reader) -> str | None:
    """Hash of the plan under which the oldest kept item was fed; None in an empty record."""
    for _, item in reader.items(0):
        if isinstance(item, Resumed):
            return item.plan_hash
    return None


def last_plan_hash(reader: Reader) -> str | None:
    """Hash of the plan under which the record ended; None in an empty record."""
    snapshot = reader.snapshot()
    found, after = (snapshot.plan_hash, snapshot.item_seq) if snapshot else (None, 0)
    for _, item in reader.inputs(after):
        if isinstance(item, Resumed):
            found = item.plan_hash
    return found


def recover(
    reader: Reader,
    plans: Callable[[str], WatchPlan | None],
    plan_hash: str,
    record: Callable[[Entry], None],
    wall_ms: int,
) -> Drive:
    """A drive that goes on from the end of the record, its Resumed fed.

    ``plans`` must know ``plan_hash``, the plan to go on under. Watch time goes on
    from the last recorded moment by the wall time that passed, never backwards.
    """
    plan = plans(plan_hash)
    if plan is None:
        raise JournalError(f"nobody knows the plan {plan_hash}")
    tail = reader.tail()
    if tail.at_ms is None or tail.time_ms is None:
        drive = Drive(Watch(plan), plan_hash, record, plans)
        drive.feed(Resumed(wall_ms, wall_ms, "start", 0, plan_hash, __version__))
        return drive

    drive = _rebuild(reader, plan, plan_hash, plans)
    drive.tick_to(tail.at_ms)
    end_at_ms = max(tail.at_ms, drive.at_ms or 0)
    drive.at_ms = end_at_ms
    drive.record = record
    gap_ms = max(0, wall_ms - tail.time_ms)
    drive.feed(Resumed(wall_ms, end_at_ms + gap_ms, "restart", gap_ms, plan_hash, __version__))
    return drive


def _rebuild(
    reader: Reader,
    plan: WatchPlan,
    plan_hash: str,
    plans: Callable[[str], WatchPlan | None],
) -> Drive:
    """The watch as it stood after the last recorded item; nothing is recorded again."""
    snapshot = reader.snapshot()
    if snapshot is not None:
        watch = Watch(plans(snapshot.plan_hash) or plan)
        try:
            watch.restore(json.loads(snapshot.document))
        except DewlineError as error:
            log.warning("the snapshot is of no use, all kept items are read again: %s", error)
        else:
            return _go_on(reader, watch, snapshot.plan_hash, plans, snapshot.item_seq)
    old_hash = first_plan_hash(reader) or plan_hash
    return _go_on(reader, Watch(plans(old_hash) or plan), old_hash, plans, 0)


def _go_on(
    reader: Reader,
    watch: Watch,
    plan_hash: str,
    plans: Callable[[str], WatchPlan | None],
    after_seq: int,
) -> Drive:
    at_ms = watch.at_ms if after_seq else None
    drive = Drive(watch, plan_hash, _drop, plans, seq=after_seq, at_ms=at_ms)
    for _, item in reader.items(after_seq):
        drive.feed(item)
    return drive


def _drop(_entry: Entry) -> None:
    """Recorded already."""
