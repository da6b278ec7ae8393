"""Stories: times, drawn sizes, truth, and the same night again by the same seed."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from dewline_sim import story as stories
from dewline_sim.scenario import Scene
from dewline_sim.setup import merged
from dewline_sim.story import Story, Wrong

HOUR = 3_600_000
START = "2026-03-02T20:00:00Z"


def told(timeline: list[dict[str, object]], seed: int = 1, **more: object) -> Story:
    """A story of two days with this timeline."""
    document = {"lab": {"buses": {}, "instruments": {}}, "start": START, "hours": 48}
    return stories.tell({**document, "timeline": timeline, **more}, "t", seed)


@pytest.mark.parametrize(
    ("at", "hours"),
    [
        ("20:00", 0),
        ("21:30", 1.5),
        ("02:14", 6 + 14 / 60),
        ("+0:45", 0.75),
        ("+30:00", 30),
        ("+1d 06:00", 10),
        ("+2d 06:00", 34),
    ],
)
def test_times(at: str, hours: float) -> None:
    """A time of day is the next one after the start; ``+`` counts from it; ``+Dd`` names a day."""
    story = told([{"at": at, "do": "x", "place": "heron"}])
    assert story.happenings[0].at_ms - story.start_ms == round(hours * HOUR)


def test_daily() -> None:
    """A daily item comes once a day as long as the story lasts."""
    story = told([{"at": "09:00", "daily": True, "do": "x", "place": "heron"}])
    assert [(h.at_ms - story.start_ms) / HOUR for h in story.happenings] == [13, 37]


def test_sizes_are_drawn_within_their_ranges_and_by_the_seed() -> None:
    """Every draw stays in its range, seeds differ, one seed repeats."""
    draw = {"even": [1.0, 2.0], "wide": [0.01, 100.0, "log"], "count": [1, 3, "whole"]}
    timeline = [{"at": ["01:00", "03:00"], "do": "x", "place": "h", "with": {"size": "$wide"}}]
    document = {"lab": {"buses": {}, "instruments": {}}, "start": START, "hours": 12}
    document |= {"draw": draw, "timeline": timeline}
    told_stories = [stories.tell(document, "t", seed) for seed in range(40)]
    for story in told_stories:
        assert 1.0 <= story.sizes["even"] <= 2.0
        assert 0.01 <= story.sizes["wide"] <= 100.0
        assert story.sizes["count"] in (1, 2, 3)
        assert 5 * HOUR <= story.happenings[0].at_ms - story.start_ms <= 7 * HOUR
        params = story.happenings[0].params
        assert params is not None
        assert params["size"] == story.sizes["wide"]
    assert len({s.sizes["even"] for s in told_stories}) == 40
    assert sum(s.sizes["wide"] < 1.0 for s in told_stories) > 10  # logarithmic
    assert stories.tell(document, "t", 7).sizes == told_stories[7].sizes


def test_truth() -> None:
    """``wrong`` runs from its moment for its while, or until set ``right``, or to the end."""
    story = told(
        [
            {"at": "21:00", "for": "2 h", "wrong": {"cause": "power", "place": "heron"}},
            {"at": "22:00", "wrong": {"cause": "air-leak", "place": "egret"}},
            {"at": "23:00", "right": {"cause": "air-leak", "place": "egret"}},
            {"at": "01:00", "wrong": {"cause": "bed-warm", "place": "heron"}},
        ]
    )
    hour = [round(story.start_ms + h * HOUR) for h in range(6)]
    assert story.wrongs == (
        Wrong("power", "heron", hour[1], hour[3]),
        Wrong("air-leak", "egret", hour[2], hour[3]),
        Wrong("bed-warm", "heron", hour[5], None),
    )


@pytest.mark.parametrize(
    "item",
    [
        {"at": "sunset", "do": "x"},
        {"at": "+2", "do": "x"},
        {"at": "21:00", "do": "x", "whith": {}},
        {"at": "21:00", "do": "x", "with": {"size": "$undrawn"}},
        {"at": "21:00", "fault": {"kind": "silence"}, "for": "ten"},
    ],
)
def test_mistakes_in_a_story_are_named(item: dict[str, object]) -> None:
    """A story that cannot be told is refused before it begins."""
    with pytest.raises(ValueError):
        told([item])


def test_an_act_that_nobody_knows_ends_the_telling(still_scene: Callable[..., Scene]) -> None:
    """An unknown instrument or act raises where it happens."""
    scene = still_scene(({"at": "20:01", "instrument": "nobody", "do": "freeze"},))
    with pytest.raises(ValueError, match="nobody"):
        scene.advance(scene.now_ms + 120_000)


def test_acts_reach_lab_and_instruments_at_their_time(still_scene: Callable[..., Scene]) -> None:
    """An act on a place goes to the lab with its settings, one on an instrument to it."""
    scene = still_scene(
        (
            {"at": "20:01", "place": "heron", "do": "transfer", "with": {"cycles": 3}},
            {"at": "20:02", "instrument": "heron-trace", "do": "power", "with": {"on": False}},
        )
    )
    start = scene.now_ms
    scene.advance(start + 59_000)
    assert scene.lab.done == []  # type: ignore[attr-defined]
    scene.advance(start + 60_000)
    assert scene.lab.done == [("transfer", "heron", {"cycles": 3})]  # type: ignore[attr-defined]
    assert scene.instruments["heron-trace"].powered
    scene.advance(start + 120_000)
    assert not scene.instruments["heron-trace"].powered


def test_steps_do_not_matter(still_scene: Callable[..., Scene]) -> None:
    """However advance is called, the instruments come out the same: ticks are whole seconds."""
    one, other = still_scene(), still_scene()
    start = one.now_ms
    one.advance(start + 600_000)
    for ms in range(0, 600_001, 700):
        other.advance(start + ms)
    other.advance(start + 600_000)
    assert list(one.shown()) == list(other.shown())


def test_a_wire_to_nothing_is_refused(still_story: Callable[..., Story]) -> None:
    """A signal whose register or role is not there is a mistake of the lab's file."""
    story = still_story()
    setup = merged(story.setup, {"boxes": {"heron": {"signals": {"x": "heron-trace.o3"}}}})
    broken = stories.tell({"lab": setup, "start": START, "hours": 1}, "t", 1)
    with pytest.raises(ValueError, match="o3"):
        Scene(broken, None)  # type: ignore[arg-type]
