"""A page never says a bare OVER while other trouble of the box stands: it says what stands."""

from __future__ import annotations

from typing import Any

from dewline.followers.push.page import PageItem
from dewline.followers.push.page_text import PageWriter
from dewline.hours import zone_of
from dewline.watch_plan import Above, Below, RulePlan, TrueFor
from tests.followers.conftest import Story

START_MS = 1_772_417_649_250  # 2026-03-02T02:14:09.250Z
RULES = {
    name: RulePlan(
        alarm=name, place="heron", rule=name[6:], signal=f"heron.{role}", condition=c, unit=unit
    )
    for name, role, c, unit in (
        ("heron.fill-open", "fill_valve", TrueFor(90_000), ""),
        ("heron.oxygen-rush", "oxygen", Above(150.0), "ppm"),
        ("heron.pressure-low", "pressure", Below(-1.0), "mbar"),
    )
}
WRITER = PageWriter("saltmarsh", zone_of("Europe/Lisbon"), RULES)
ADVICE = "Close what was opened last; isolate the bed if oxygen goes on towards 1000 ppm."


def trouble(alarm: str, role: str, value: float, unit: str, **more: Any) -> dict[str, Any]:
    return {
        "alarm": alarm,
        "box": "heron",
        "priority": "high",
        "signal": f"heron.{role}",
        "value": value,
        "unit": unit,
        "quality": "good",
        "limit": 150.0,
        "limit_unit": unit,
        "trend": None,
        "advice": ADVICE,
        "caution": None,
        **more,
    }


OXYGEN = trouble("heron.oxygen-rush", "oxygen", 402.0, "ppm", trend="rising")
PRESSURE = trouble("heron.pressure-low", "pressure", -1.2, "mbar", limit=-1.0)
VALVE: dict[str, Any] = {
    "signal": "heron.fill_valve",
    "unit": None,
    "limit": 90.0,
    "limit_unit": "s",
}


def ended(story: Story, *stands: dict[str, Any], at_s: float = 2940) -> PageItem:
    raised = story.event("raised", "heron.fill-open", **VALVE, value=1.0)
    end = story.event("returned", "heron.fill-open", at_s, **VALVE, value=0.0, stands=stands)
    return PageItem(end, raised=raised)


def test_the_gas_is_gone_and_the_valve_shuts(story: Story) -> None:
    """What is over is said as it is now, then what stands, in its tone and with its next step."""
    page = WRITER.over(ended(story, OXYGEN, PRESSURE), START_MS + 2_940_000)
    assert page.title == "high · saltmarsh"
    assert page.text == (
        "HERON fill valve shut at 03:03, but STANDING: oxygen 402 ppm and rising, "
        f"pressure -1.2 mbar. {ADVICE}"
    )
    assert "OVER" not in page.text
    assert "heron.oxygen-rush" in page.rest
    assert len(page.title) + 1 + len(page.text) < 200


def test_without_other_trouble_it_is_over(story: Story) -> None:
    """An end that is one says so."""
    page = WRITER.over(ended(story), START_MS + 2_940_000)
    assert page.title == "over · saltmarsh"
    assert page.text.startswith("OVER at 03:03 after 49 min: HERON fill valve open.")


def test_trouble_of_a_service_is_called_by_its_place(story: Story) -> None:
    """The supply is no signal of the box."""
    house = trouble("house.low", "pressure", 300.0, "mbar", box="house", signal="house.pressure")
    page = WRITER.over(ended(story, house), START_MS + 2_940_000)
    assert "but STANDING: HOUSE pressure 300 mbar." in page.text


def test_a_digest_of_ends_is_not_all_over_either(story: Story) -> None:
    """Three ends at once, and one trouble left; what ended in the same page is not left."""
    items = [ended(story, OXYGEN, at_s=2940 + n) for n in range(3)]
    page = WRITER.digest(items, START_MS + 2_950_000, why="flood")
    assert page.title == "high · saltmarsh"
    assert page.text.startswith("3 alarms over, 03:03-03:03, but STANDING: oxygen 402 ppm and ri")
    own = trouble("heron.fill-open", "fill_valve", 1.0, "")
    page = WRITER.digest([ended(story, own) for _ in range(3)], START_MS + 2_950_000, why="flood")
    assert page.text.startswith("ALL OVER")
