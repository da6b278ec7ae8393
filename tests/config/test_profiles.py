# ruff: noqa: E501 - configs and tables read better one entry a line
"""Profiles: what is built in decodes as written, and every mistake in one names its file."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.config import load
from dewline.config.nodes import SourceFile
from dewline.config.plan import RegisterPlan
from dewline.config.profiles import BUILTIN, find, names, read_profile
from dewline.config.rule_plans import RuleBookWriter
from dewline.config.rules import SignalIndex
from dewline.errors import ConfigError, Problem
from dewline.readings import Quality

HEAD = """\
site: saltmarsh
buses: {a: {modbus_tcp: {host: 127.0.0.1}}, s: {ascii: {port: /dev/null}}}
"""


def site(profile: str, signals: str, bus: str = "a") -> str:
    return (
        f"{HEAD}instruments: {{i: {{bus: {bus}, profile: {profile}}}}}\n"
        f"boxes: {{heron: {{signals: {{{signals}}}}}}}\n"
    )


@pytest.fixture(name="registers")
def registers_fixture(
    write: Callable[..., Path],
) -> Callable[..., dict[str, RegisterPlan]]:
    """The register plans of a profile text, mapped as the signals say."""

    def registers(body: str, signals: str) -> dict[str, RegisterPlan]:
        write(body, "profiles/mine.yaml")
        plan = load(write(site("mine", signals))).plan
        return {r.name: r for r in plan.instruments["i"].registers}

    return registers


@pytest.mark.parametrize("name", names("profiles"))
def test_every_built_in_profile_is_right(write: Callable[[str], Path], name: str) -> None:
    """Each shipped profile loads, and each register can be mapped under a name of one's own."""
    text = (BUILTIN / "profiles" / f"{name}.yaml").read_text(encoding="utf-8")
    found = re.findall(r"- \{name: (\w+)", text)
    bus = "s" if "\nstream:" in text or "\nask:" in text else "a"
    signals = ", ".join(f"my_{register}: i.{register}" for register in found)
    plan = load(write(site(name, signals, bus))).plan
    assert [r.name for r in plan.instruments["i"].registers] == found
    assert len(plan.watch.signals) > len(found)


def test_trace_gas_shows_every_way_of_decoding(write: Callable[[str], Path]) -> None:
    """Swapped words, scale, sentinels, loop, bits and a unit that is not canonical."""
    signals = "oxygen: i.o2, moisture: i.h2o, sample_flow: i.sample_flow, cell: i.cell_temperature, analyzer_on: i.analyzer_on"
    plan = load(write(site("trace-gas", signals))).plan
    r = {r.name: r for r in plan.instruments["i"].registers}
    assert (r["o2"].type, r["o2"].word_order, r["o2"].floor) == ("float32", "CDAB", 0.02)
    assert r["h2o"].sentinels[2147483647] is Quality.OVER_RANGE
    assert r["h2o"].sentinels[-2147483648] is Quality.INSTRUMENT_FAULT
    flow = r["sample_flow"]
    assert (flow.loop, flow.span, flow.canonical_unit) == ("4-20mA", (0.0, 1.0), "L/min")
    assert (flow.scale, flow.factor, flow.shift) == (0.001, 1.0, 0.0)
    # 212 degF is 100 degC, 32 degF is 0 degC: the fixed points of the scales
    cell = r["cell_temperature"]
    assert cell.canonical_unit == "degC"
    assert 212 * cell.factor + cell.shift == pytest.approx(100)
    assert 32 * cell.factor + cell.shift == pytest.approx(0, abs=1e-12)
    assert (r["analyzer_on"].type, r["analyzer_on"].bit) == ("bit", 0)


def test_units_become_those_of_the_role(
    registers: Callable[..., dict[str, RegisterPlan]],
) -> None:
    """A role in ppm, mbar or degC takes any unit of its dimension; ranges come along."""
    plans = registers(
        "registers:\n"
        "  - {name: a, table: input, address: 0, unit: ppb, valid: [0 ppb, 1000 ppb], floor: 10 ppb}\n"
        "  - {name: b, table: input, address: 1, unit: Pa, valid: [-5000 Pa, 50 mbar]}\n"
        "  - {name: c, table: input, address: 2, unit: K}\n",
        "oxygen: i.a, pressure: i.b, temperature: i.c",
    )
    assert plans["a"].factor == pytest.approx(1e-3)
    assert plans["a"].valid == pytest.approx((0.0, 1.0))
    assert plans["a"].floor == pytest.approx(0.01)
    assert plans["b"].factor == pytest.approx(0.01)
    assert plans["b"].valid == pytest.approx((-50.0, 50.0))
    assert plans["c"].factor == 1.0
    assert plans["c"].shift == pytest.approx(-273.15)


