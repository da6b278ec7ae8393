"""What holds an alarm back and what does not, at the edges of a hold: beside a shelf, a second mode
or silence, and where a plan is unlike what the config allows.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.hours import Span
from dewline.watch_plan import Above, Below, FalseFor, Mode, OnCall, Outside, RulePlan
from tests.watch.conftest import Bench

H_MS = 3_600_000
DESK = OnCall("desk", "high", ("heron",))
STAFFED = (Span(8 * 60, 18 * 60),)
EIGHT_S = (5 * 60 + 46) * 60  # from 02:14, when a bench starts, to 08:00


@pytest.fixture
def family(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """stopped (180 s) above high (more than 5 ppm, at once)."""

    def build(**child: Any) -> Bench:
        return bench(
            make_rule("high", "moisture", Above(5.0), under=("heron.stopped",), **child),
            make_rule("stopped", "circulating", FalseFor(180_000)),
        )

    return build


def hold(b: Bench, moisture: float, circulating: float = 0.0, *, s: int = 200) -> None:
    """So long from now on, a reading every two seconds: longer than the loop needs to count."""
    for second in range(round(b.now_s), round(b.now_s) + s, 2):
        b.at(second, circulating=circulating, moisture=moisture)


@pytest.mark.parametrize(
    ("take", "give"), [("shelve", "unshelve"), ("out-of-service", "return-to-service")]
)
@pytest.mark.parametrize(("moisture", "state"), [(9.0, "suppressed"), (1.0, "normal")])
def test_what_comes_back_under_its_parent_is_held_if_it_is_active(
    family: Callable[..., Bench], take: str, give: str, moisture: float, state: str
) -> None:
    """From a shelf as from being out of service; a child within its limit is normal."""
    b = family()
    b.at(0, circulating=1.0, moisture=1.0)
    b.say(take, "high", why="work", for_s=900)
    hold(b, moisture)
    b.say(give, "high")
    assert b.told("high")[-1][2] == state
    assert b.events[-1].under == ("heron.stopped" if state == "suppressed" else None)
    assert (b.watch._parts.alarms["heron.high"].hold is None) == (state == "normal")


def test_the_end_of_a_shelf_is_no_end_of_a_hold(family: Callable[..., Bench]) -> None:
    """The parent is over and the level still goes back by itself: nobody is called for it."""
    b = family()
    hold(b, 9.0)
    b.say("shelve", "high", why="work", for_s=900)
    assert (b.events[-1].state, b.events[-1].under) == ("shelved", None)
    hold(b, 8.0, 1.0, s=20)
    b.say("unshelve", "high")
    hold(b, 7.0, 1.0, s=20)
    assert b.told("high")[-1][1:] == ("unshelved", "suppressed")
    hold(b, 1.0, 1.0, s=20)
    assert b.told("high")[-1][1:] == ("unsuppressed", "normal")


@pytest.mark.parametrize("moisture", [5.5, 9.0])
def test_a_level_without_a_deadband_stands_however_little_it_is_past_its_limit(
    family: Callable[..., Bench], moisture: float
) -> None:
    """As high ten minutes after its parent's end: released, and not taken for almost over."""
    b = family()
    hold(b, moisture)
    hold(b, moisture, 1.0, s=598)
    assert b.told("high")[-1][1] == "suppressed"
    hold(b, moisture, 1.0, s=10)
    assert b.told("high")[-1][1:] == ("unsuppressed", "unacknowledged")


@pytest.mark.parametrize("condition", [Below(-5.0), Outside(-5.0, 5.0), Above(5.0)])
@pytest.mark.parametrize(
    ("past", "then", "released"),
    [
        (4.0, 4.5, True),  # worse by a tenth and more
        (4.0, 4.0, True),
        (0.7, 0.7, True),  # a little past its limit, for good
        (4.0, 0.5, False),  # goes back
    ],
)
def test_what_goes_back_is_judged_on_the_side_on_which_it_is_past(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    condition: Above | Below | Outside,
    past: float,
    then: float,
    released: bool,
) -> None:
    """Too low as too high it is the excess over the limit that counts."""
    side = 1 if isinstance(condition, Above) else -1
    b = bench(
        make_rule("level", "pressure", condition, deadband=0.5, under=("heron.stopped",)),
        make_rule("stopped", "circulating", FalseFor(180_000)),
    )
    for second in range(0, 200, 2):
        b.at(second, circulating=0.0, pressure=side * (5.0 + past))
    for second in range(200, 1700, 10):
        now = past + (then - past) * min(1.0, (second - 200) / 1400)
        b.at(second, circulating=1.0, pressure=side * (5.0 + now))
    states = [state for _, _, state in b.told("level")]
    assert states == (["suppressed", "unacknowledged"] if released else ["suppressed"])


@pytest.mark.parametrize("level", [4.8, 5.0])
@pytest.mark.parametrize(
    ("condition", "side"),
    [(Below(-5.0), -1), (Above(5.0), 1), (Outside(-5.0, 5.0), -1), (Outside(-5.0, 5.0), 1)],
)
def test_what_only_its_deadband_keeps_waits_until_it_is_over(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    condition: Above | Below | Outside,
    side: int,
    level: float,
) -> None:
    """Within its limit since its parent's end, and as it is for half an hour: calls nobody."""
    b = bench(
        make_rule("level", "pressure", condition, deadband=0.5, under=("heron.stopped",)),
        make_rule("stopped", "circulating", FalseFor(180_000)),
    )
    for second in range(0, 2000, 10):
        stands = second < 200
        pressure = side * (9.0 if stands else level)
        b.at(second, circulating=float(not stands), pressure=pressure)
    assert [state for _, _, state in b.told("level")] == ["suppressed"]


