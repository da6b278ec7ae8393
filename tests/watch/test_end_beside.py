"""An end is told with what still stands: an event names it with its value as it is now."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dewline.events import Event
from dewline.watch_plan import (
    Above,
    Below,
    BoxPlan,
    Rising,
    RulePlan,
    ServicePlan,
    StaleAfter,
    TrueFor,
)
from tests.watch.conftest import Bench, plan_of, rule, signal


def torn_glove(**more: Any) -> Bench:
    """fill-open over an open glove, low pressure, oxygen that climbs; then the gas is gone."""
    rules = [
        rule("fill-open", "fill_valve", TrueFor(90_000), priority="high", off_s=60),
        rule("pressure-low", "pressure", Below(-1.0), priority="high"),
        rule("oxygen-rush", "oxygen", Above(150.0), priority="high", unit="ppm", **more),
        rule("freezer", "temperature", Above(40.0), priority="medium"),
    ]
    b = Bench(plan_of(rules))
    for second in range(0, 400, 5):
        gone = second >= 200
        b.at(
            second,
            fill_valve=0.0 if gone else 1.0,
            pressure=1.0,
            temperature=50.0,
            oxygen=1.0 + max(0, second - 100) * 2.0,
        )
    return b


def ends(b: Bench, alarm: str) -> list[Event]:
    return [e for e in b.events if e.alarm == f"heron.{alarm}" and e.state == "returned"]


def test_the_end_names_what_stands_and_where_it_goes() -> None:
    """The valve shuts because the gas is gone: oxygen is 321 ppm by then, and rises."""
    (over,) = ends(torn_glove(advice="Look at the gloves.", caution="Air."), "fill-open")
    assert over.document()["stands"] == [
        {
            "alarm": "heron.oxygen-rush",
            "box": "heron",
            "priority": "high",
            "signal": "heron.oxygen",
            "value": 321.0,
            "unit": "ppm",
            "quality": "good",
            "limit": 150.0,
            "limit_unit": "ppm",
            "trend": "rising",
            "advice": "Look at the gloves.",
            "caution": "Air.",
        }
    ]


def test_the_most_urgent_is_named_first_and_a_signal_once() -> None:
    """Both levels of oxygen stand: the worse one is named. What is out of service is not."""
    b = Bench(
        plan_of(
            [
                rule("open", "fill_valve", TrueFor(1_000), priority="low"),
                rule("cold", "temperature", Below(50.0), priority="low"),
                rule("damp", "moisture", Above(1.0), priority="low"),
                rule("high", "oxygen", Above(5.0), priority="medium"),
                rule("tight", "pressure", Above(5.0), priority="high"),
                rule("very", "oxygen", Above(8.0), priority="critical"),
            ]
        )
    )
    b.hold(0, 5, fill_valve=1.0, oxygen=9.0, pressure=9.0, temperature=20.0, moisture=9.0)
    b.say("out-of-service", "damp")
    b.at(5, fill_valve=0.0)
    (over,) = ends(b, "open")
    assert [one["alarm"] for one in over.stands] == ["heron.very", "heron.tight", "heron.cold"]


def test_what_is_less_urgent_is_not_named() -> None:
    """A medium alarm that stands is no reason to hold back the end of a high one."""
    (over,) = ends(torn_glove(night=None, on_s=3600), "fill-open")
    assert over.stands == ()


@pytest.mark.parametrize("oxygen", [1.0, 8.0])
def test_what_is_on_its_way_back_does_not_stand(oxygen: float) -> None:
    """Within its limit again, only its off-delay runs: not named; else it is."""
    b = Bench(
        plan_of(
            [
                rule("open", "fill_valve", TrueFor(1_000), priority="high"),
                rule("high", "oxygen", Above(5.0), priority="high", off_s=600),
            ]
        )
    )
    b.hold(0, 5, fill_valve=1.0, oxygen=9.0)
    b.at(5, fill_valve=1.0, oxygen=oxygen)
    b.at(6, fill_valve=0.0, oxygen=oxygen)
    (over,) = ends(b, "open")
    assert [one["alarm"] for one in over.stands] == (["heron.high"] if oxygen > 5 else [])


def test_services_of_the_box_count_and_other_boxes_do_not() -> None:
    """heron's end names its own supply, but of another box only what it had held back."""
    more = [signal("house.pressure", "mbar"), signal("egret.oxygen", "ppm")]
    more.append(signal("egret.moisture", "ppm"))
    rules = [
        rule("open", "fill_valve", TrueFor(1_000), priority="high"),
        rule("low", "pressure", Below(4000.0), priority="high", place="house"),
        rule("high", "oxygen", Above(5.0), priority="high", place="egret"),
        rule("damp", "moisture", Above(5.0), priority="high", place="egret", under=("heron.open",)),
    ]
    plan = plan_of(rules, extra=more)
    plan.boxes.update(
        heron=BoxPlan(name="heron", supply="house"), egret=BoxPlan(name="egret", supply="house")
    )
    plan.services["house"] = ServicePlan(name="house", kind="house")
    b = Bench(plan)
    for second in range(10):
        shown = {"house.pressure": 300.0, "egret.oxygen": 9.0, "egret.moisture": 9.0}
        b.scan(second, {**shown, "heron.fill_valve": float(second < 5)})
    (over,) = ends(b, "open")
    assert {one["alarm"] for one in over.stands} == {"house.low", "egret.damp"}