def test_one_register_feeds_several_boxes(small: str, write: Callable[[str], Path]) -> None:
    """One analyzer may watch two boxes; each gets its own signal."""
    plan = load(write(small)).plan
    assert plan.instruments["trace"].feeds["h2o"] == ("heron.moisture", "egret.moisture")


def test_a_site_profile_goes_before_a_built_in_one(
    registers: Callable[..., dict[str, RegisterPlan]], write: Callable[..., Path]
) -> None:
    """`profiles/NAME.yaml` beside the config is taken first."""
    own = "registers: [{name: o2, table: holding, address: 7, unit: ppm}]\n"
    write(own, "profiles/trace-gas.yaml")
    plan = load(write(site("trace-gas", "oxygen: i.o2"))).plan
    assert plan.instruments["i"].registers[0].address == 7


def test_the_built_in_profiles_look_like_no_manual() -> None:
    """A pattern to copy gives no hint of its own."""
    for name in names("profiles"):
        source = SourceFile("config", [], [])
        path = find(name, "profiles", Path())
        assert path is not None
        read_profile(path, source)
        assert source.warnings == []


@pytest.mark.parametrize(
    ("registers", "says"),
    [
        ("{name: x, table: holding, address: 40001}", ["write 0"]),
        ("{name: x, table: input, address: 30008}", ["write 7"]),
        ("{name: x, table: discrete, address: 10003, type: bit}", ["write 2"]),
        ("{name: x, table: holding, address: 30001}", []),
        ("{name: x, table: input, address: 0}, {name: y, table: input, address: 1}", []),
        ("{name: x, table: input, address: 1}, {name: y, table: input, address: 2}", ["one lower"]),
        ("{name: x, table: input, address: 1, type: float32, word_order: ABCD}", ["one lower"]),
        (
            "{name: x, table: input, address: 1},"
            " {name: y, table: input, address: 2, type: float32, word_order: ABCD}",
            [],
        ),
        ("{name: x, table: holding, address: 1}", []),
    ],
)
def test_addresses_that_look_like_a_manual_are_hinted_at(
    write: Callable[..., Path], registers: str, says: list[str]
) -> None:
    """Counted from 1, or with the table in the first digit: asked about, and not refused."""
    source = SourceFile("config", [], [])
    read_profile(write(f"title: mine\nregisters: [{registers}]\n", "profiles/mine.yaml"), source)
    assert source.problems == []
    assert len(source.warnings) == len(says)
    for warning, words in zip(source.warnings, says, strict=True):
        assert words in warning.remedy
        assert warning.key == "registers[0].address"


REGISTER = "{name: x, table: input, address: 0, type: uint16, unit: ppm}"
WRONG = [
    ("type: uint16", "type: float32", "registers[0].word_order", "ABCD"),
    ("type: uint16", "type: float64", "registers[0].word_order", "ABCD"),
    ("type: uint16", "type: uint16, word_order: ABCD", "registers[0].word_order", "nothing"),
    ("type: uint16", "type: int61", "registers[0].type", "int16"),
    ("address: 0", "address: 40001.0", "registers[0].address", "whole number"),
    ("address: 0", "address: 65536", "registers[0].address", "at most 65535"),
    ("address: 0", "address: 300008", "registers[0].address", "write 7: addresses count from 0"),
    ("address: 0, ", "", "registers[0].address", "missing"),
    ("table: input, ", "", "registers[0].table", "missing"),
    ("table: input", "table: inputs", "registers[0].table", "input"),
    ("unit: ppm", "unit: ppn", "registers[0].unit", "no unit"),
    ("unit: ppm", "unit: ppm, valid: [5 ppm, 1 ppm]", "registers[0].valid", "reversed"),
    ("unit: ppm", "unit: ppm, valid: [1 mbar, 2 mbar]", "registers[0].valid", "pressure"),
    ("unit: ppm", "unit: ppm, valid: [1 ppm]", "registers[0].valid", "2 items"),
    ("unit: ppm", "unit: ppm, floor: 1 mbar", "registers[0].floor", "pressure"),
    ("unit: ppm", "unit: ppm, floor: 0.1", "registers[0].floor", "0.1 has no unit; write 0.1 ppm"),
    ("unit: ppm", "unit: ppm, valid: [0, 1 ppm]", "registers[0].valid", "0 has no unit"),
    ("unit: ppm", "unit: ppm, bit: 3", "registers[0].bit", "nothing"),
    ("unit: ppm", "unit: ppm, scale: 0", "registers[0].scale", "same"),
    ("unit: ppm", "unit: ppm, sentinels: {65536: instrument-fault}", "registers[0].sentinels", "0 to 65535"),
    ("unit: ppm", "unit: ppm, sentinels: {x: over-range}", "registers[0].sentinels", "whole number"),
    ("unit: ppm", "unit: ppm, sentinels: {3: xyz}", "registers[0].sentinels", "loop-fault"),
    ("unit: ppm", "unit: ppm, sentinels: {3: over-range}", "registers[0].sentinels", "add valid"),
    ("unit: ppm", "unit: ppm, span: [0 ppm, 1 ppm]", "registers[0].span", "loop"),
    ("unit: ppm", "loop: 4-20mA", "registers[0].span", "missing"),
    ("unit: ppm", "unit: ppm, unitt: x", "registers[0].unitt", "did you mean `unit`?"),
    ("table: input", "table: coil", "registers[0].type", "type: bit"),
    ("type: uint16, unit: ppm", "type: bit", "registers[0].bit", "0 to 15"),
    ("type: uint16", "type: bit, bit: 1", "registers[0].unit", "no unit"),
    ("name: x", "name: X", "registers[0].name", "signal name"),
    ("name: x, ", "", "registers[0].name", "missing"),
    (REGISTER, f"{REGISTER}, {REGISTER}", "registers[1].name", "there already"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "words"), WRONG)
