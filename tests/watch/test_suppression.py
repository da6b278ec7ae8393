"""Suppression by parents and modes: one cause, one alarm, and nobody is woken twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.readings import Quality, Reading
from dewline.watch.alarms.suppression import duration, ranks
from dewline.watch_plan import (
    Above,
    Below,
    Count,
    Escalation,
    FalseFor,
    Rising,
    RulePlan,
    StaleAfter,
)
from tests.watch.conftest import Bench

H = 3600


@pytest.fixture
def family(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """circulation-stopped (3 min) above moisture-high (20 s)."""

    def build(parent: dict[str, Any] | None = None, child: dict[str, Any] | None = None) -> Bench:
        return bench(
            make_rule(
                "high", "moisture", Above(5.0), on_s=20, under=("heron.stopped",), **(child or {})
            ),
            make_rule("stopped", "circulating", FalseFor(180_000), **(parent or {})),
        )

    return build


def test_child_is_suppressed_in_the_delay_of_its_parent_and_while_it_stands(
    family: Callable[..., Bench],
) -> None:
    """Also during the parent's own delay; one event names the parent."""
    b = family()
    b.at(0, circulating=0.0, moisture=1.0)
    b.hold(1, 200, circulating=0.0, moisture=9.0)
    assert b.told() == [(21, "suppressed", "suppressed"), (180, "raised", "unacknowledged")]
    assert (b.events[0].under, b.events[0].alarm) == ("heron.stopped", "heron.high")


def test_child_that_does_not_go_back_is_released_after_ten_minutes(
    family: Callable[..., Bench],
) -> None:
    """Still as high ten minutes after the end of the parent: released."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.hold(200, 801, circulating=1.0, moisture=9.0)
    assert b.told("high")[-1][1] == "suppressed"
    b.at(801, circulating=1.0, moisture=9.0)
    assert b.told("high")[-1] == (801, "unsuppressed", "unacknowledged")
    assert b.events[-1].why == "heron.stopped is over"


def test_what_was_counted_in_a_mode_does_not_count_after_it(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Dips that work explains are no alarm five minutes after it, only new ones are."""
    dips = Count(3, 600_000, Below(0.0))
    b = bench(
        make_rule("dips", "pressure", dips, off_s=600, suppress_while=(("purging", 4 * H * 1000),))
    )
    for start in range(0, 120, 20):
        b.hold(start, start + 10, purging=1.0, pressure=1.0)
        b.hold(start + 10, start + 20, purging=1.0, pressure=-1.0)
    b.hold(120, 1500, purging=0.0, pressure=1.0)
    assert [state for _, _, state in b.told("dips")] == ["suppressed", "normal"]
    for start in range(1500, 1600, 20):
        b.hold(start, start + 10, purging=0.0, pressure=1.0)
        b.hold(start + 10, start + 20, purging=0.0, pressure=-1.0)
    assert b.told("dips")[-1][1] == "raised"


def test_child_that_gets_worse_is_released_at_once(family: Callable[..., Bench]) -> None:
    """A tenth further past its limit than at the end of the parent: released at once."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.hold(200, 210, circulating=1.0, moisture=9.0)
    b.at(210, circulating=1.0, moisture=9.5)
    assert b.told("high")[-1] == (210, "unsuppressed", "unacknowledged")


def test_clean_up_after_its_parent_is_no_new_trouble(family: Callable[..., Bench]) -> None:
    """The loop runs again and the level falls hour after hour: it stays suppressed."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    for second in range(200, 2 * H, 2):
        b.at(second, circulating=1.0, moisture=9.0 - 3.5 * (second - 200) / (2 * H))
    assert b.told("high")[-1][1] == "suppressed"
    for second in range(2 * H, 2 * H + 400, 2):
        b.at(second, circulating=1.0, moisture=4.5)
    assert b.told("high")[-1] == (2 * H, "unsuppressed", "normal")