def test_the_end_at_a_service_names_what_stands_at_it_and_not_in_a_box() -> None:
    """A supply lives on no other service: its end is told with its own troubles alone."""
    more = [signal("house.pressure", "mbar"), signal("house.temperature", "degC")]
    rules = [
        rule("low", "pressure", Below(4000.0), priority="high", place="house"),
        rule("cold", "temperature", Below(-10.0), priority="high", place="house"),
        rule("high", "oxygen", Above(5.0), priority="high"),
    ]
    plan = plan_of(rules, extra=more)
    plan.services["house"] = ServicePlan(name="house", kind="house")
    b = Bench(plan)
    for second, mbar in enumerate((300.0, 6000.0)):
        shown = {"house.pressure": mbar, "house.temperature": -20.0, "heron.oxygen": 9.0}
        b.scan(second, shown)
    (over,) = [e for e in b.events if e.state == "returned"]
    assert (over.alarm, [one["alarm"] for one in over.stands]) == ("house.low", ["house.cold"])


@pytest.mark.parametrize(("cause", "named"), [("supply-low", ["egret.high"]), ("unknown", [])])
def test_what_has_the_same_known_cause_in_another_box_is_named(
    cause: str, named: list[str]
) -> None:
    """One trouble in two boxes: the end in one says that it goes on in the other."""
    rules = [
        rule("open", "fill_valve", TrueFor(1_000), priority="high"),
        rule("high", "oxygen", Above(5.0), priority="high", place="egret"),
    ]
    plan = plan_of(rules, extra=[signal("egret.oxygen", "ppm")])
    plan.boxes["egret"] = BoxPlan(name="egret")
    b = Bench(plan)
    for second in range(5):
        b.scan(second, {"egret.oxygen": 9.0, "heron.fill_valve": 1.0})
    for alarm in b.watch._parts.alarms.values():
        assert alarm.last_event is not None
        alarm.last_event["cause"]["name"] = cause
    b.at(5, fill_valve=0.0)
    (over,) = ends(b, "open")
    assert [one["alarm"] for one in over.stands] == named


def test_of_what_was_held_back_only_what_is_so_now_is_named(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Silence answers in a moment, a slope is of the time before; a level stands."""
    held: dict[str, Any] = {"priority": "high", "under": ("heron.mains",)}
    b = bench(
        make_rule("mains", "analyzer_on", Below(0.5), priority="high"),
        make_rule("stale", "temperature", StaleAfter(5_000), **held),
        make_rule("climbing", "moisture", Rising(0.3, 300_000, 0.95), **held),
        make_rule("high", "pressure", Above(5.0), **held),
    )
    b.at(0, analyzer_on=1.0, temperature=20.0)
    for second in range(1, 900):
        moisture = 1.0 + second / 100 + second % 3 / 1000
        b.at(second, analyzer_on=0.0, temperature=None, moisture=moisture, pressure=9.0)
    assert {t for alarm in ("stale", "climbing", "high") for _, t, _ in b.told(alarm)} == {
        "suppressed"
    }
    b.at(900, analyzer_on=1.0)
    (over,) = ends(b, "mains")
    assert [one["alarm"] for one in over.stands] == ["heron.high"]


@pytest.mark.parametrize(
    ("oxygen", "trend"),
    [
        (lambda s: 200.0 + s, "rising"),
        (lambda s: 200.0 + s / 10, "rising"),  # a tenth in three minutes
        (lambda s: 200.0 + s % 7, None),
        (lambda s: 1.0 if s < 300 else 400.0 * 2 ** (-(s - 300) / 60), "falling"),  # an impulse
        (lambda s: 500.0 - s / 2, "falling"),
    ],
)
def test_where_it_goes_is_said_of_the_last_minute(
    oxygen: Callable[[int], float], trend: str | None
) -> None:
    """An impulse that decays falls, although it is far above what was three minutes ago."""
    rules = [
        rule("open", "fill_valve", TrueFor(1_000), priority="high"),
        rule("high", "oxygen", Above(5.0), priority="high"),
    ]
    b = Bench(plan_of(rules))
    for second in range(0, 421, 5):
        b.at(second, fill_valve=float(second < 420), oxygen=oxygen(second))
    (over,) = ends(b, "open")
    assert [one["trend"] for one in over.stands] == [trend]
