"""The simulator's register maps against the daemon's profiles: written apart, they must agree.

What the one puts into its words the other must take out of them: the same
number and the same quality word, for every register, in every state.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.plan import Plan, RegisterPlan
from dewline.readings import Reading
from dewline_sim.command import scene_of
from dewline_sim.config import write_config
from dewline_sim.instruments.instrument import Instrument
from dewline_sim.modbus import Words
from dewline_sim.scenario import Scene
from tests.bus.one_register import decode_register

MODBUS = ("heron-panel", "heron-trace", "room-air")


@pytest.fixture
def scene() -> Scene:
    """A minute of an ordinary day."""
    told = scene_of("ordinary", seed=2)
    told.advance(told.now_ms + 60_000)
    return told


@pytest.fixture
def plan(scene: Scene, tmp_path: Path) -> Plan:
    """The daemon's reading of the config that the simulator writes."""
    where = {"panel": {"host": "127.0.0.1", "port": 1}}
    where |= {bus: {"port": f"/dev/{bus}"} for bus in ("analyzers", "frost")}
    file = write_config(tmp_path, scene.story, where)
    return load(file).plan


def decoded(register: RegisterPlan, words: Words) -> Reading:
    """What the daemon makes of the simulator's words."""
    table = words[register.table]
    return decode_register(register, [table[register.address + i] for i in range(register.words)])


def agree(instrument: Instrument, registers: tuple[RegisterPlan, ...]) -> int:
    """Compare every register; how many were."""
    words = instrument.words()
    for register in registers:
        value, quality = instrument.shown(register.name)
        reading = decoded(register, words)
        where = f"{instrument.name}.{register.name}: {reading} against {value} {quality}"
        assert reading.quality.text == quality, where
        assert (reading.value is None) == (value is None), where
        if value is not None:
            assert reading.value == pytest.approx(value, rel=2e-5, abs=1e-9), where
    return len(registers)


@pytest.mark.parametrize("name", MODBUS)
def test_ordinary_values_agree(scene: Scene, plan: Plan, name: str) -> None:
    """Every register of the map stands in the profile at the same place and means the same."""
    instrument, registers = scene.instruments[name], plan.instruments[name].registers
    assert {r.name for r in registers} == set(instrument.channels)
    assert agree(instrument, registers) > 4


@pytest.mark.long
@pytest.mark.parametrize("name", MODBUS)
def test_values_all_over_their_range_agree(scene: Scene, plan: Plan, name: str) -> None:
    """Whatever plain value stands in a channel, within what the profile calls valid."""
    instrument, chance = scene.instruments[name], random.Random(7)
    instrument.act("freeze", {})
    for _ in range(200):
        for register in plan.instruments[name].registers:
            low, high = register.valid or register.span or (0.0, 1.0)
            value = chance.choice((low, high, chance.uniform(low, high), 0.0, 0.02))
            instrument.channels[register.name].value = min(high, max(low, value))
        instrument._cached = None
        agree(instrument, plan.instruments[name].registers)


@pytest.mark.long
@pytest.mark.parametrize("change", [{"failed": True}, {"high": -1e9}, {"low": 1e9}])
@pytest.mark.parametrize("name", MODBUS)
def test_states_agree(scene: Scene, plan: Plan, name: str, change: dict[str, float]) -> None:
    """Failed, over-range and under-range, wherever the register has a word or current for it."""
    instrument, compared = scene.instruments[name], 0
    for register in plan.instruments[name].registers:
        channel = instrument.channels[register.name]
        if channel.sensor is not None and (channel.register.codes or channel.register.loop):
            instrument.act("set", {"register": register.name, **change})
    scene.advance(scene.now_ms + 2_000)
    for register in plan.instruments[name].registers:
        channel = instrument.channel(register.name)
        if channel.state in channel.register.codes or channel.register.loop:
            compared += agree(instrument, (register,))
    assert compared or name == "room-air" or "low" in change


def test_warming_up_agrees(scene: Scene, plan: Plan) -> None:
    """After a restart: a block of zeros, then the moisture channel's own code."""
    instrument, registers = scene.instruments["heron-trace"], plan.instruments["heron-trace"]
    instrument.act("power", {"on": False})
    instrument.act("power", {"on": True})
    for _ in range(5):
        scene.advance(scene.now_ms + 1_000)
        agree(instrument, registers.registers)
    assert instrument.shown("h2o")[1] == "uncertain/warming-up"
