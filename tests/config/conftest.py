"""A small config that is right, and ways to write it down changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.loader import Loaded
from dewline.errors import ConfigError, Problem

SMALL = """\
site: saltmarsh
buses:
  line: {modbus_rtu: {port: /dev/null, baud: 19200}}
  panel: {modbus_tcp: {host: 127.0.0.1, port: 5020}}
instruments:
  trace: {bus: line, unit: 11, profile: trace-gas}
  panel: {bus: panel, profile: box-panel}
services:
  house: {kind: house, signals: {pressure: panel.supply}}
purifiers:
  p1: {beds: 1}
boxes:
  heron:
    purifier: p1
    supply: house
    antechambers: {large: {volume: 62 L}}
    signals:
      oxygen: trace.o2
      moisture: trace.h2o
      pressure: panel.box_pressure
      circulating: panel.circulating
      large_inner_door: panel.large_inner_door
      large_outer_door: panel.large_outer_door
  egret:
    signals: {moisture: trace.h2o}
rules:
  moisture-high: {signal: moisture, above: 5 ppm, deadband: 1 ppm, on_delay: 2 min, priority: high}
"""


@pytest.fixture(name="small")
def small_fixture() -> str:
    return SMALL


@pytest.fixture(name="write")
def write_fixture(tmp_path: Path) -> Callable[[str], Path]:
    """Write a config and give its path."""

    def write(text: str, name: str = "dewline.yaml") -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    return write


@pytest.fixture(name="loaded")
def loaded_fixture(write: Callable[[str], Path]) -> Callable[[str], Loaded]:
    """Load a text that must be right."""
    return lambda text: load(write(text))


@pytest.fixture(name="wrong")
def wrong_fixture(write: Callable[[str], Path]) -> Callable[[str], list[Problem]]:
    """All problems of a text that must be wrong."""

    def wrong(text: str) -> list[Problem]:
        with pytest.raises(ConfigError) as caught:
            load(write(text))
        return list(caught.value.problems)

    return wrong


@pytest.fixture(name="changed")
def changed_fixture(
    small: str, wrong: Callable[[str], list[Problem]]
) -> Callable[[str, str], list[Problem]]:
    """The problems of the small config with one piece of text replaced by another."""

    def changed(old: str, new: str) -> list[Problem]:
        assert small.count(old) >= 1, f"{old!r} is not in the config"
        return wrong(small.replace(old, new, 1))

    return changed
