"""Shared by the tests of the simulated lab: a lab that stands still, and mbpoll as a client."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path

import pytest

from dewline_sim.scenario import Scene
from dewline_sim.server import Endpoints, Served
from dewline_sim.story import Story, tell
from tests.sim.mbpoll import Mbpoll

STILL = {
    "oxygen": 0.75, "moisture": 1.25, "pressure": 3.21, "temperature": 23.4, "barometer": 1009.0,
    "pressure_low": 2.0, "pressure_high": 4.0, "fill_valve": 1.0, "relief_valve": 0.0,
    "purging": 0.0, "circulating": 1.0, "regenerating": 0.0, "circulation_flow": 57.5,
    "blower_speed": 88.8, "bed_in_loop": 1.0, "bed_temperature": 31.2, "regeneration_step": 0.0,
    "outlet_oxygen": 0.11, "outlet_moisture": 0.22, "forming_gas_pressure": 42.0,
    "forming_gas_flow": 0.0, "cooling_water_temperature": 15.5, "cooling_water_flow": 4.25,
    "filter_differential": 2.5, "freezer_temperature": -34.6, "freezer_setpoint": -35.0,
    "freezer_compressor": 1.0, "freezer_door": 0.0, "large_pressure": 612.5,
    "small_pressure": 88.75, "large_evacuating": 1.0, "large_refilling": 0.0,
    "small_evacuating": 0.0, "small_refilling": 0.0, "large_outer_door": 0.0,
    "large_inner_door": 0.0, "small_outer_door": 1.0, "small_inner_door": 0.0,
    "vacuum_pump_on": 1.0, "foreline_pressure": 0.5, "solvent_vapour": 12.0,
    "room_oxygen": 20.93, "room_temperature": 22.5, "room_humidity": 48.0, "mains_present": 1.0,
}  # fmt: skip

SETUP: dict[str, object] = {
    "site": "saltmarsh",
    "lab": {},
    "buses": {
        "panel": {"kind": "tcp"},
        "analyzers": {"kind": "rtu", "baud": 19_200},
        "frost": {"kind": "ascii", "baud": 9600},
    },
    "instruments": {
        "heron-panel": {
            "bus": "panel",
            "unit": 1,
            "profile": "box-panel",
            "place": "heron",
            "wiring": {"supply": "house-nitrogen.pressure"},
        },
        "egret-panel": {"bus": "panel", "unit": 2, "profile": "box-panel", "place": "egret"},
        "room-air": {"bus": "panel", "unit": 9, "profile": "room-air", "place": "site"},
        "heron-trace": {
            "bus": "analyzers", "unit": 11, "profile": "trace-gas", "place": "heron",
            "own": {"serial_number": 110_041},
        },
        "egret-trace": {"bus": "analyzers", "unit": 12, "profile": "trace-gas", "place": "egret"},
        "heron-frost": {"bus": "frost", "profile": "frost-stream", "place": "heron"},
    },
    "boxes": {
        "heron": {
            "signals": {
                "oxygen": "heron-trace.o2",
                "moisture": "heron-trace.h2o",
                "frost_point": "heron-frost.frost_point",
                "pressure": "heron-panel.box_pressure",
                "circulation_flow": "heron-panel.circulation_flow",
            }
        },
        "egret": {"signals": {"oxygen": "egret-trace.o2", "pressure": "egret-panel.box_pressure"}},
    },
}  # fmt: skip


class StillLab:
    """A lab in which nothing moves, so that any change on the wire is the wire's doing."""

    def __init__(self) -> None:
        self.truths: dict[str, float] = dict(STILL)
        self.done: list[tuple[str, str, dict[str, object]]] = []

    def advance(self, to_ms: int) -> None:
        """Nothing moves."""

    def truth(self, place: str) -> Mapping[str, float]:
        """The same at every place but the gas supply."""
        return {"pressure": 6.0, "level": 0.0} if place == "house-nitrogen" else self.truths

    def act(self, name: str, place: str, **params: object) -> None:
        """Note it in ``done``; nothing moves."""
        self.done.append((name, place, params))

    def acts(self) -> Mapping[str, str]:
        """None."""
        return {}


@pytest.fixture
def truths() -> dict[str, float]:
    """What is true everywhere in a still lab."""
    return dict(STILL)


@pytest.fixture
def still_story() -> Callable[..., Story]:
    """Makes a story in a still lab, with a timeline of one's own."""

    def make(timeline: tuple[dict[str, object], ...] = (), seed: int = 1) -> Story:
        document = {
            "lab": SETUP,
            "start": "2026-03-02T20:00:00Z",
            "hours": 1,
            "timeline": list(timeline),
        }
        return tell(document, "still", seed)

    return make


@pytest.fixture
def still_scene(still_story: Callable[..., Story]) -> Callable[..., Scene]:
    """Makes a scene of a still lab."""

    def make(timeline: tuple[dict[str, object], ...] = (), seed: int = 1) -> Scene:
        return Scene(still_story(timeline, seed), StillLab())

    return make


@pytest.fixture
async def served(still_scene: Callable[..., Scene], tmp_path: Path) -> AsyncIterator[Served]:
    """A still lab on a free TCP port and two ptys, unpaced."""
    endpoints = Endpoints(rtu=tmp_path / "line", ascii=tmp_path / "frost")
    async with Served(still_scene(), endpoints) as lab:
        yield lab


@pytest.fixture
def mbpoll() -> Mbpoll:
    """The client; Debian's package mbpoll brings it."""
    program = shutil.which("mbpoll")
    assert program, "install Debian's mbpoll: apt-get install mbpoll"
    return Mbpoll(program)
