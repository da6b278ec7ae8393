"""What a store's acknowledgement is worth."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from dewline.followers.influx.rewind import Mark, Rewind


def test_kept_follows_sent_a_minute_behind() -> None:
    """A mark is kept once another is confirmed a minute later."""
    rewind = Rewind(Mark(0, 0))
    rewind.confirmed(Mark(10, 1), 100.0)
    rewind.confirmed(Mark(20, 1), 159.9)
    assert rewind.kept == Mark(0, 0)
    rewind.confirmed(Mark(30, 2), 160.0)
    assert (rewind.kept, rewind.sent) == (Mark(10, 1), Mark(30, 2))


def test_a_lost_connection_goes_back_to_what_is_kept() -> None:
    """What was acknowledged in the last minute is sent again, and its clock starts anew."""
    rewind = Rewind(Mark(5, 5))
    rewind.confirmed(Mark(10, 5), 0.0)
    rewind.broken()
    assert rewind.sent == Mark(5, 5)
    rewind.confirmed(Mark(10, 5), 61.0)
    assert rewind.kept == Mark(5, 5)


@given(st.lists(st.tuples(st.floats(0.1, 50.0), st.booleans()), max_size=60))
def test_nothing_is_kept_that_was_not_confirmed_a_minute_before(steps: list[Any]) -> None:
    """Whatever happens, ``kept`` never goes back, never passes ``sent``, and is a minute old."""
    rewind, now_s, confirmed_at = Rewind(Mark(0, 0)), 0.0, {0: -1e9}
    for pause_s, well in steps:
        now_s += pause_s
        before = rewind.kept
        if well:
            mark = Mark(rewind.sent.item_seq + 1, 0)
            confirmed_at[mark.item_seq] = now_s
            rewind.confirmed(mark, now_s)
        else:
            rewind.broken()
        assert before <= rewind.kept <= rewind.sent
        assert confirmed_at[rewind.kept.item_seq] <= now_s - 60.0


def test_what_is_not_proven_is_not_kept() -> None:
    """However old, nothing after the last canary found counts; a proof lets it through."""
    rewind = Rewind(Mark(0, 0))
    for minute in range(1, 5000):
        rewind.confirmed(Mark(minute, 0), 60.0 * minute, proven_s=120.0)
    assert rewind.kept == Mark(2, 0)
    rewind.broken()
    assert rewind.sent == Mark(2, 0)
    rewind.confirmed(Mark(5000, 0), 1e6)
    rewind.confirmed(Mark(5001, 0), 2e6)
    assert rewind.kept == Mark(5000, 0)