def test_clean_up_that_stops_half_way_is_released(family: Callable[..., Bench]) -> None:
    """It fell for half an hour and then stays: released after two comparisons."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    for second in range(200, H, 2):
        b.at(second, circulating=1.0, moisture=max(7.0, 9.0 - 2.0 * (second - 200) / 1800))
    ((at_s, _, state),) = [t for t in b.told("high") if t[1] == "unsuppressed"]
    assert state == "unacknowledged"
    assert 2000 < at_s <= 2000 + 1200


def test_slope_is_released_only_by_readings_after_its_parent(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A slope over 30 min waits until all its readings are newer than the parent's end."""
    b = bench(
        make_rule("climbing", "moisture", Rising(0.3, 1_800_000, 0.95), under=("heron.stopped",)),
        make_rule("stopped", "circulating", FalseFor(180_000)),
    )
    stop_s, start_s, end_s = 1200, 6000, 9600
    for second in range(0, end_s, 10):
        b.at(
            second,
            circulating=0.0 if stop_s <= second < start_s else 1.0,
            moisture=1.0 + max(0, second - stop_s) / 1200 + second % 3 / 100,
        )
    told = [t for t in b.told("climbing") if t[1] == "unsuppressed"]
    assert [(state, at_s >= start_s + 1800) for at_s, _, state in told] == [
        ("unacknowledged", True)
    ]


def test_child_that_is_over_by_then_goes_to_normal(family: Callable[..., Bench]) -> None:
    """Its end is in the record, and calls nobody."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.hold(200, 203, circulating=1.0, moisture=1.0)
    assert b.told("high")[-1] == (200, "unsuppressed", "normal")


def test_child_in_its_off_delay_is_not_released(family: Callable[..., Bench]) -> None:
    """During its off-delay it is not certain whether it stands: it waits."""
    b = family(child={"off_s": 30})
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.hold(200, 240, circulating=1.0, moisture=1.0)
    assert b.told("high") == [(20, "suppressed", "suppressed"), (230, "unsuppressed", "normal")]


def test_child_without_readings_waits_for_them(family: Callable[..., Bench]) -> None:
    """Its last reading is older than the parent's end; its silence is the stale rule's matter."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.at(200, circulating=1.0)
    b.hold(201, 900, circulating=1.0, moisture=None)
    assert b.told("high")[-1][1] == "suppressed"
    b.hold(900, 1510, circulating=1.0, moisture=9.0)
    assert b.told("high")[-1][1:] == ("unsuppressed", "unacknowledged")


