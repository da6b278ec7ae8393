"""Every story that comes with the simulator can be told, and shows what it promises."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest
import yaml

from dewline_sim import story as stories
from dewline_sim.command import scene_of
from dewline_sim.config import config_of
from dewline_sim.faults import Faults
from dewline_sim.scenario import Scene

HOUR = 3_600_000
NAMES = list(stories.names())
CAUSES = frozenset(
    (
        "air-leak", "leak-at-low-pressure", "loop-suction-leak", "glove-torn", "gas-loss",
        "glove-permeation", "antechamber-seal", "transfer", "wet-load", "impulse", "outgassing",
        "bed-spent-water", "bed-spent-oxygen", "bed-warm", "bed-not-reduced", "bed-poisoned",
        "regen-return", "purifier-bypassed", "circulation-stopped", "circulation-reduced",
        "supply-impure", "supply-low", "valves-unpowered", "cooling-water-leak", "solvent",
        "sensor-frozen", "sensor-drift", "sensor-unresponsive", "sample-line", "scale-slip",
        "instrument-silent", "power", "linked-box", "weather-or-heat", "hands", "purging",
        "regenerating", "unknown",
    )
)  # fmt: skip


@cache
def untouched(name: str) -> Scene:
    """A story at its start, for tests that only look at it."""
    return scene_of(name, seed=3)


@pytest.mark.parametrize("name", NAMES)
def test_every_act_of_a_story_is_understood(name: str) -> None:
    """All acts and faults of a story are carried out in order, on its lab, without its hours.

    Telling all stories whole takes long; what cannot be done is found without.
    """
    scene = scene_of(name, seed=3)
    known = Faults(scene.bus_kinds)
    for what in scene.story.happenings:
        if what.fault is not None:
            known.add(what.fault)
        if what.do is not None:
            scene.act(what.do, what.place, what.instrument, what.params or {})
    scene.advance(scene.now_ms + 5_000)
    assert list(scene.shown())


@pytest.mark.parametrize("name", NAMES)
def test_every_story_knows_its_truth(name: str) -> None:
    """What is wrong has a known cause, a place in the lab, and lies within the story."""
    scene = untouched(name)
    story = scene.story
    places = {*scene.lab.places()}  # type: ignore[attr-defined]
    for wrong in story.wrongs:
        assert wrong.cause in CAUSES
        assert wrong.place in places
        assert story.start_ms <= wrong.from_ms < story.end_ms
        assert wrong.to_ms is None or wrong.from_ms < wrong.to_ms
    assert bool(story.wrongs) == (name not in ("ordinary", "bad-wire"))


@pytest.mark.parametrize("name", NAMES)
def test_every_lab_has_a_config(name: str) -> None:
    """Each box's signals are wired to instruments on buses that are served."""
    scene = untouched(name)
    found = {bus: {"port": "x"} for bus in scene.bus_kinds}
    document = yaml.safe_load(yaml.safe_dump(config_of(scene.story, found)))
    for box in document["boxes"].values():
        assert box["supply"] in document["services"]
        assert box["purifier"] in document["purifiers"]
        for wire in box["signals"].values():
            assert document["instruments"][wire.partition(".")[0]]["bus"] in document["buses"]


def at(scene: Scene, hour: float) -> dict[str, float]:
    """The truth in heron at an hour after the start.

    Minute by minute, and second by second in the last minute before something happens or the
    hour is reached: acts keep their moments, and lagging sensors have followed.
    """
    end_ms = scene.story.start_ms + round(hour * HOUR)
    moments = {h.at_ms for h in scene.story.happenings if h.at_ms < end_ms}
    for moment_ms in sorted({*moments, end_ms}):
        scene.advance(moment_ms - 60_000, 60_000)
        scene.advance(moment_ms)
    return dict(scene.lab.truth("heron"))


def seen(scene: Scene) -> tuple[float | None, str]:
    """What heron's oxygen shows."""
    return next((v, q) for s, v, q in scene.shown() if s == "heron.oxygen")