def test_a_mistake_in_a_profile_names_its_file(
    write: Callable[..., Path],
    wrong: Callable[[str], list[Problem]],
    old: str,
    new: str,
    key: str,
    words: str,
) -> None:
    """A wrong register is told with the profile's own file and line."""
    body = f"title: mine\nregisters: [{REGISTER}]\n".replace(old, new, 1)
    file = write(body, "profiles/mine.yaml")
    problems = wrong(site("mine", ""))
    assert [(p.file, p.line) for p in problems] == [(str(file), 2)]
    assert problems[0].key.startswith(key)
    assert words in f"{problems[0].problem}; {problems[0].remedy}"


LINES = [
    ("stream: {pattern: 'x (?P<x>\\d+)'}", "registers: [{name: y, unit: ppm}]", {"stream.pattern", "registers[0].name"}),
    ("stream: {pattern: 'x (\\d+)'}", "registers: [{name: x}]", {"stream.pattern"}),
    ("stream: {pattern: '('}", "registers: [{name: x}]", {"stream.pattern"}),
    ("ask: {pattern: '(?P<x>a)'}", "registers: [{name: x}]", {"ask.send"}),
    ("stream: {pattern: '(?P<x>a)'}", "registers: [{name: x, address: 3}]", {"registers[0].address"}),
    ("stream: {pattern: '(?P<x>a)'}", "ask: {send: a, pattern: '(?P<x>a)'}\nregisters: [{name: x}]", {"ask"}),
    ("title: none", "registers: []", {"registers"}),
]  # fmt: skip


@pytest.mark.parametrize(("first", "rest", "keys"), LINES)
def test_mistakes_in_line_profiles(
    write: Callable[..., Path],
    wrong: Callable[[str], list[Problem]],
    first: str,
    rest: str,
    keys: set[str],
) -> None:
    """A line profile needs a pattern that compiles and whose groups are its registers."""
    file = write(f"{first}\n{rest}\n", "profiles/mine.yaml")
    problems = [p for p in wrong(site("mine", "", "s")) if p.file == str(file)]
    assert {p.key for p in problems} == keys


@pytest.mark.parametrize(
    ("reference", "barometer", "right"),
    [("absolute", False, False), ("absolute", True, True), ("gauge", False, True)],
)
def test_a_pressure_of_the_wrong_zero_needs_the_barometer(
    write: Callable[..., Path], reference: str, barometer: bool, right: bool
) -> None:
    """A box's pressure is gauge: from an absolute register it takes a barometer to tell it."""
    write(
        "registers:\n"
        f"  - {{name: p, table: input, address: 0, unit: mbar, reference: {reference}}}\n"
        "  - {name: b, table: input, address: 1, unit: hPa, reference: absolute}\n",
        "profiles/mine.yaml",
    )
    path = write(site("mine", "pressure: i.p" + (", barometer: i.b" if barometer else "")))
    if right:
        assert load(path).plan.watch.signals["heron.pressure"].reference == reference
    else:
        with pytest.raises(ConfigError, match="barometer"):
            load(path)


def test_an_empty_ground_turns_every_rule_off() -> None:
    """Without layers there is nothing to expand."""
    index = SignalIndex({}, {}, (), (), (), {})
    assert RuleBookWriter([], {}, index, {}, {}).write().plans == {}
