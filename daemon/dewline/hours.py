"""Times of day in the zone of the site, exact across daylight saving.

A time of day stands for one instant of its local date: the first at which the
clock on the wall shows that minute or a later one. So a minute that comes twice
counts the first time, a minute that is left out falls on the jump, and spans
that share their ends share their instants: no gap, nothing twice.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

Span = tuple[int, int]  # minutes after local midnight, may wrap; equal ends are a whole day


def zone_of(name: str) -> tzinfo:
    """The zone of that name, as in ``Europe/Lisbon``."""
    return UTC if name == "UTC" else ZoneInfo(name)


class LocalTime:
    """Days and minutes of watch time in the zone of the site.

    ``offset_ms`` is wall time minus watch time; the watch sets it with every item.
    """

    def __init__(self, timezone: str) -> None:
        self._zone = zone_of(timezone)
        self.offset_ms = 0

    def label(self, at_ms: int) -> int:
        """Wall time of a moment of watch time."""
        return at_ms + self.offset_ms

    def text(self, at_ms: int) -> str:
        """A moment of watch time by the clock on the wall: ``2026-03-02 17:14``."""
        return f"{datetime.fromtimestamp(self.label(at_ms) / 1000, self._zone):%Y-%m-%d %H:%M}"

    def day_minute(self, at_ms: int) -> tuple[int, int]:
        """Day number (proleptic) and minute after local midnight."""
        local = datetime.fromtimestamp(self.label(at_ms) / 1000, self._zone)
        return local.toordinal(), local.hour * 60 + local.minute

    def is_within(self, span: Span | None, at_ms: int) -> bool:
        """Whether a moment of watch time lies within the span of any day."""
        return within(span, self.label(at_ms), self._zone)

    def next_within(self, span: Span | None, at_ms: int) -> int:
        """The first moment of watch time from ``at_ms`` on that lies within the span of any day."""
        wall_ms = self.label(at_ms)
        if span is None or within(span, wall_ms, self._zone):
            return at_ms
        return next_moment(span[0], wall_ms, self._zone) - self.offset_ms


def moment(day: date, minute: int, zone: tzinfo) -> int:
    """UTC epoch in ms at which ``minute`` after midnight comes on that local date.

    A minute that comes twice counts the first time; one that is left out falls on the jump.
    """
    wall = datetime(day.year, day.month, day.day, minute // 60, minute % 60)
    naive_s = round(wall.replace(tzinfo=UTC).timestamp())
    # PEP 495: fold 0 reads a wall time by the offset before a change, fold 1 by the one after.
    before_s = naive_s - _offset_s(wall.replace(tzinfo=zone, fold=0))
    after_s = naive_s - _offset_s(wall.replace(tzinfo=zone, fold=1))
    if after_s >= before_s:
        return before_s * 1000
    return _jump_s(after_s, before_s, zone) * 1000  # a minute that is left out


def next_moment(minute: int, after_ms: int, zone: tzinfo) -> int:
    """The first instant after ``after_ms`` at which ``minute`` after midnight comes."""
    day = _local_date(after_ms, zone)
    coming = (moment(day + timedelta(days), minute, zone) for days in range(3))
    return next(instant for instant in coming if instant > after_ms)


def within(span: Span | None, time_ms: int, zone: tzinfo) -> bool:
    """Whether an instant lies in [start, end) of the span of any day; always where it is None."""
    if span is None or span[0] == span[1]:
        return True
    start, end = span
    today = _local_date(time_ms, zone)
    for day in (today - timedelta(1), today):
        last = day if start < end else day + timedelta(1)
        if moment(day, start, zone) <= time_ms < moment(last, end, zone):
            return True
    return False


def _local_date(time_ms: int, zone: tzinfo) -> date:
    return datetime.fromtimestamp(time_ms / 1000, zone).date()


def _offset_s(stamp: datetime) -> int:
    offset = stamp.utcoffset()
    assert offset is not None
    return round(offset.total_seconds())


def _jump_s(low_s: int, high_s: int, zone: tzinfo) -> int:
    """The first second in (low, high] at which the offset is no longer that of ``low``."""
    old = _offset_s(datetime.fromtimestamp(low_s - 1, zone))
    while high_s - low_s > 1:
        middle_s = (low_s + high_s) // 2
        if _offset_s(datetime.fromtimestamp(middle_s, zone)) == old:
            low_s = middle_s
        else:
            high_s = middle_s
    first = _offset_s(datetime.fromtimestamp(low_s, zone)) != old
    return low_s if first else high_s
