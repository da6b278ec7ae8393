"""A loop that stands foresees its limit from its own slope, and calls if it comes before staff.

1 to 2 ppm/h of oxygen in a stopped loop is common practice, no source.
"""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from dewline.events import Event
from dewline.hours import Span
from dewline.watch_plan import Above, FalseFor, Guard, Reaches, RulePlan, SignalPlan
from tests.watch.conftest import START_MS, Bench

HOUR_S = 3600
STOP_S = 2 * HOUR_S  # 04:14 UTC; staff come at eight
LIMIT_PPM = 5.0


@pytest.fixture
def box(bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]) -> Bench:
    """A box in which oxygen stood at 0.05 ppm for two hours, and the loop stops now."""
    soon = make_rule(
        "soon",
        "oxygen",
        Reaches(LIMIT_PPM, 10 * HOUR_S * 1000),
        only_while=Guard("heron.circulating", "below", 0.5),
        on_s=180,
        off_s=600,
        priority="high",
        night="medium",
    )
    b = bench(soon, staffed=(Span(480, 1080),))
    climb(b, 0, STOP_S, 0.0, circulating=1)
    return b


def climb(
    b: Bench, start_s: int, stop_s: int, per_h: float, circulating: int = 0, from_ppm: float = 0.05
) -> None:
    """Oxygen goes up by ``per_h`` ppm/h, read every 5 s with the noise of a cell."""
    noise = random.Random(start_s)
    for second in range(start_s, stop_s, 5):
        ppm = from_ppm + per_h * (second - start_s) / HOUR_S
        b.at(second, oxygen=ppm + noise.gauss(0, 0.01), circulating=circulating)


def raised(b: Bench) -> Event:
    return next(e for e in b.events if e.transition == "raised")


def test_the_limit_is_foreseen_within_minutes_of_the_stop(box: Bench) -> None:
    """Hours of a flat level before the stop do not hide the straight line after it."""
    climb(box, STOP_S, STOP_S + 1200, 1.4)
    event = raised(box)
    assert event.at_ms - START_MS <= (STOP_S + 900) * 1000
    assert event.priority == "high"
    assert event.cause.name == "circulation-stopped"
    assert event.outlook is not None
    assert event.outlook.in_s == pytest.approx((LIMIT_PPM - 0.05) / 1.4 * HOUR_S, rel=0.2)


def test_a_loop_that_runs_foresees_nothing(box: Bench) -> None:
    """The same climb with the circulator on is the matter of other rules."""
    climb(box, STOP_S, STOP_S + 2 * HOUR_S, 1.4, circulating=1)
    assert box.events == []


@pytest.mark.long
def test_what_comes_after_staff_waits_for_them(box: Bench) -> None:
    """At 0.7 ppm/h the limit comes at eleven, three hours after staff: nobody is woken for it."""
    climb(box, STOP_S, STOP_S + 2 * HOUR_S, 0.7)
    assert raised(box).priority == "medium"
    assert "reminded" not in [e.transition for e in box.events]


@pytest.mark.long
def test_what_comes_nearer_calls_when_it_comes_before_staff(box: Bench) -> None:
    """What waited for the morning does so no longer when the slope grows steep in the night."""
    climb(box, STOP_S, STOP_S + HOUR_S, 0.7)
    climb(box, STOP_S + HOUR_S, STOP_S + 2 * HOUR_S, 3.0, from_ppm=0.75)
    assert raised(box).priority == "medium"
    (call,) = [e for e in box.events if e.transition == "reminded"]
    assert (call.priority, call.why) == ("high", "comes before the morning now")


def test_a_restart_of_the_watch_forgets_no_stop(box: Bench) -> None:
    """Saved and restored in the middle of a stop it says the same at the same moment."""
    climb(box, STOP_S, STOP_S + 300, 1.4)
    box.freeze()
    climb(box, STOP_S + 300, STOP_S + 1200, 1.4, from_ppm=0.05 + 1.4 / 12)
    assert raised(box).at_ms - START_MS <= (STOP_S + 900) * 1000


def test_the_end_of_an_outage_names_the_boxes_that_stand(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> None:
    """A box that stands after a power cut is named, one that a purge explains is not."""
    mains = "room.mains_present"
    cut = make_rule("mains-lost", "mains_present", FalseFor(10_000), place="room", off_s=180)
    for purging, named in ((0.0, ("heron",)), (1.0, ())):
        b = bench(cut, extra=[make_signal(mains, "")])
        for second in range(0, 600, 2):
            on = 0.0 if 60 <= second < 300 else 1.0
            panel = {"heron.circulating": float(second < 60), "heron.purging": purging}
            b.scan(second, {mains: on, **(panel if on else dict.fromkeys(panel))})
        (ended,) = [e for e in b.events if e.transition == "returned"]
        assert ended.stopped_at == named


def test_the_end_of_any_other_alarm_names_no_box_that_stands(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """The loop stands, and an end of oxygen has nothing to do with it."""
    b = bench(make_rule("high", "oxygen", Above(5.0)))
    b.at(0, oxygen=9.0, circulating=0.0)
    b.at(1, oxygen=1.0)
    assert [(e.transition, e.stopped_at) for e in b.events] == [("raised", ()), ("returned", ())]
