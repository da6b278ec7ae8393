"""What a store's acknowledgement is worth."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dewline.followers.rewind import Mark, Rewind


def test_kept_follows_sent_a_minute_behind():
    """A mark is kept once another is confirmed a minute later."""
    rewind = Rewind(Mark(0, 0))
    rewind.confirmed(Mark(10, 1), 100.0)
    rewind.confirmed(Mark(20, 1), 159.9)
    assert rewind.kept == Mark(0, 0)
    rewind.confirmed(Mark(30, 2), 160.0)
    assert (rewind.kept, rewind.sent) == (Mark(10, 1), Mark(30, 2))


def test_a_lost_connection_goes_back_to_what_is_kept():
    """What was acknowledged in the last minute is sent again, and its clock starts anew."""
    rewind = Rewind(Mark(5, 5))
    rewind.confirmed(Mark(10, 5), 0.0)
    rewind.broken()
    assert rewind.sent == Mark(5, 5)
    rewind.confirmed(Mark(10, 5), 61.0)
    assert rewind.kept == Mark(5, 5)


@given(st.lists(st.tuples(st.floats(0.1, 50.0), st.booleans()), max_size=60))
def test_nothing_is_kept_that_was_not_confirmed_a_minute_before(steps):
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
