"""Times of day and hours of the week in the zone of the site, exact across daylight saving.

A time of day stands for one instant of its local date: the first at which the
clock on the wall shows that minute or a later one. So a minute that comes twice
counts the first time, a minute that is left out falls on the jump, and spans
that share their ends share their instants: no gap, nothing twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun", "holidays")
HOLIDAY = DAYS.index("holidays")
_FARTHEST_D = 366  # where nothing begins within a year, it is said to begin then


class Span(NamedTuple):
    """A span of hours, in minutes after local midnight, on some days.

    It belongs to the day on which it begins: one that ends at or before its start goes on into
    the next day, and equal ends are a whole day. ``days``: numbers in ``DAYS``; a holiday is no
    weekday, but a day of its own. Without days it is a span of every day, holidays included.
    """

    start: int
    end: int
    days: tuple[int, ...] = ()

    def on(self, day: int) -> bool:
        """Whether it begins on days of that number."""
        return not self.days or day in self.days

    @property
    def text(self) -> str:
        """As it is written in a config: ``mon-fri 08:00-18:00``."""
        hours = f"{_clock(self.start)}-{_clock(self.end or 24 * 60)}"
        return " ".join([*_runs(self.days), hours])


Hours = tuple[Span, ...]


def hours_text(hours: Hours | None) -> str:
    """Hours as they are written in a config; ``always`` for None."""
    return "always" if hours is None else ", ".join(span.text for span in hours)


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


def _runs(days: Iterable[int]) -> Iterator[str]:
    """Days in words, those that follow each other as ``mon-fri``."""
    left = sorted(days)
    while left:
        run = [left.pop(0)]
        while left and left[0] == run[-1] + 1 < HOLIDAY:
            run.append(left.pop(0))
        yield DAYS[run[0]] if len(run) == 1 else f"{DAYS[run[0]]}-{DAYS[run[-1]]}"


def zone_of(name: str) -> tzinfo:
    """The zone of that name, as in ``Europe/Lisbon``."""
    return UTC if name == "UTC" else ZoneInfo(name)


@dataclass(frozen=True, slots=True)
class Calendar:
    """The days of a site: its time zone, and the dates that are holidays."""

    zone: tzinfo
    holidays: frozenset[date] = frozenset()

    def within(self, hours: Hours | None, time_ms: int) -> bool:
        """Whether an instant lies in [start, end) of any span; always where ``hours`` is None."""
        if hours is None:
            return True
        today = _local_date(time_ms, self.zone)
        return any(
            first <= time_ms < last
            for day in (today - timedelta(1), today)
            for first, last in self._spans(hours, day)
        )

    def next_begin(self, hours: Hours, after_ms: int) -> int:
        """The first instant after ``after_ms`` at which a span begins.

        Where none begins within a year (all holidays are past), the end of that year.
        """
        today = _local_date(after_ms, self.zone)
        for days in range(_FARTHEST_D):
            coming = [first for first, _ in self._spans(hours, today + timedelta(days))]
            if later := [first for first in coming if first > after_ms]:
                return min(later)
        return moment(today + timedelta(_FARTHEST_D), 0, self.zone)

    def _spans(self, hours: Hours, day: date) -> tuple[tuple[int, int], ...]:
        return _spans_of(hours, day, HOLIDAY if day in self.holidays else day.weekday(), self.zone)


@lru_cache(maxsize=256)  # asked at every item for each alarm that is held, and of few days
def _spans_of(hours: Hours, day: date, kind: int, zone: tzinfo) -> tuple[tuple[int, int], ...]:
    """First instant and end of the spans that begin on a date; ``kind``: its day of the week."""
    return tuple(
        (
            moment(day, span.start, zone),
            moment(day if span.start < span.end else day + timedelta(1), span.end, zone),
        )
        for span in hours
        if span.on(kind)
    )


def calendar_of(timezone: str, holidays: Iterable[str]) -> Calendar:
    """The calendar of a zone by name and of holidays as ISO dates."""
    return Calendar(zone_of(timezone), frozenset(map(date.fromisoformat, holidays)))


class LocalTime:
    """Days and minutes of watch time by the calendar of the site.

    ``offset_ms`` is wall time minus watch time; the watch sets it with every item.
    """

    def __init__(self, calendar: Calendar) -> None:
        self._calendar = calendar
        self.offset_ms = 0

    def label(self, at_ms: int) -> int:
        """Wall time of a moment of watch time."""
        return at_ms + self.offset_ms

    def text(self, at_ms: int) -> str:
        """A moment of watch time by the clock on the wall: ``2026-03-02 17:14``."""
        moment = datetime.fromtimestamp(self.label(at_ms) / 1000, self._calendar.zone)
        return f"{moment:%Y-%m-%d %H:%M}"

    def day_minute(self, at_ms: int) -> tuple[int, int]:
        """Day number (proleptic) and minute after local midnight."""
        local = datetime.fromtimestamp(self.label(at_ms) / 1000, self._calendar.zone)
        return local.toordinal(), local.hour * 60 + local.minute

    def is_within(self, hours: Hours | None, at_ms: int) -> bool:
        """Whether a moment of watch time lies within any span."""
        return self._calendar.within(hours, self.label(at_ms))

    def next_within(self, hours: Hours | None, at_ms: int) -> int:
        """The first moment of watch time from ``at_ms`` on that lies within any span."""
        wall_ms = self.label(at_ms)
        if hours is None or self._calendar.within(hours, wall_ms):
            return at_ms
        return self._calendar.next_begin(hours, wall_ms) - self.offset_ms


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
