"""Stories in which the watch once kept silent or said something untrue; told on seed 0."""

from __future__ import annotations

from datetime import datetime

import pytest
import yaml

from dewline.events import Cause
from dewline_sim import story as stories
from tests.score.conftest import Telling
from tests.score.marks import is_right, pages, standing

pytestmark = pytest.mark.long


def at_ms(moment: str) -> int:
    """UTC epoch in ms of ``2 23:30`` in March 2026."""
    day, clock = moment.split(" ")
    return round(datetime.fromisoformat(f"2026-03-{int(day):02d}T{clock}Z").timestamp() * 1000)


def timeline(name: str) -> list[dict[str, object]]:
    """The items of a story, to lay others beside them."""
    document = yaml.safe_load((stories.scenarios() / f"{name}.yaml").read_text(encoding="utf-8"))
    items: list[dict[str, object]] = document["timeline"]
    return items


def test_dirty_gas_is_paged_while_the_purge_lasts(telling: Telling) -> None:
    """A purge that brings oxygen is one page within five minutes, and it names the gas."""
    told = telling("dirty-purge", hours=6)
    (page,) = pages(told)
    assert page.alarm == "heron.oxygen-dirty-gas"
    assert at_ms("2 23:30") < page.time_ms < at_ms("2 23:35")
    assert (page.cause.name, page.cause.also) == ("supply-impure", ())


def test_water_that_a_purge_brought_is_not_blamed_on_the_cooling(telling: Telling) -> None:
    """Four hours later the walls still give off what came with the gas, and oxygen is long clean.

    The purge ran with the loop stopped, so that it filled the box.
    """
    stop = {"at": "23:29", "place": "heron", "do": "circulation_off"}
    start = {"at": "01:05", "place": "heron", "do": "circulation_on"}
    told = telling(
        "dirty-purge",
        draw={"oxygen_ppm": [280, 281], "moisture_ppm": [900, 901], "flow_l_min": [100, 101]},
        timeline=[*timeline("dirty-purge"), stop, start],
    )
    after = [e for e in standing(told, "moisture-raised") if e.time_ms > at_ms("3 02:00")]
    assert after
    for event in after:
        assert (event.cause.name, event.cause.also) == ("supply-impure", ())
        assert any("in a purge" in sentence for sentence in event.cause.evidence)


def test_a_clean_purge_of_an_opened_box_pages_nobody(telling: Telling) -> None:
    """Air that a purge drives out is what the purge is for."""
    told = telling(
        "dirty-purge",
        hours=3,
        draw={},
        timeline=[
            {"at": "20:00", "place": "heron", "do": "circulation_off"},
            {"at": "20:00", "place": "heron", "do": "expose", "with": {"share": 1.0}},
            {"at": "20:05", "place": "heron", "do": "purge_on", "with": {"flow_l_min": 300.0}},
        ],
    )
    assert pages(told) == []


def test_a_small_chamber_of_air_is_no_leak_once_it_is_cleaned_away(telling: Telling) -> None:
    """What came in at once and decayed equals one small chamber of air, and is told before the end.

    Until then it may be a leak as well, and the set says so.
    """
    told = telling("small-chamber", hours=7)
    first = standing(told)[0]
    assert first.alarm == "heron.oxygen-rush"
    assert {"impulse", "air-leak"} <= {first.cause.name, *first.cause.also}
    assert first.cause.tell_apart
    for page in pages(told):
        last = [e for e in told.events if e.alarm == page.alarm and e.seq >= page.seq][-1]
        assert last.transition == "returned"
        assert (last.cause.name, last.cause.also) == ("impulse", ())
        sentences = [s for s in last.cause.evidence if "small chamber of air" in s]
        assert len(sentences) == 1, last.cause.evidence


@pytest.mark.parametrize(
    ("cause", "right"),
    [
        (Cause("impulse", 0.6), True),
        (Cause("unknown", 0.5, ("impulse", "air-leak")), True),
        (Cause("air-leak", 0.9, ("impulse",)), False),
        (Cause("air-leak", 0.9), False),
    ],
)
def test_a_dose_told_as_a_leak_is_not_right(cause: Cause, right: bool) -> None:
    """The score does not count the leak that people would hunt, though the dose is in its set."""
    assert is_right(cause, {"impulse"}) is right


def test_a_moisture_sensor_that_drifts_is_no_spent_bed(telling: Telling) -> None:
    """A straight climb with flat oxygen names the sensor first, in every alarm about it."""
    told = telling("moisture-drift", hours=11)
    found = standing(told)
    assert {e.alarm.partition(".")[2] for e in found} >= {"moisture-climbing", "moisture-soon"}
    for event in found:
        assert event.cause.name == "sensor-drift", (event.alarm, event.cause)
        assert "bed-spent-water" not in event.cause.also


def test_heavy_work_in_a_sound_box_is_work(telling: Telling) -> None:
    """Eight litres every minute: a box at work, whose dips are suppressed; no gas is lost."""
    told = telling("heavy-hands", hours=8)
    assert standing(told) == []
    held = [e for e in told.events if e.alarm == "heron.pressure-dips"]
    assert (held[0].transition, held[0].mode) == ("suppressed", "working")
    assert held[-1].state == "normal"


def test_a_stopped_loop_is_not_blamed_on_a_box_below_the_room(telling: Telling) -> None:
    """At -3 mbar oxygen climbs no faster than gloves give: it is the stop, and no leak is named."""
    told = telling("low-supply-stopped-loop")
    gas = [e for e in standing(told) if e.signal in ("heron.oxygen", "heron.moisture")]
    assert gas
    for event in gas:
        assert (event.cause.name, event.cause.also) == ("circulation-stopped", ()), event.cause