def test_what_goes_back_for_six_hours_calls_at_last(family: Callable[..., Bench]) -> None:
    """Always a little lower and never below its limit: after so long somebody is to look."""
    b = family()
    hold(b, 45.0)
    for second in range(200, 7 * 3600, 60):
        b.at(second, circulating=1.0, moisture=5.0 + 40.0 * 0.95 ** ((second - 200) / 600))
    ((at_s, _, _),) = [t for t in b.told("high") if t[2] == "unacknowledged"]
    assert 200 + 6 * 3600 <= at_s <= 200 + 6 * 3600 + 60


def test_silence_after_the_first_readings_releases_nothing(family: Callable[..., Bench]) -> None:
    """Read once after its parent's end and then no more: its level now is not known."""
    b = family()
    hold(b, 9.0)
    hold(b, 9.0, 1.0, s=20)
    for second in range(220, 1000, 2):
        b.at(second, circulating=1.0, moisture=None)
    assert b.told("high")[-1][1] == "suppressed"
    hold(b, 9.0, 1.0, s=4)
    assert b.told("high")[-1][1:] == ("unsuppressed", "unacknowledged")


@pytest.mark.parametrize(("purging", "held"), [(1.0, True), (0.0, False)])
def test_a_mode_holds_beside_a_regeneration_that_does_not_count(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], purging: float, held: bool
) -> None:
    """The box circulates, so the regeneration explains nothing; the purge does."""
    modes: tuple[tuple[Mode, int], ...] = (("regenerating", 30 * H_MS), ("purging", 4 * H_MS))
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=modes))
    panel = {"heron.circulating": 1.0, "heron.purging": purging, "p1.regenerating": 1.0}
    b.scan(0, {**panel, "heron.oxygen": 1.0})
    b.scan(1, {**panel, "heron.oxygen": 9.0})
    (event,) = b.events
    assert (event.state, event.why) == (
        ("suppressed", "purging") if held else ("unacknowledged", None)
    )


def test_an_alarm_under_itself_calls(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The config refuses it; in a plan that has it the alarm is no parent of its own."""
    b = bench(
        make_rule("a", "oxygen", Above(5.0), priority="high", on_s=5, under=("heron.a",)),
        on_call=(DESK,),
    )
    b.hold(0, 20, oxygen=9.0)
    assert b.told() == [(5, "raised", "unacknowledged")]


def test_a_parent_that_never_comes_up_prolongs_no_hold_of_a_mode(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """After the purge the loop stops and starts, never for 3 min: that explains no level."""
    purging: tuple[tuple[Mode, int], ...] = (("purging", 4 * H_MS),)
    under = ("heron.stopped",)
    b = bench(
        make_rule("high", "moisture", Above(5.0), under=under, suppress_while=purging),
        make_rule("stopped", "circulating", FalseFor(180_000)),
    )
    for second in range(0, 1000, 10):
        purge = second < 300
        runs = purge or second % 100 == 0
        b.at(second, purging=float(purge), circulating=float(runs), moisture=9.0)
    assert b.told("high") == [
        (0, "suppressed", "suppressed"),
        (910, "unsuppressed", "unacknowledged"),
    ]


@pytest.mark.parametrize(("at_s", "held"), [(0, True), (EIGHT_S, False)])
def test_whom_a_child_calls_goes_by_the_hour(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], at_s: int, held: bool
) -> None:
    """High by day and medium at night, under a medium parent: by day alone it calls the desk."""
    b = bench(
        make_rule(
            "high", "moisture", Above(5.0), priority="high", night="medium", under=("heron.warm",)
        ),
        make_rule("warm", "temperature", Above(30.0)),
        on_call=(DESK,),
        staffed=STAFFED,
    )
    b.at(at_s, temperature=40.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["suppressed" if held else "raised"]


@pytest.mark.parametrize(("at_s", "held"), [(0, False), (EIGHT_S, True)])
def test_who_will_hear_of_a_parent_in_its_on_delay_goes_by_the_hour(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], at_s: int, held: bool
) -> None:
    """Its call will be a high one by day and a medium one at night, which the desk never gets."""
    b = bench(
        make_rule("high", "moisture", Above(5.0), priority="high", under=("heron.warm",)),
        make_rule("warm", "temperature", Above(30.0), on_s=60, priority="high", night="medium"),
        on_call=(DESK,),
        staffed=STAFFED,
    )
    b.at(at_s, temperature=40.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["suppressed" if held else "raised"]


def test_a_parent_that_a_mode_silences_speaks_for_no_child(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Whether it is held already or its on-delay still runs: the desk hears of the child."""
    parent: dict[str, Any] = {"priority": "high", "suppress_while": (("purging", 4 * H_MS),)}
    b = bench(
        make_rule("warm", "temperature", Above(30.0), **parent),
        make_rule("slow", "pressure", Above(5.0), on_s=60, **parent),
        make_rule("high", "moisture", Above(5.0), priority="high", under=("heron.warm",)),
        make_rule("air", "oxygen", Above(5.0), priority="high", under=("heron.slow",)),
        on_call=(DESK,),
    )
    b.at(0, purging=1.0, temperature=40.0, pressure=9.0, moisture=9.0, oxygen=9.0)
    assert {e.alarm: e.state for e in b.events} == {
        "heron.warm": "suppressed",
        "heron.high": "unacknowledged",
        "heron.air": "unacknowledged",
    }
