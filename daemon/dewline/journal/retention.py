"""What the record keeps: minutes for ever, raw readings for a while.

The long work is done by generators that commit a small transaction and yield, so that the
writer can write an alarm between two steps. Times are watch time (``at_ms``), which never goes
back.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

from dewline.journal.schema import JUDGED, SIGNAL_BITS, SIGNAL_MASK, transaction

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
SNAPSHOTS_KEPT = 3
RESTART_MS = 600_000  # raw that a restart may need where there is no snapshot
SHED_ROWS = 20_000
ROLLED = "minute"  # the name of the rollup's own row in ``follower``

# The samples of some items, by the word of the bus.
_SAMPLES = f"""
SELECT sample.key & {SIGNAL_MASK} AS signal_id,
       item.time_ms / {MINUTE_MS} * {MINUTE_MS} AS minute_ms, value, quality
FROM item CROSS JOIN sample
  ON sample.key BETWEEN item.seq << {SIGNAL_BITS} AND (item.seq << {SIGNAL_BITS}) | {SIGNAL_MASK}
WHERE item.seq > :after AND item.seq <= :until"""
# The same under the verdicts. LIMIT keeps SQLite from working out the quality several times.
_JUDGED_SAMPLES = f"""
SELECT signal.id AS signal_id, item.time_ms / {MINUTE_MS} * {MINUTE_MS} AS minute_ms, value,
       {JUDGED} AS quality
FROM item CROSS JOIN sample
  ON sample.key BETWEEN item.seq << {SIGNAL_BITS} AND (item.seq << {SIGNAL_BITS}) | {SIGNAL_MASK}
CROSS JOIN signal ON signal.id = sample.key & {SIGNAL_MASK}
WHERE item.seq > :after AND item.seq <= :until
LIMIT -1"""
# Of one signal, in some minutes.
_SIGNAL_SAMPLES = f"""
SELECT signal.id AS signal_id, item.time_ms / {MINUTE_MS} * {MINUTE_MS} AS minute_ms, value,
       {JUDGED} AS quality
FROM item CROSS JOIN signal
CROSS JOIN sample ON sample.key = (item.seq << {SIGNAL_BITS}) | signal.id
WHERE item.seq > :after AND item.seq <= :until AND signal.id = :signal_id
  AND item.time_ms >= :first_ms AND item.time_ms < :end_ms
LIMIT -1"""
_ROLL = """
INSERT INTO minute
SELECT signal_id, minute_ms,
       avg(value) FILTER (WHERE quality < 10),
       min(value) FILTER (WHERE quality < 10),
       max(value) FILTER (WHERE quality < 10),
       count(value) FILTER (WHERE quality < 10),
       max(quality)
FROM ({samples}) WHERE TRUE
GROUP BY 1, 2
ON CONFLICT(signal_id, time_ms) DO UPDATE SET
  mean = CASE WHEN count + excluded.count > 0
         THEN (coalesce(mean, 0) * count + coalesce(excluded.mean, 0) * excluded.count)
              / (count + excluded.count) END,
  min = coalesce(min(min, excluded.min), min, excluded.min),
  max = coalesce(max(max, excluded.max), max, excluded.max),
  count = count + excluded.count,
  worst_quality = max(worst_quality, excluded.worst_quality)
"""
# Verdicts on all readings of a signal that were told with the items of this hour and began
# before it: the minutes from there on that were made before. A doubt is never told late.
_TOLD_LATE = f"""
SELECT minute.signal_id, min(minute.time_ms), max(minute.time_ms) + {MINUTE_MS},
       verdict.since_ms + min(minute.time_ms) - verdict.time_ms
FROM verdict JOIN signal ON signal.name = verdict.signal
JOIN minute ON minute.signal_id = signal.id
WHERE verdict.item_seq > :after AND verdict.item_seq <= :until
  AND verdict.since_ms < :from_ms AND verdict.up_to IS NULL AND NOT verdict.at_floor
  AND minute.time_ms > verdict.time_ms - {MINUTE_MS}
  AND minute.time_ms < verdict.time_ms + coalesce(verdict.until_ms, :from_ms) - verdict.since_ms
  AND minute.worst_quality < verdict.quality
