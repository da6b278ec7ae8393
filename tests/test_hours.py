"""Times of day in the site's zone: each instant once, also when the clocks change.

The changes are those of the IANA zone database: Europe/Lisbon goes back at
2026-10-25T01:00Z (02:00 is 01:00 again) and forward at 2026-03-29T01:00Z.
"""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.hours import HOLIDAY, Span, calendar_of, moment, next_moment
from dewline.readings import iso_utc, parse_iso_utc

SITE = calendar_of("Europe/Lisbon", ["2026-04-03", "2026-04-06"])
LISBON = SITE.zone
NIGHT, DAY = (19 * 60, 7 * 60), (7 * 60, 19 * 60)
MINUTE_MS = 60_000
BACK, FORWARD = date(2026, 10, 25), date(2026, 3, 29)
MINUTES = st.integers(0, 1439)


def minutes_of(first: str, last: str) -> range:
    return range(parse_iso_utc(first), parse_iso_utc(last), MINUTE_MS)


@pytest.mark.parametrize(
    ("day", "minute", "expected"),
    [
        (BACK, 59, "2026-10-24T23:59:00.000Z"),
        (BACK, 90, "2026-10-25T00:30:00.000Z"),  # 01:30 comes twice: the first one
        (BACK, 120, "2026-10-25T02:00:00.000Z"),
        (FORWARD, 59, "2026-03-29T00:59:00.000Z"),
        (FORWARD, 90, "2026-03-29T01:00:00.000Z"),  # 01:30 is left out: the jump
        (FORWARD, 120, "2026-03-29T01:00:00.000Z"),
        (date(2026, 7, 1), 90, "2026-07-01T00:30:00.000Z"),
    ],
)
def test_a_time_of_day_is_one_instant(day: date, minute: int, expected: str) -> None:
    """A minute that comes twice is the first; one that is left out is the jump."""
    assert iso_utc(moment(day, minute, LISBON)) == expected


@pytest.mark.parametrize(
    ("first", "last"),
    [
        ("2026-10-24T12:00:00Z", "2026-10-26T12:00:00Z"),
        ("2026-03-28T12:00:00Z", "2026-03-30T12:00:00Z"),
    ],
)
@pytest.mark.parametrize("split", [(NIGHT, DAY), ((90, 1200), (1200, 90)), ((75, 105), (105, 75))])
def test_two_spans_that_share_their_ends_share_the_day(
    first: str, last: str, split: tuple[tuple[int, int], tuple[int, int]]
) -> None:
    """Around a change every instant is in exactly one of two spans: no gap, nothing twice."""
    for time_ms in minutes_of(first, last):
        first_one, other = (SITE.within((Span(*ends),), time_ms) for ends in split)
        assert first_one != other, iso_utc(time_ms)


@pytest.mark.parametrize("day", [BACK, FORWARD])
@pytest.mark.parametrize("minute", [0, 60, 75, 90, 119, 120, 540])
def test_what_is_daily_comes_once_a_day(day: date, minute: int) -> None:
    """A daily moment comes exactly once on the days before, of and after a change."""
    after_ms = moment(date(day.year, day.month, day.day - 2), minute, LISBON)
    comes = []
    for _ in range(4):
        after_ms = next_moment(minute, after_ms, LISBON)
        comes.append(after_ms)
    days = [date.fromordinal(day.toordinal() + n) for n in (-1, 0, 1, 2)]
    assert comes == [moment(d, minute, LISBON) for d in days]


@given(start=MINUTES, end=MINUTES, time_ms=st.integers(1_760_000_000_000, 1_800_000_000_000))
def test_a_span_and_its_complement_leave_nothing_out(start: int, end: int, time_ms: int) -> None:
    """For any span and instant: in it or in what is left of the day; equal ends are all of it."""
    inside = SITE.within((Span(start, end),), time_ms)
    assert inside if start == end else inside != SITE.within((Span(end, start),), time_ms)


@pytest.mark.long
@given(minute=MINUTES, after_ms=st.integers(1_760_000_000_000, 1_800_000_000_000))
def test_the_next_moment_is_within_a_day_or_so(minute: int, after_ms: int) -> None:
    """The next one is later, and at most 25 h away (the longest day)."""
    assert after_ms < next_moment(minute, after_ms, LISBON) <= after_ms + 25 * 3_600_000


def test_without_hours_it_is_always() -> None:
    """A contact without hours is there at any time."""
    assert SITE.within(None, 0)


WEEK = (Span(480, 1080, (0, 1, 2, 3, 4)), Span(540, 720, (5,)))


@pytest.mark.parametrize(
    ("when", "staffed", "next_begin"),
    [
        ("2026-03-27T17:59:00Z", True, "2026-03-28T09:00:00.000Z"),  # Friday
        ("2026-03-27T18:00:00Z", False, "2026-03-28T09:00:00.000Z"),
        ("2026-03-28T11:59:00Z", True, "2026-03-30T07:00:00.000Z"),  # Saturday; summer time comes
        ("2026-03-28T12:00:00Z", False, "2026-03-30T07:00:00.000Z"),
        ("2026-04-03T09:00:00Z", False, "2026-04-04T08:00:00.000Z"),  # a Friday that is a holiday
        ("2026-04-05T12:00:00Z", False, "2026-04-07T07:00:00.000Z"),  # a Monday that is one
    ],
)
def test_the_week_of_a_site(when: str, staffed: bool, next_begin: str) -> None:
    """Weekdays and Saturday morning are staffed, holidays are not; all else is one long night."""
    time_ms = parse_iso_utc(when)
    assert SITE.within(WEEK, time_ms) == staffed
    assert iso_utc(SITE.next_begin(WEEK, time_ms)) == next_begin


def test_a_span_belongs_to_the_day_on_which_it_begins() -> None:
    """Friday 19:00 to 07:00 goes on into Saturday, that of the holiday before it does not."""
    friday = (Span(1140, 420, (4,)),)
    assert SITE.within(friday, parse_iso_utc("2026-03-28T06:59:00Z"))
    assert not SITE.within(friday, parse_iso_utc("2026-03-28T19:30:00Z"))
    assert not SITE.within(friday, parse_iso_utc("2026-04-04T05:00:00Z"))


def test_a_holiday_may_have_hours_of_its_own() -> None:
    """A span of holidays holds on them alone; one without days on holidays as well."""
    holidays, daily = (Span(600, 720, (HOLIDAY,)),), (Span(600, 720),)
    for when, on_holidays in (("2026-04-03T10:00:00Z", True), ("2026-04-02T10:00:00Z", False)):
        assert SITE.within(holidays, parse_iso_utc(when)) == on_holidays
        assert SITE.within(daily, parse_iso_utc(when))


@given(
    days=st.sets(st.integers(0, 7), min_size=1),
    start=MINUTES,
    end=MINUTES,
    time_ms=st.integers(1_760_000_000_000, 1_790_000_000_000),
)
def test_a_span_and_the_next_begin_agree(
    days: set[int], start: int, end: int, time_ms: int
) -> None:
    """At the next begin a span holds, and just before it none has begun since."""
    hours = (Span(start, end, tuple(sorted(days))),)
    begin = SITE.next_begin(hours, time_ms)
    if begin - time_ms < 300 * 86_400_000:  # else the holidays are past
        assert SITE.within(hours, begin)
        assert SITE.next_begin(hours, begin - 1) == begin