def test_stale_child_is_released_after_60_s(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Silence brings no newer readings: a stale child is released a minute later."""
    b = bench(
        make_rule("stale", "oxygen", StaleAfter(15_000), under=("heron.stopped",)),
        make_rule("stopped", "circulating", FalseFor(10_000)),
    )
    b.at(0, circulating=0.0, oxygen=1.0)
    b.hold(1, 100, circulating=0.0)
    b.hold(100, 165, circulating=1.0)
    assert b.told("stale") == [
        (15, "suppressed", "suppressed"),
        (160, "unsuppressed", "unacknowledged"),
    ]


def test_child_whose_condition_is_over_is_not_released_as_active(
    family: Callable[..., Bench],
) -> None:
    """Within its limit again, in a long off-delay, silent for a minute: nobody is paged."""
    b = family(child={"off_s": 600})
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.hold(200, 210, circulating=1.0, moisture=1.0)
    b.hold(210, 400, circulating=1.0)
    assert [state for _, _, state in b.told("high")] == ["suppressed"]
    b.hold(400, 1100, circulating=1.0, moisture=1.0)
    assert b.told("high")[-1][1:] == ("unsuppressed", "normal")


def test_parent_that_comes_back_keeps_its_child(family: Callable[..., Bench]) -> None:
    """A flapping parent does not release its children."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.at(200, circulating=1.0)
    b.hold(201, 300, circulating=0.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["suppressed"]


def test_standing_child_stays_as_it_stands(family: Callable[..., Bench]) -> None:
    """Raised before its parent: it stays as it is."""
    b = family()
    b.hold(0, 30, circulating=1.0, moisture=9.0)
    b.say("acknowledge", "high")
    b.hold(30, 300, circulating=0.0, moisture=9.0)
    b.hold(300, 310, circulating=1.0, moisture=9.0)
    assert [t for _, t, _ in b.told("high")] == ["raised", "acknowledged"]


@pytest.mark.parametrize("kind", [{"priority": "critical"}, {"latch": True}])
def test_critical_and_latch_are_never_suppressed(
    family: Callable[..., Bench], kind: dict[str, bool] | dict[str, str]
) -> None:
    """They are raised whatever the parent does."""
    b = family(child=kind)
    b.hold(0, 30, circulating=0.0, moisture=9.0)
    assert b.told("high") == [(20, "raised", "unacknowledged")]


def test_one_lost_bus_is_one_alarm(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Thirty stale signals behind it stay suppressed and end without calling anybody."""
    lost = make_rule("one-lost", "one-link", FalseFor(10_000), place="daemon")
    roles = ("oxygen", "moisture", "pressure", "temperature")
    stale = [
        make_rule(f"{r}-stale", r, StaleAfter(5_000), under=("daemon.one-lost",)) for r in roles
    ]
    b = bench(*stale, lost)
    values = dict.fromkeys(roles, 1.0)
    b.scan(0, {"daemon.one-link": 1.0, **{f"heron.{r}": 1.0 for r in roles}})
    b.scan(1, {"daemon.one-link": 0.0})
    for second in range(2, 60):
        b.scan(second, {"daemon.one-link": 0.0})
        b.at(second, **dict.fromkeys(roles))
    assert [e.alarm for e in b.events if e.state == "unacknowledged"] == ["daemon.one-lost"]
    assert {e.transition for e in b.events if e.box == "heron"} == {"suppressed"}
    b.scan(60, {"daemon.one-link": 1.0})
    b.hold(60, 62, **values)
    b.at(62, **values)
    ends = [e for e in b.events if e.box == "heron" and e.transition != "suppressed"]
    assert {(e.transition, e.state) for e in ends} == {("unsuppressed", "normal")}
    assert len(ends) == 4


def test_shelved_child_comes_back_under_its_parent(family: Callable[..., Bench]) -> None:
    """Unshelved while the parent stands: suppressed, not announced."""
    b = family()
    b.at(0, circulating=1.0, moisture=1.0)
    b.say("shelve", "high", why="work", for_s=250)
    b.hold(1, 260, circulating=0.0, moisture=9.0)
    assert b.told("high")[-1] == (250, "unshelved", "suppressed")
    assert b.events[-1].under == "heron.stopped"


def test_shelving_over_a_suppression(family: Callable[..., Bench]) -> None:
    """The child is released when both have ended."""
    b = family()
    b.hold(0, 200, circulating=0.0, moisture=9.0)
    b.say("shelve", "high", why="work", for_s=900)
    b.hold(200, 805, circulating=1.0, moisture=9.0)
    assert b.told("high")[-1] == (801, "unsuppressed", "shelved")
    b.wait(1100)
    assert b.told("high")[-1] == (1099, "unshelved", "unacknowledged")


def test_mode_suppresses_and_is_named(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A rule raised while its mode holds is suppressed, and released when the mode is over."""
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=(("purging", 4 * H * 1000),)))
    b.at(0, purging=1.0, oxygen=9.0)
    assert (b.events[0].transition, b.events[0].why, b.events[0].mode) == (
        "suppressed",
        "purging",
        "purging",
    )
    b.at(10, purging=0.0, oxygen=9.0)
    b.hold(11, 612, oxygen=9.0)
    assert b.told()[-1] == (611, "unsuppressed", "unacknowledged")
    assert b.events[-1].why == "purging is over"


def test_mode_has_a_longest_time(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A stuck purge bit suppresses no longer than the rule allows, and the event says so."""
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=(("purging", 4 * H * 1000),)))
    b.at(0, purging=1.0, oxygen=1.0)
    b.hold(10, 20, oxygen=9.0)
    for second in range(20, 4 * H + 10, 5):
        b.at(second, oxygen=9.0)
    assert b.told() == [
        (10, "suppressed", "suppressed"),
        (4 * H + 5, "unsuppressed", "unacknowledged"),
    ]
    assert b.events[-1].why == "purging longer than 4 h"


def test_end_of_a_mode_does_not_raise_a_standing_alarm_again(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Raised at 2, purging till 3: the end of the purge does not call the same person again."""
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=(("purging", 4 * H * 1000),)))
    b.at(0, oxygen=9.0)
    b.say("acknowledge", "high")
    b.hold(1, 60, purging=1.0, oxygen=9.0)
    b.hold(60, 70, purging=0.0, oxygen=9.0)
    assert [t for _, t, _ in b.told()] == ["raised", "acknowledged"]