def circulator_trip(scene: Scene) -> None:
    """Stopped at 01:42: oxygen straight by 1-2 ppm/h, water bent, both gone after the restart."""
    first, last = at(scene, 6.0), at(scene, 9.9)
    assert 1.0 < (last["oxygen"] - first["oxygen"]) / 3.9 < 2.0
    assert 1.5 < last["moisture"] < 4.0
    assert at(scene, 10.5)["oxygen"] < 0.3


def short_cycle(scene: Scene) -> None:
    """One cycle at 50 mbar: hundreds of ppm, below 1 ppm within the half hour, water stays."""
    peak = max(at(scene, 5.9 + i / 120)["oxygen"] for i in range(60))
    assert 150 < peak < 600
    assert at(scene, 6.7)["oxygen"] < 1.0
    assert at(scene, 6.8)["moisture"] > 0.5


def suction_leak(scene: Scene) -> None:
    """A plateau of a few ppm with the blower on; off, only the box's own 1-2 ppm/h on top."""
    plateau = at(scene, 8.9)["oxygen"]
    assert 1.2 < plateau < 4.5
    at(scene, 9.1)
    before = at(scene, 9.2)["oxygen"]
    assert 0.8 < (at(scene, 9.6)["oxygen"] - before) / 0.4 < 2.5


def torn_glove(scene: Scene) -> None:
    """Pressure gone in seconds, the fill full open; oxygen in hundreds once the gas is gone."""
    assert at(scene, 4.2)["pressure"] > 1.5
    torn = at(scene, 4.3)
    assert torn["pressure"] < 0.5
    assert torn["fill_valve"] == 1.0
    assert at(scene, 6.5)["oxygen"] > 100


def power_cut(scene: Scene) -> None:
    """Silent without mains, then a block of zeros (read as the floor), and the blower stays off."""
    at(scene, 4.5)
    assert seen(scene) == (None, "bad/no-answer")
    scene.advance(scene.story.start_ms + round((4 + 50 / 60) * HOUR))
    assert seen(scene) == (0.02, "good/low")
    after = at(scene, 5.5)
    assert after["circulating"] == 0.0


def nitrogen_dip(scene: Scene) -> None:
    """Below 4 bar the valves are shut: no flow with the blower's bit set, pressure follows T."""
    starved = at(scene, 7.0)
    assert starved["circulating"] == 1.0
    assert starved["circulation_flow"] < 1.0
    assert starved["pressure"] < 1.0


def solvent(scene: Scene) -> None:
    """The hot cell shows less than there is, and no dose; the truth is another."""
    true = at(scene, 4.0)["oxygen"]
    value = seen(scene)[0]
    assert value is not None
    assert value < true - 0.1
    assert at(scene, 5.01)["oxygen"] > 20.0
    value = seen(scene)[0]
    assert value is not None
    assert value < 10.0


def negative_box(scene: Scene) -> None:
    """Under ambient until three, above it while the fill sticks, and back."""
    assert -5.5 < at(scene, 6.5)["pressure"] < -1.5
    assert at(scene, 7.2)["pressure"] > 0.0
    assert at(scene, 8.0)["pressure"] < -1.5


def cooling_leak(scene: Scene) -> None:
    """One gram an hour behind the bed is about 24 ppm at once."""
    water = at(scene, 7.0)["moisture"]
    assert water == pytest.approx(24.0 * scene.story.sizes["g_h"], rel=0.2)


def argon_box(scene: Scene) -> None:
    """0.1 L/h of air is 1 560 ppm of nitrogen a day, and nobody takes it out."""
    before = at(scene, 20.0)["nitrogen_in_argon"]
    gained = (at(scene, 22.0)["nitrogen_in_argon"] - before) * 12
    assert gained == pytest.approx(15_600 * scene.story.sizes["l_h"], rel=0.25)


@pytest.mark.parametrize(
    "mark",
    [
        circulator_trip, short_cycle, suction_leak, torn_glove, power_cut, nitrogen_dip, solvent,
        negative_box, cooling_leak, argon_box,
    ],
    ids=lambda mark: mark.__name__,
)  # fmt: skip
@pytest.mark.long
def test_a_story_leaves_its_mark(mark: Callable[[Scene], None]) -> None:
    """Common practice, no source, and sums by hand: each story's own figures are in its check."""
    mark(scene_of(mark.__name__.replace("_", "-"), seed=4))
