"""The modes of a box: what sets them, and what ends them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline.readings import Quality, Reading
from dewline.watch_plan import Above, RulePlan
from tests.watch.conftest import Bench

H = 3600
AIR = 209_000.0


@pytest.fixture
def box(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Bench:
    """A bench with one rule that is never met."""
    return bench(make_rule("high", "temperature", Above(1000.0)))


def modes(b: Bench) -> set[str]:
    return set(b.watch.modes()["heron"])


@pytest.mark.parametrize(
    ("bit", "mode"),
    [
        ("purging", "purging"),
        ("regenerating", "regenerating"),
        ("large_evacuating", "transferring"),
        ("large_refilling", "transferring"),
        ("large_outer_door", "transferring"),
    ],
)
def test_bits_set_and_end_modes(box: Bench, bit: str, mode: str) -> None:
    """A bit is its mode for as long as it is set."""
    box.at(0, **{bit: 1.0})
    assert modes(box) == {mode}
    box.at(1, **{bit: 0.0})
    assert modes(box) == set()


def test_regenerating_bit_of_the_purifier_counts_for_its_box(box: Bench) -> None:
    """The bit may be mapped at the purifier."""
    box.scan(0, {"p1.regenerating": 1.0})
    assert modes(box) == {"regenerating"}


def test_circulating_and_isolated(box: Bench) -> None:
    """The loop runs or stands; an unreadable bit leaves it as it was."""
    box.at(0, circulating=1.0)
    assert modes(box) == {"circulating"}
    box.at(1, circulating=None)
    assert modes(box) == {"circulating"}
    box.at(2, circulating=0.0)
    assert modes(box) == {"isolated"}


def test_transfer_lasts_30_min_past_the_inner_door(box: Bench) -> None:
    """From the closing of the door, not from its opening."""
    box.at(0, large_inner_door=1.0)
    box.hold(1, 1000, large_inner_door=1.0)
    box.at(1000, large_inner_door=0.0)
    box.wait(1000 + 1799)
    assert modes(box) == {"transferring"}
    box.wait(1000 + 1800)
    assert modes(box) == set()


@pytest.mark.long
def test_opened_then_recovering_then_outgassing(box: Bench) -> None:
    """Above 5 % oxygen the box is open; below again it recovers for 12 h, outgasses 3 days."""
    box.at(0, oxygen=AIR)
    assert modes(box) == {"opened"}
    box.at(100, oxygen=Reading(None, Quality.NO_ANSWER))
    assert modes(box) == {"opened"}
    box.at(200, oxygen=100.0)
    assert modes(box) == {"recovering", "outgassing"}
    box.wait(200 + 12 * H)
    assert modes(box) == {"outgassing"}
    box.wait(200 + 72 * H)
    assert modes(box) == set()


def test_opened_by_note_with_a_cell_that_saturates_early(box: Bench) -> None:
    """A cell of 1000 ppm cannot tell 5 %: the note says it, the first good reading ends it."""
    box.at(0, oxygen=0.1)
    box.say("note", box="heron", kind="opened", why="new gloves")
    box.at(60, oxygen=Reading(1000.0, Quality.OVER_RANGE))
    box.at(5 * H, oxygen=Reading(1000.0, Quality.OVER_RANGE))
    assert modes(box) == {"opened"}
    box.at(6 * H, oxygen=800.0)
    assert modes(box) == {"recovering", "outgassing"}


def test_opened_by_note_alone_ends_after_a_day(box: Bench) -> None:
    """A note without a reading that confirms it ends after a day."""
    box.at(0, temperature=20.0)
    box.say("note", box="heron", kind="opened", why="")
    box.wait(24 * H)
    assert modes(box) == {"recovering", "outgassing"}


def test_notes_set_and_end_modes(box: Bench) -> None:
    """Solvent work for 8 h, or until a note says it is over."""
    box.at(0, temperature=20.0)
    box.say("note", box="heron", kind="solvent", why="toluene")
    assert modes(box) == {"solvent-work"}
    box.wait(8 * H)
    assert modes(box) == set()
    box.say("note", box="heron", kind="commissioning", why="first week")
    assert modes(box) == {"commissioning"}
    box.say("note", box="heron", kind="commissioning", why="over, all tight")
    assert modes(box) == set()
    box.say("note", box="heron", kind="gloves", why="left pair")
    assert modes(box) == {"outgassing"}


@pytest.mark.long
def test_reduced_is_below_70_percent_of_the_usual_speed(box: Bench) -> None:
    """Usual is the upper tenth of a week's hours, so a long night does not change it."""
    speed = {}
    for hour in range(3 * 24):
        speed["blower_speed"] = 60.0 if 8 <= hour % 24 < 19 else 20.0
        box.hold(hour * H, hour * H + 2, **speed)
        box.at(hour * H + 1800, **speed)
        if hour > 24:
            assert ("reduced" in modes(box)) == (speed["blower_speed"] == 20.0), hour
    box.at(3 * 24 * H, blower_speed=45.0)
    assert "reduced" not in modes(box)
    box.at(3 * 24 * H + 1, blower_speed=41.0)
    assert "reduced" in modes(box)


def test_event_names_the_foremost_mode(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Of purging and circulating it names purging."""
    b = bench(make_rule("high", "oxygen", Above(5.0)))
    b.at(0, circulating=1.0, purging=1.0, oxygen=9.0)
    assert b.events[0].mode == "purging"
    b = bench(make_rule("high", "oxygen", Above(5.0)))
    b.at(0, oxygen=9.0)
    assert b.events[0].mode is None