def test_bad_purge_bit_leaves_the_mode(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A bit that cannot be read does not end its mode."""
    b = bench(make_rule("high", "oxygen", Above(5.0), suppress_while=(("purging", 4 * H * 1000),)))
    b.at(0, purging=1.0, oxygen=1.0)
    b.hold(1, 20, purging=Reading(None, Quality.NO_ANSWER), oxygen=9.0)
    assert [t for _, t, _ in b.told()] == ["suppressed"]


def test_parents_rank_before_children_and_a_cycle_does_not_hang(
    make_rule: Callable[..., RulePlan],
) -> None:
    """Depth below the furthest ancestor; a cycle the config should have refused is cut."""
    rules = [
        make_rule("a", "oxygen", Above(1.0), under=("heron.b", "heron.none")),
        make_rule("b", "oxygen", Above(1.0), under=("heron.c",)),
        make_rule("c", "oxygen", Above(1.0)),
    ]
    assert ranks({r.alarm: r for r in rules}) == {"heron.a": 2, "heron.b": 1, "heron.c": 0}
    loop = [
        make_rule("a", "oxygen", Above(1.0), under=("heron.b",)),
        make_rule("b", "oxygen", Above(1.0), under=("heron.a",)),
    ]
    assert sorted(ranks({r.alarm: r for r in loop})) == ["heron.a", "heron.b"]


def test_a_time_is_said_in_the_largest_unit_that_divides_it() -> None:
    """Whole hours, else whole minutes, else seconds."""
    times_ms = (7_200_000, 3_600_000, 5_400_000, 60_000, 90_000, 1_500)
    assert [duration(ms) for ms in times_ms] == ["2 h", "1 h", "90 min", "1 min", "90 s", "1.5 s"]


@pytest.fixture
def levels(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Callable[..., Bench]:
    """rush (150, at once) over very-high (100) over high (10), all of the same oxygen."""

    def build(**more: Any) -> Bench:
        return bench(
            make_rule("rush", "oxygen", Above(150.0), deadband=50.0, off_s=60),
            make_rule("very", "oxygen", Above(100.0), on_s=30, off_s=60, under=("heron.rush",)),
            make_rule("high", "oxygen", Above(10.0), on_s=60, under=("heron.very", "heron.rush")),
            **more,
        )

    return build


def _rush(b: Bench) -> None:
    """Up to 300 ppm within a second, and down again over an hour."""
    b.at(0, oxygen=1.0)
    for second in range(1, H, 2):
        b.at(second, oxygen=300.0 * 2 ** (-second / 400))


def test_milder_levels_of_one_rush_go_on_with_its_escalations(levels: Callable[..., Bench]) -> None:
    """On the way down each is released in its turn; nobody's time starts again."""
    b = levels(escalations=(Escalation("night-desk", "lab-head", 900_000, "medium", ("heron",)),))
    _rush(b)
    assert [t for _, t, _ in b.told("rush")] == ["raised", "returned"]
    assert [s for _, t, s in b.told("very")] == ["suppressed", "normal"]
    assert [s for _, t, s in b.told("high")][:2] == ["suppressed", "unacknowledged"]
    # Asked at the rush: 15 min from there, though by then another level stands.
    (escalated,) = [t for t, kind, _ in b.told() if kind == "escalated"]
    assert escalated == 901
    assert "escalated" in [t for _, t, _ in b.told("high")]


def test_milder_levels_of_one_rush_are_acknowledged_with_it(levels: Callable[..., Bench]) -> None:
    """The acknowledgement of the rush covers the lower levels that stand on."""
    b = levels()
    b.at(0, oxygen=1.0)
    for second in range(1, 200, 2):
        b.at(second, oxygen=300.0)
    b.say("acknowledge", "rush", by="iolo")
    for second in range(201, H, 2):
        b.at(second, oxygen=300.0 * 2 ** (-(second - 200) / 600))
    ends = [(e.transition, e.state, e.by) for e in b.events if e.alarm == "heron.high"]
    assert ends[:3] == [
        ("suppressed", "suppressed", None),
        ("unsuppressed", "unacknowledged", None),
        ("acknowledged", "acknowledged", "iolo"),
    ]
    why = [e.why for e in b.events if e.alarm == "heron.high" and e.transition == "acknowledged"]
    assert why == ["seen as heron.rush"]


def test_a_loop_that_runs_again_under_a_stuck_regeneration_is_compared(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The regeneration goes on past its longest time: what goes back by itself calls nobody."""
    b = bench(
        make_rule("high", "oxygen", Above(10.0), suppress_while=(("regenerating", 30 * H * 1000),))
    )
    for second in range(0, H, 10):
        values = {"p1.regenerating": 1.0, "heron.circulating": 0.0, "heron.oxygen": 18.0}
        b.scan(second, values)
    for second in range(H, 2 * H, 10):
        oxygen = max(0.1, 18.0 - (second - H) / 30)
        values = {"p1.regenerating": 1.0, "heron.circulating": 1.0, "heron.oxygen": oxygen}
        b.scan(second, values)
    assert [state for _, _, state in b.told()] == ["suppressed", "normal"]
    assert b.events[-1].why == "regenerating is over"
