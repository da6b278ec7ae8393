"""The built-in limits of freezer, pressure and cooling follow the setpoints that a box shows."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.config import load
from tests.watch.conftest import Bench

SITE = """\
site: saltmarsh
rule_sets: [inert-box]
buses: {a: {modbus_tcp: {host: 127.0.0.1}}}
instruments:
  panel: {bus: a, profile: box-panel}
  chiller: {bus: a, profile: chiller}
boxes:
  heron:
    signals:
      circulating: panel.circulating
      freezer_temperature: panel.freezer_temperature
      pressure: panel.box_pressure
      cooling_water_temperature: panel.cooling_water_temperature
      cooling_water_flow: panel.cooling_water_flow
"""
SETPOINTS = """\
      freezer_setpoint: panel.freezer_setpoint
      pressure_low: panel.pressure_low
      pressure_high: panel.pressure_high
      cooling_water_setpoint: chiller.setpoint
"""
CHILLER = "registers: [{name: setpoint, table: holding, address: 0, type: int16, unit: degC}]\n"
Box = Callable[..., Bench]


@pytest.fixture
def box(tmp_path: Path) -> Box:
    """A bench by the built-in rules, with or without setpoints."""

    def build(*, setpoints: bool) -> Bench:
        (tmp_path / "profiles").mkdir(exist_ok=True)
        (tmp_path / "profiles" / "chiller.yaml").write_text(CHILLER)
        path = tmp_path / "saltmarsh.yaml"
        path.write_text(SITE + (SETPOINTS if setpoints else ""))
        return Bench(load(path).plan.watch)

    return build


def raised(b: Bench) -> list[str]:
    """The rules that have raised, in order; what is not fed here is silent, which is no matter."""
    told = [e.alarm.partition(".")[2] for e in b.events if e.transition == "raised"]
    return [rule for rule in told if not rule.endswith("-stale")]


def hold(b: Bench, minutes: int, **values: float) -> None:
    """Readings that stay and are never quite still, every ten seconds for so long."""
    start = int(b.now_s) + 10
    for second in range(start, start + minutes * 60, 10):
        wobble = 0.01 * (second // 10 % 2)
        b.at(second, **{role: value + wobble for role, value in values.items()})


@pytest.mark.parametrize(
    ("role", "setpoint", "good", "bad", "rule"),
    [
        ("freezer_temperature", {"freezer_setpoint": -80.0}, -73.0, -71.0, "freezer-warm"),
        ("freezer_temperature", {"freezer_setpoint": -20.0}, -13.0, -11.0, "freezer-warm"),
        ("pressure", {"pressure_low": 3.0, "pressure_high": 5.0}, 1.2, 0.8, "pressure-low"),
        ("pressure", {"pressure_low": 1.0, "pressure_high": 3.0}, 4.8, 5.2, "pressure-high"),
        ("cooling_water_temperature", {"cooling_water_setpoint": 12.0}, 17.0, 19.0, "cooling-warm"),
    ],
)
def test_the_limit_lies_as_far_from_the_setpoint_of_the_box(
    box: Box, role: str, setpoint: dict[str, float], good: float, bad: float, rule: str
) -> None:
    """Where the fixed limit would have been silent, or told what is meant to be so."""
    b = box(setpoints=True)
    hold(b, 40, **{role: good}, **setpoint)
    assert raised(b) == []
    hold(b, 40, **{role: bad}, **setpoint)
    assert raised(b)[0] == rule


@pytest.mark.parametrize("setpoints", [True, False])
@pytest.mark.parametrize(
    ("role", "good", "bad", "rule"),
    [
        ("freezer_temperature", -26.0, -24.0, "freezer-warm"),
        ("pressure", -0.8, -1.2, "pressure-low"),
        ("pressure", 7.8, 8.2, "pressure-high"),
        ("cooling_water_temperature", 27.0, 29.0, "cooling-warm"),
    ],
)
def test_the_fixed_limit_counts_where_no_setpoint_is_mapped_or_read(
    box: Box, role: str, good: float, bad: float, rule: str, setpoints: bool
) -> None:
    """A setpoint that does not answer takes no alarm away."""
    b = box(setpoints=setpoints)
    hold(b, 40, **{role: good})
    assert raised(b) == []
    hold(b, 40, **{role: bad})
    assert raised(b)[0] == rule


@pytest.mark.long
def test_a_setpoint_that_a_slip_has_raised_is_told(box: Box) -> None:
    """The limits follow it, so the freezer warms unseen; the setpoint itself is the alarm."""
    b = box(setpoints=True)
    hold(b, 40, freezer_temperature=-35.0, freezer_setpoint=-35.0)
    hold(b, 40, freezer_temperature=-6.0, freezer_setpoint=-5.0)
    assert raised(b) == ["freezer-set-high"]


def test_half_of_the_best_cooling_flow_is_told_above_the_fixed_limit(box: Box) -> None:
    """4 L/min, then 1.9: still above 1.5 L/min, and half the cooling is gone."""
    b = box(setpoints=False)
    hold(b, 120, cooling_water_flow=4.0, circulating=0.99)
    assert raised(b) == []
    hold(b, 20, cooling_water_flow=1.9, circulating=0.99)
    assert raised(b) == ["cooling-halved"]