GROUP BY 1"""
_ROLLED_TO = """INSERT INTO follower VALUES (?, ?, 0)
    ON CONFLICT(name) DO UPDATE SET item_seq = excluded.item_seq"""


def first_seq_at(connection: sqlite3.Connection, at_ms: int) -> int:
    """Seq of the first item at or after ``at_ms``; one past the last where there is none.

    By bisection over seq, since ``at_ms`` rises with it and has no index. 0 in an empty record.
    """
    low, high = connection.execute("SELECT min(seq), max(seq) + 1 FROM item").fetchone()
    if low is None:
        return 0
    while low < high:
        middle = (low + high) // 2
        found = connection.execute(
            "SELECT seq, at_ms FROM item WHERE seq >= ? ORDER BY seq LIMIT 1", (middle,)
        ).fetchone()
        if found[1] < at_ms:
            low = found[0] + 1
        else:
            high = middle
    return int(low)


def rolled_seq(connection: sqlite3.Connection) -> int:
    """Seq of the last item that went into the minutes."""
    row = connection.execute("SELECT item_seq FROM follower WHERE name = ?", (ROLLED,)).fetchone()
    return int(row[0]) if row else 0


def roll(connection: sqlite3.Connection, now_ms: int) -> Iterator[None]:
    """Make the minutes of every full hour before ``now_ms`` that has none yet.

    Works through items, not minutes: where a clock was set back, the readings of the second
    pass are merged into the minutes of the first.
    """
    full_ms = now_ms // HOUR_MS * HOUR_MS
    while True:
        after = rolled_seq(connection)
        next_item = connection.execute(
            "SELECT at_ms FROM item WHERE seq > ? ORDER BY seq LIMIT 1", (after,)
        ).fetchone()
        if next_item is None or next_item[0] >= full_ms:
            return
        until = first_seq_at(connection, (next_item[0] // HOUR_MS + 1) * HOUR_MS) - 1
        with transaction(connection):
            _roll_hour(connection, after, until, next_item[0])
            connection.execute(_ROLLED_TO, (ROLLED, until))
        yield


def _roll_hour(connection: sqlite3.Connection, after: int, until: int, from_ms: int) -> None:
    """Make the minutes of the items after ``after``, the first of which is of ``from_ms``.

    Where a verdict was told in this hour that began before it, the minutes that it concerns are
    made again, unless their raw readings are gone.
    """
    span: dict[str, int] = {"after": after, "until": until, "from_ms": from_ms}
    verdicts = connection.execute(
        "SELECT 1 FROM verdict WHERE ifnull(until_ms > ?, TRUE) LIMIT 1", (from_ms,)
    ).fetchone()
    samples = _JUDGED_SAMPLES if verdicts else _SAMPLES
    connection.execute(_ROLL.format(samples=samples), span)
    oldest_ms = connection.execute("SELECT at_ms FROM item ORDER BY seq LIMIT 1").fetchone()[0]
    for signal_id, first_ms, end_ms, first_at_ms in connection.execute(_TOLD_LATE, span).fetchall():
        if first_at_ms < oldest_ms:
            continue
        begin = first_seq_at(connection, first_at_ms - MINUTE_MS)
        again = {"signal_id": signal_id, "first_ms": first_ms, "end_ms": end_ms}
        connection.execute(
            "DELETE FROM minute WHERE signal_id = :signal_id"
            " AND time_ms >= :first_ms AND time_ms < :end_ms",
            again,
        )
        again |= {"after": begin - 1, "until": after}
        connection.execute(_ROLL.format(samples=_SIGNAL_SAMPLES), again)


def spare_seq(connection: sqlite3.Connection) -> int:
    """First seq that must stay, because a restart reads the items from there on again."""
    newest = connection.execute("SELECT max(item_seq) FROM snapshot").fetchone()[0]
    if newest is not None:
        return int(newest)
    last = connection.execute("SELECT at_ms FROM item ORDER BY seq DESC LIMIT 1").fetchone()
    return 0 if last is None else first_seq_at(connection, last[0] - RESTART_MS)


def shed_some(connection: sqlite3.Connection, before_seq: int, rows: int = SHED_ROWS) -> bool:
    """Delete about ``rows`` of the oldest readings before that seq, and their items.

    One transaction. False where nothing was left to delete.
    """
    first = connection.execute("SELECT min(seq) FROM item WHERE seq < ?", (before_seq,)).fetchone()
    if first[0] is None:
        return False
    key = connection.execute(
        "SELECT key FROM sample ORDER BY key LIMIT 1 OFFSET ?", (rows,)
    ).fetchone()
    bound = before_seq if key is None else min(before_seq, (key[0] >> SIGNAL_BITS) + 1)
    with transaction(connection):
        connection.execute("DELETE FROM sample WHERE key < ?", (bound << SIGNAL_BITS,))
        connection.execute("DELETE FROM item WHERE seq < ?", (bound,))
    return True


def thin_snapshots(connection: sqlite3.Connection) -> None:
    """Delete snapshots but the newest three, for a restart, and each day's first, for a replay."""
    connection.execute(
        "DELETE FROM snapshot WHERE item_seq NOT IN"
        " (SELECT item_seq FROM snapshot ORDER BY item_seq DESC LIMIT ?) AND item_seq NOT IN"
        " (SELECT min(item_seq) FROM snapshot JOIN item ON seq = item_seq GROUP BY at_ms / ?)",
        (SNAPSHOTS_KEPT, DAY_MS),
    )


def keep_house(connection: sqlite3.Connection, now_ms: int, keep_raw_ms: int) -> Iterator[None]:
    """The hourly work: make minutes, then delete raw readings older than ``keep_raw_ms``."""
    yield from roll(connection, now_ms)
    old = first_seq_at(connection, now_ms - keep_raw_ms)
    kept_from = min(old, spare_seq(connection), rolled_seq(connection) + 1)
    while shed_some(connection, kept_from):
        yield
    thin_snapshots(connection)
