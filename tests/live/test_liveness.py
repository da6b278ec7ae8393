"""Liveness: which of pollers, watch and journal have not made progress in their time."""

from __future__ import annotations

from dewline.live.liveness import JOURNAL_S, Liveness, parts_within_s, poller_within_s


def test_all_must_move() -> None:
    """A part that has not moved in time is named, although the others have."""
    house = Liveness()
    house.expect("watch", 10, 0)
    house.expect("bus panel", 100, 0)
    for second in range(0, 90, 5):
        house.moved("watch", second)
    assert house.behind(90) == ()
    assert house.behind(101) == ("watch", "bus panel")
    house.moved("watch", 101)
    assert house.behind(101) == ("bus panel",)
    house.moved("bus panel", 101)
    assert house.behind(101) == ()


def test_a_part_that_is_gone_is_not_missed() -> None:
    """After a reload only the parts of the new plan count."""
    house = Liveness()
    house.expect("bus panel", 10, 0)
    house.forget("bus panel")
    house.moved("bus panel", 5)
    assert house.behind(1000) == ()


def test_a_part_has_its_time_from_when_it_is_expected() -> None:
    """A poller started late is not late at once."""
    house = Liveness()
    house.expect("bus panel", 10, 1000)
    assert house.behind(1009) == ()
    assert house.behind(1011) == ("bus panel",)


def test_how_long_each_may_stand() -> None:
    """A slow instrument gives its poller more time; a commit is due every minute at the latest."""
    assert poller_within_s([]) is None
    assert poller_within_s([1000]) == 180
    assert poller_within_s([1000, 300_000]) == 900
    assert parts_within_s(2000) == {"watch": 10, "journal": JOURNAL_S + 4}
