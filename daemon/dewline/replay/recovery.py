"""How the watch goes on where it stopped: snapshot, the items after it, then one Resumed.

The recorded items go through the same watch by the same drive, so the watch reaches the state in
which it stopped. What follows from them on the way is in the record already and is dropped.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from functools import cache

from dewline import __version__
from dewline.config import same_plan, watch_plan_from_json
from dewline.errors import DewlineError
from dewline.events import Entry
from dewline.journal import Reader
from dewline.readings import Resumed
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan

log = logging.getLogger(__name__)


def recorded_plans(
    reader: Reader, plan: WatchPlan, given_hash: str
) -> Callable[[str], WatchPlan | None]:
    """A function from a hash to its watch plan: the given one, or one that the record remembers.

    It gives None where the record does not hold the plan. A recorded plan that is the same as
    the given one is replaced by it: another version of dewline may have given an unchanged
    config another hash.
    """

    @cache
    def known(recorded_hash: str) -> WatchPlan | None:
        if recorded_hash == given_hash:
            return plan
        text = reader.plan(recorded_hash)
        found = None if text is None else watch_plan_from_json(text)
        return plan if found is not None and same_plan(found, plan) else found

    return known


def first_plan_hash(reader: Reader) -> str | None:
    """Hash of the plan under which the oldest kept item was fed; None in an empty record."""
    resumed = (item for _, item in reader.items(0) if isinstance(item, Resumed))
    return next((item.plan_hash for item in resumed), None)


def last_plan_hash(reader: Reader) -> str | None:
    """Hash of the plan under which the record ended; None in an empty record."""
    snapshot = reader.snapshot()
    found, after = (snapshot.plan_hash, snapshot.item_seq) if snapshot else (None, 0)
    hashes = [item.plan_hash for _, item in reader.inputs(after) if isinstance(item, Resumed)]
    return hashes[-1] if hashes else found


def recover(
    reader: Reader,
    plan: WatchPlan,
    given_hash: str,
    record: Callable[[Entry], None],
    wall_ms: int,
    *,
    read_with: str | None = None,
) -> Drive:
    """A drive under ``plan`` that goes on from the end of the record, its Resumed fed.

    Watch time goes on from the last recorded moment by the wall time (ms) that passed since,
    never backwards. An empty record begins at ``wall_ms``. ``read_with``: the hash of how
    registers are read from here on. JournalError where the record cannot be read.
    """
    tail = reader.tail()
    if tail.at_ms is None or tail.time_ms is None:
        drive = Drive(Watch(plan), given_hash, record)
        drive.feed(Resumed(wall_ms, wall_ms, "start", 0, given_hash, __version__, read_with))
        return drive

    rebuilt = _rebuild(reader, plan, given_hash)
    rebuilt.tick_to(tail.at_ms)
    end_at_ms = max(tail.at_ms, rebuilt.at_ms or 0)
    gap_ms = max(0, wall_ms - tail.time_ms)
    drive = Drive(rebuilt.watch, rebuilt.plan_hash, record, seq=rebuilt.seq, at_ms=end_at_ms)
    at_ms = end_at_ms + gap_ms
    resumed = Resumed(wall_ms, at_ms, "restart", gap_ms, given_hash, __version__, read_with)
    drive.feed(resumed, plan)
    return drive


def _rebuild(reader: Reader, plan: WatchPlan, given_hash: str) -> Drive:
    """The watch as it stood after the last recorded item; nothing is recorded again."""
    plans = recorded_plans(reader, plan, given_hash)
    snapshot = reader.snapshot()
    if snapshot is not None:
        watch = Watch(plans(snapshot.plan_hash) or plan)
        try:
            watch.restore(json.loads(snapshot.document))
        except DewlineError as error:
            log.warning("the snapshot is of no use, all kept items are read again: %s", error)
        else:
            at_ms = watch.at_ms if snapshot.item_seq else None
            drive = Drive(watch, snapshot.plan_hash, _drop, plans, snapshot.item_seq, at_ms)
            return _feed_items(reader, drive)
    old_hash = first_plan_hash(reader) or given_hash
    return _feed_items(reader, Drive(Watch(plans(old_hash) or plan), old_hash, _drop, plans))


def _feed_items(reader: Reader, drive: Drive) -> Drive:
    """``drive`` after all recorded items that follow its own."""
    for _, item in reader.items(drive.seq):
        drive.feed(item)
    return drive


def _drop(_entry: Entry) -> None:
    """What follows from a recorded item is recorded already."""
