"""When and why a hold ends, in a few readings each: parents that lead, modes that are too long."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import pytest

from dewline.watch_plan import Above, Mode, OnCall, RulePlan, TrueFor
from tests.watch.conftest import Bench


@pytest.fixture
def levels(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """rush (150) over very (100) over high (10), each under the one above it; all see 300."""

    def build(very: dict[str, Any] | None = None, high: dict[str, Any] | None = None) -> Bench:
        b = bench(
            make_rule("rush", "oxygen", Above(150.0)),
            make_rule("very", "oxygen", Above(100.0), under=("heron.rush",), **(very or {})),
            make_rule("high", "oxygen", Above(10.0), under=("heron.very",), **(high or {})),
        )
        b.at(0, oxygen=1.0)
        b.at(1, oxygen=300.0)
        b.say("acknowledge", "rush", by="iolo")
        return b

    return build


def falls(b: Bench, values: Iterable[float]) -> None:
    for value in values:
        b.at(b.now_s + 5, oxygen=value)


def why(b: Bench, alarm: str) -> list[tuple[str, str | None, str | None]]:
    return [(e.state, e.why, e.by) for e in b.events if e.alarm == f"heron.{alarm}"]


def test_who_knows_of_the_worse_level_knows_of_each_below_it(levels: Callable[..., Bench]) -> None:
    """Step by step down: each is released at its next reading, and seen already."""
    b = levels()
    falls(b, (120.0, 120.0, 20.0, 20.0))
    assert why(b, "very")[1:3] == [
        ("unacknowledged", "heron.rush is over", None),
        ("acknowledged", "seen as heron.rush", "iolo"),
    ]
    assert why(b, "high")[1:] == [
        ("unacknowledged", "heron.very is over", None),
        ("acknowledged", "seen as heron.very", "iolo"),
    ]
    released = [e.under for e in b.events if e.transition == "unsuppressed"]
    assert released == ["heron.rush", "heron.very"]


def test_who_called_for_a_level_that_was_held_itself_called_for_the_next(
    levels: Callable[..., Bench],
) -> None:
    """Down two levels at once: high stands, and was under very, which rush spoke for."""
    b = levels()
    falls(b, (20.0, 20.0))
    assert why(b, "high")[1:] == [
        ("unacknowledged", "heron.very is over", None),
        ("acknowledged", "seen as heron.rush", "iolo"),
    ]


def test_all_of_it_over_at_once_calls_nobody(levels: Callable[..., Bench]) -> None:
    """Each ends under the level above it."""
    b = levels()
    falls(b, (1.0, 1.0))
    assert why(b, "very")[1:] == [("normal", "heron.rush is over", None)]
    assert why(b, "high")[1:] == [("normal", "heron.very is over", None)]


def test_what_is_over_with_the_level_that_called_for_it_waits_for_no_other(
    levels: Callable[..., Bench],
) -> None:
    """Only the off-delay of the level between them runs: high ends with the rush."""
    b = levels(very={"off_s": 600})
    falls(b, (1.0, 1.0))
    assert why(b, "very") == [("suppressed", None, None)]
    assert why(b, "high")[1:] == [("normal", "heron.rush is over", None)]


def test_a_milder_parent_was_no_call_about_a_graver_child(levels: Callable[..., Bench]) -> None:
    """Seen as medium it is not seen as high: it waits for the readings, unacknowledged."""
    b = levels(very={"priority": "high"})
    falls(b, (120.0, 120.0))
    assert why(b, "very") == [("suppressed", None, None)]
    falls(b, (140.0,))
    assert why(b, "very")[1:] == [("unacknowledged", "heron.rush is over", None)]


@pytest.fixture
def pair(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """warm (medium) over high (high); the desk hears of both."""

    def build(**parent: Any) -> Bench:
        return bench(
            make_rule("warm", "temperature", Above(30.0), **parent),
            make_rule("high", "oxygen", Above(5.0), priority="high", under=("heron.warm",)),
            on_call=(OnCall("desk", "medium", ("heron",)),),
        )

    return build


def test_a_child_that_is_over_stays_held_as_long_as_its_parent_stands(
    pair: Callable[..., Bench],
) -> None:
    """No event while the parent speaks for it."""
    b = pair()
    b.at(0, temperature=40.0, oxygen=9.0)
    b.at(5, temperature=40.0, oxygen=1.0)
    b.at(10, temperature=40.0, oxygen=1.0)
    assert why(b, "high") == [("suppressed", None, None)]


def test_a_parent_that_is_shelved_speaks_no_longer(pair: Callable[..., Bench]) -> None:
    """It stands on and calls nobody, so its graver child calls at its next reading."""
    b = pair()
    b.at(0, temperature=40.0, oxygen=9.0)
    b.say("shelve", "warm", why="work", for_s=900)
    b.at(5, temperature=40.0, oxygen=9.0)
    b.at(10, temperature=40.0, oxygen=9.0)
    assert why(b, "high")[1:] == [
        ("unacknowledged", "heron.warm calls nobody at this time", None),
    ]
    b.say("shelve", "high", why="work", for_s=900)
    b.say("unshelve", "high")
    assert b.told("high")[-1][1:] == ("unshelved", "unacknowledged")


def test_a_parent_whose_on_delay_is_broken_explains_nothing(pair: Callable[..., Bench]) -> None:
    """The child calls at its next reading, and does not wait whether it goes back."""
    b = pair(on_s=60)
    b.at(0, temperature=40.0, oxygen=9.0)
    b.at(10, temperature=40.0, oxygen=9.0)
    b.at(20, temperature=20.0, oxygen=9.0)
    b.at(25, temperature=20.0, oxygen=9.0)
    assert b.told("high") == [
        (0, "suppressed", "suppressed"),
        (25, "unsuppressed", "unacknowledged"),
    ]


def test_a_mode_that_goes_on_too_long_holds_no_longer(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """From the longest time of the rule on: called at the next reading, with the reason."""
    purging: tuple[tuple[Mode, int], ...] = (("purging", 60_000),)
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=purging))
    for second in range(0, 80, 10):
        b.at(second, purging=1.0, oxygen=9.0)
    assert b.told("high") == [
        (0, "suppressed", "suppressed"),
        (70, "unsuppressed", "unacknowledged"),
    ]
    assert b.events[-1].why == "purging longer than 1 min"


def test_a_parent_on_another_signal_was_no_call_about_its_child(pair: Callable[..., Bench]) -> None:
    """Both are levels, and who saw the one has not seen the other: it waits, unseen."""
    b = pair(priority="high")
    b.at(0, temperature=40.0, oxygen=9.0)
    b.say("acknowledge", "warm")
    b.at(5, temperature=20.0, oxygen=9.0)
    b.at(10, temperature=20.0, oxygen=9.0)
    assert why(b, "high") == [("suppressed", None, None)]


def test_a_parent_that_calls_already_speaks_on_in_a_mode_that_would_have_held_it(
    pair: Callable[..., Bench],
) -> None:
    """It was raised before the purge and goes on calling: one page, not two."""
    b = pair(suppress_while=(("purging", 3_600_000),))
    b.at(0, temperature=40.0)
    b.at(5, purging=1.0, temperature=40.0, oxygen=9.0)
    assert why(b, "high") == [("suppressed", None, None)]


def test_a_worse_level_in_its_on_delay_holds_and_has_called_nobody_yet(
    levels: Callable[..., Bench],
) -> None:
    """high is held by very, of which it is not certain that it stands."""
    b = levels(very={"on_s": 60})
    falls(b, (300.0,))
    assert why(b, "very") == []
    assert why(b, "high") == [("suppressed", None, None)]


def test_a_switch_does_not_go_back_by_itself(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A valve that stands open after its parent's end calls at its next reading."""
    b = bench(
        make_rule("warm", "temperature", Above(30.0)),
        make_rule("open", "fill_valve", TrueFor(1_000), under=("heron.warm",)),
    )
    b.hold(0, 3, temperature=40.0, fill_valve=1.0)
    b.hold(3, 5, temperature=20.0, fill_valve=1.0)
    assert b.told("open") == [
        (1, "suppressed", "suppressed"),
        (4, "unsuppressed", "unacknowledged"),
    ]
