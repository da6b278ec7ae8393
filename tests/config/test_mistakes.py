# ruff: noqa: E501 - configs and tables read better one entry a line
"""Every mistake is told at once, with its place and what to write instead."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from dewline.errors import Problem

Changed = Callable[[str, str], list[Problem]]

TEN = """\
site: saltmarsh
staffed: 8-18
buses:
  line: {modbus_rtu: {port: /dev/null, baud: 19200, parity: no}}
  frost: {ascii: {port: /dev/null}}
instruments:
  trace: {bus: line, unit: 010, profile: trace-gas, timeout: 10 ms}
  meter: {bus: frots, profile: frost-stream}
boxes:
  heron:
    volume: 1.1 mbar
    titel: Cathode prep
    signals: {moisture: trace.h2o, oxygen: trace.o3}
rules:
  moisture-high: {signal: moisture, above: 5 ppm, below: 1 ppm}
"""
# line, column, key: counted by hand
PLACES = [
    (2, 10, "staffed"),
    (4, 61, "buses.line.modbus_rtu.parity"),
    (5, 25, "buses.frost.ascii.port"),
    (7, 28, "instruments.trace.unit"),
    (7, 62, "instruments.trace.timeout"),
    (8, 16, "instruments.meter.bus"),
    (11, 13, "boxes.heron.volume"),
    (12, 5, "boxes.heron.titel"),
    (13, 44, "boxes.heron.signals.oxygen"),
    (15, 58, "rules.moisture-high.below"),
]


def test_ten_mistakes_are_ten_lines(
    wrong: Callable[[str], list[Problem]], write: Callable[[str], Path]
) -> None:
    """Field errors, traps and cross-checks of one file come together, in its order."""
    problems = wrong(TEN)
    assert [(p.line, p.column, p.key) for p in problems] == PLACES
    assert all(p.problem and p.remedy for p in problems)


@pytest.mark.long
def test_check_says_them_and_ends_with_2(write: Callable[[str], Path]) -> None:
    """`dewline check` prints FILE:LINE:COLUMN: key: problem; remedy, and exits with 2."""
    path = write(TEN)
    command = [sys.executable, "-m", "dewline", "check", str(path)]
    plain = subprocess.run(command, capture_output=True, text=True, check=False)
    assert plain.returncode == 2
    assert plain.stderr == ""
    lines = [line for line in plain.stdout.splitlines() if line.startswith(f"{path}:")]
    assert [line.split(": ")[0] for line in lines] == [f"{path}:{n}:{c}" for n, c, _ in PLACES]
    assert all(": " in line and "; " in line for line in lines)
    machine = subprocess.run([*command, "--json"], capture_output=True, text=True, check=False)
    assert machine.returncode == 2
    document = json.loads(machine.stdout)
    keys = ("errors", "warnings", "polls", "supervised", "off", "paged", "held_back")
    assert set(document) == set(keys)
    assert [(e["line"], e["column"], e["key"]) for e in document["errors"]] == PLACES
    assert set(document["errors"][0]) == {"file", "line", "column", "key", "problem", "remedy"}


SEEDED = [
    # old, new, key, words of the problem or remedy
    ("site: saltmarsh", "site: Salt_Marsh", "site", "name"),
    ("  heron:\n", "  daemon:\n", "boxes.daemon", "reserved"),
    ("  heron:\n", "  heartbeat:\n", "boxes.heartbeat", "reserved"),
    ("  p1: {", "  heron: {}\n  p1: {", "purifiers.heron", "of that name"),
    ("purifier: p1", "purifier: p2", "boxes.heron.purifier", "no purifier"),
    ("supply: house", "supply: hause", "boxes.heron.supply", "did you mean house?"),
    ("{large: {", "{forming_gas: {", "boxes.heron.antechambers.forming_gas", "forming_gas_pressure"),
    ("{large: {", "{Large: {", "boxes.heron.antechambers.Large", "signal name"),
    ("large_inner_door: ", "lagre_inner_door: ", "boxes.heron.signals.lagre_inner_door", "antechamber"),
    ("profile: trace-gas", "profile: trace-gaz", "instruments.trace.profile", "trace-gas?"),
    ("bus: line", "bus: lime", "instruments.trace.bus", "did you mean line?"),
    ("unit: 11", "unit: 248", "instruments.trace.unit", "1 to 247"),
    ("trace.o2", "tracer.o2", "boxes.heron.signals.oxygen", "did you mean trace?"),
    ("trace.o2", "trace.h2", "boxes.heron.signals.oxygen", "did you mean h2o?"),
    ("trace.o2", "panel.box_pressure", "boxes.heron.signals.oxygen", "ppm"),
    ("panel.circulating", "trace.o2", "boxes.heron.signals.circulating", "a bit"),
    ("circulating: panel.circulating", "apart: moisture - pressure", "boxes.heron.signals.apart", "subtracts fraction and pressure"),
    ("circulating: panel.circulating", "apart: moisture -", "boxes.heron.signals.apart", "its end"),
    ("circulating: panel.circulating", "apart: moisture - oxigen", "boxes.heron.signals.apart", "did you mean oxygen?"),
    ("circulating: panel.circulating", "apart: moisture - hous.pressure", "boxes.heron.signals.apart", "hous has no pressure"),
    ("circulating: panel.circulating", "apart: moisture", "boxes.heron.signals.apart", "INSTRUMENT.REGISTER"),
    ("circulating: panel.circulating", "apart: 5 ppm - 2 ppm", "boxes.heron.signals.apart", "INSTRUMENT.REGISTER"),
    ("circulating: panel.circulating", "apart: {value: moisture - oxygen, unit: mbar}", "boxes.heron.signals.apart", "not pressure"),
    ("circulating: panel.circulating", "apart: {value: moisture - oxygen, units: ppm}", "boxes.heron.signals.apart", "no register and no expression"),
    ("circulating: panel.circulating", "frost_point: frost_point(moisture, 1 bar)", "boxes.heron.signals.frost_point", "a role is read from an instrument"),
    ("circulating: panel.circulating", "fill_duty: moisture / oxygen", "boxes.heron.signals.fill_duty", "derives itself"),
    ("circulating: panel.circulating", "apart: moisture - other\n      other: apart + oxygen", "boxes.heron.signals.apart", "heron.apart < heron.other < heron.apart"),
    ("circulating: panel.circulating", "apart: moisture - apart", "boxes.heron.signals.apart", "leads back to itself"),
    ("circulating: panel.circulating", "apart: frost_point(moisture, pressure)", "boxes.heron.signals.apart", "against the room"),
    ("{modbus_tcp: {host: 127.0.0.1, port: 5020}}", "{}", "buses.panel", "exactly one"),
    ("panel: {modbus_tcp", "panel: {ascii: {port: x}, modbus_tcp", "buses.panel", "exactly one"),
    ("bus: panel, profile: box-panel", "bus: panel, profile: frost-stream", "instruments.panel.profile", "speaks ascii"),
    ("unit: 11,", "unit: 11, timeout: 10 ms,", "instruments.trace.timeout", "19200 baud"),
    ("unit: 11,", "unit: eleven,", "instruments.trace.unit", "whole number"),
    ("unit: 11,", "unit: 11, every: 1,", "instruments.trace.every", "has no unit"),
    ("unit: 11,", "unit: 11, every: 1 ppm,", "instruments.trace.every", "is fraction, not time"),
    ("unit: 11,", "unit: 11, evry: 1 s,", "instruments.trace.evry", "did you mean `every`?"),
    ("volume: 62 L", "volume: 62 Lt", "boxes.heron.antechambers.large.volume", "60 L"),
    ("volume: 62 L", "cycles: 3", "boxes.heron.antechambers.large.volume", "is missing"),
    ("kind: house", "kind: hous", "services.house.kind", "write house"),
    ("signal: moisture, ", "", "rules.moisture-high", "no signal"),
    ("above: 5 ppm, ", "", "rules.moisture-high", "no condition"),
    ("above: 5 ppm", "above: 5 ppm, below: 1 ppm", "rules.moisture-high.below", "one condition"),
    ("above: 5 ppm", "above: 5 mbar", "rules.moisture-high.above", "pressure, not fraction"),
    ("above: 5 ppm", "above: 5", "rules.moisture-high.above", "no unit"),
    ("above: 5 ppm", "above: ceiling", "rules.moisture-high.above", "no signal of heron"),
    ("above: 5 ppm", "above: pressure", "rules.moisture-high.above", "in mbar"),
    ("above: 5 ppm", "outside: [5 ppm, 2 ppm]", "rules.moisture-high.outside", "reversed"),
    ("above: 5 ppm, deadband: 1 ppm", "outside: [1 ppm, 2 ppm], deadband: 0.5 ppm", "rules.moisture-high.deadband", "band"),
    ("deadband: 1 ppm", "deadband: 5 ppm", "rules.moisture-high.deadband", "limit"),
    ("deadband: 1 ppm", "deadband: -1 ppm", "rules.moisture-high.deadband", "negative"),
    ("above: 5 ppm, deadband: 1 ppm", "rising: 1 ppm", "rules.moisture-high.rising", "ppm/h"),
    ("above: 5 ppm, deadband: 1 ppm", "rising: -1 ppm/h", "rules.moisture-high.rising", "not positive"),
    ("above: 5 ppm, deadband: 1 ppm", "rising: 1 ppm/h, over: 10 s", "rules.moisture-high.over", "20 readings"),
    ("above: 5 ppm", "above: 5 ppm, over: 10 min", "rules.moisture-high.over", "means nothing"),
    ("above: 5 ppm", "above: 5 ppm, count: 3", "rules.moisture-high.count", "within"),
    ("above: 5 ppm, deadband: 1 ppm", "true_for: 1 s", "rules.moisture-high.true_for", "no 0/1"),
    ("above: 5 ppm, deadband: 1 ppm", "stale_after: 1 s", "rules.moisture-high.stale_after", "1000 ms"),
    ("above: 5 ppm, deadband: 1 ppm", "reaches: 5 ppm", "rules.moisture-high.reaches", "without `within`"),
    ("above: 5 ppm, deadband: 1 ppm", "reaches: 5 ppm, within: 10 min", "rules.moisture-high.within", "22 min or more"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: circulating, reaches: 1, within: 5 h", "rules.moisture-high.reaches", "0/1 signal"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: moisture_idle, reaches: 5 ppm, within: 5 h", "rules.moisture-high.reaches", "too seldom"),
    ("above: 5 ppm", "above: oxygen + 2 K", "rules.moisture-high.above", "temperature, not fraction"),
    ("above: 5 ppm", "above: ceiling + 2 ppm", "rules.moisture-high.above", "no signal of heron"),
    ("above: 5 ppm", "above: oxygen + 2", "rules.moisture-high.above", "no unit"),
    ("above: 5 ppm", "above: oxygen +2 ppm", "rules.moisture-high.above", "oxygen"),
    ("above: 5 ppm", "above: oxygen + 2 ppm else 5 mbar", "rules.moisture-high.above", "pressure, not fraction"),
    ("above: 5 ppm", "above: moisture + 1 ppm", "rules.moisture-high.above", "with itself"),
    ("above: 5 ppm, deadband: 1 ppm", "outside: [moisture, 5 ppm]", "rules.moisture-high.outside", "with itself"),
    ("priority: high", 'only_while: ["pressure above 3 mbar", "pressure below 2 mbar"]', "rules.moisture-high.only_while", "never so at once"),
    ("priority: high", 'only_while: "circulating above 1"', "rules.moisture-high.only_while", "never shows"),
    ("priority: high", 'only_while: "pressure below -60 mbar"', "rules.moisture-high.only_while", "never shows"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: circulating, above: 1", "rules.moisture-high.above", "never above 1"),
    ("above: 5 ppm", "below_own: 0.5", "rules.moisture-high.below_own", "without `of`"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: pressure, below_own: 0.5, of: idle-baseline", "rules.moisture-high.below_own", "of: best"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: circulating, below_own: 0.5, of: best", "rules.moisture-high.below_own", "no share"),
    ("priority: high", 'only_while: ["circulating above 0.5", "blowing above 0.5"]', "rules.moisture-high.only_while", "has no blowing"),
    ("priority: high", 'only_while: ["circulating above 0.5", circulating]', "rules.moisture-high.only_while", "above 0.5"),
    ("priority: high", 'only_while: ["circulating above 0.5", "moisture below 4 ppm"]', "rules.moisture-high.only_while", "never holds"),
    ("above: 5 ppm", "above: 3 %", "rules.moisture-high.above", "never above 30000 ppm"),
    ("above: 5 ppm, deadband: 1 ppm", "below: 0.05 ppm", "rules.moisture-high.below", "shown as 0.05 ppm"),
    ("above: 5 ppm, deadband: 1 ppm", "reaches: 4 %, within: 5 h", "rules.moisture-high.reaches", "never at"),
    ("signal: moisture, above: 5 ppm, deadband: 1 ppm", "signal: pressure, outside: [-8 mbar, 50 mbar]", "rules.moisture-high.outside", "never above 50 mbar"),
    ("deadband: 1 ppm", 'only_while: "moisture below 4 ppm"', "rules.moisture-high.only_while", "never holds"),
    ("deadband: 1 ppm", "count: 1802, within: 1 h", "rules.moisture-high.count", "too seldom"),
    ("above: 5 ppm", "above: 5 ppm, direction: falling", "rules.moisture-high.direction", "means nothing"),
    ("above: 5 ppm, deadband: 1 ppm", "above_own: 2.0", "rules.moisture-high.above_own", "without `of`"),
    ("signal: moisture", "signal: moistur", "rules.moisture-high.signal", "no box has moistur"),
    ("priority: high", "priority: urgent", "rules.moisture-high.priority", "critical"),
    ("priority: high", "priority: critical, suppress_while: {purging: 4 h}", "rules.moisture-high.suppress_while", "never suppressed"),
    ("priority: high", "suppress_while: {purgin: 4 h}", "rules.moisture-high.suppress_while.purgin", "purging"),
    ("priority: high", "under: [circulation-stoped]", "rules.moisture-high.under", "no rule above"),
    ("priority: high", "under: [moisture-high]", "rules.moisture-high.under", "no rule above"),
    ("priority: high", "only_while: circulating", "rules.moisture-high.only_while", "above 0.5"),
    ("priority: high", 'only_while: "blowing above 0.5"', "rules.moisture-high.only_while", "has no blowing"),
    ("rules:\n", "rule_sets: [inert-bx]\nrules:\n", "rule_sets[0]", "did you mean inert-box?"),
    ("rules:\n", "page: {bind: '0.0.0.0:8420'}\nrules:\n", "page.bind", "token_file"),
    ("rules:\n", "mqtt: {commands: everybody}\nrules:\n", "mqtt.commands", "trust-broker"),
    ("rules:\n", "mqtt: {prefix: 'a/#'}\nrules:\n", "mqtt.prefix", "prefix"),
    ("  egret:\n", "  egret:\n    contacts: [nobody]\n", "boxes.egret.contacts", "no contact"),
    ("  egret:\n", "  egret:\n    rules: {moistur-high: {above: 3 ppm}}\n", "boxes.egret.rules.moistur-high", "did you mean the rule `moisture-high`?"),
    ("  egret:\n", "  egret:\n    rules: {dry: {signal: oxygen, above: 3 ppm}}\n", "boxes.egret.rules.dry.signal", "egret has no oxygen"),
    ("  egret:\n", "  egret:\n    analyzers: {oxygen: {kind: zirconia}}\n", "boxes.egret.analyzers.oxygen", "no signal"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "words"), SEEDED)
def test_seeded_mistake_is_found_alone(
    changed: Changed, old: str, new: str, key: str, words: str
) -> None:
    """One mistake makes the problem that names it and says what to do, and no other."""
    problems = changed(old, new)
    told = [f"{p.key}: {p.problem}; {p.remedy}" for p in problems]
    mine = [p for p in problems if p.key == key and words in f"{p.problem}; {p.remedy}"]
    assert mine, told
    # Renaming an antechamber or a box takes what referred to it along.
    if not key.startswith("boxes.heron.antechambers") and not old.startswith("  heron"):
        assert {p.key for p in problems} == {key}, told


def test_rings_of_parents_are_refused(small: str, wrong: Callable[[str], list[Problem]]) -> None:
    """A rule may not be its own parent, however far round."""
    text = small + (
        "  a: {signal: moisture, above: 1 ppm, under: [b]}\n"
        "  b: {signal: moisture, above: 1 ppm, under: [c]}\n"
        "  c: {signal: moisture, above: 1 ppm, under: [a]}\n"
    )
    problems = wrong(text)
    assert any("leads back to itself" in p.problem for p in problems)
    assert all(p.key.startswith("rules.") for p in problems)


def test_two_buses_do_not_share_a_port(changed: Changed) -> None:
    """A serial port has one owner."""
    problems = changed(
        "  panel: {modbus_tcp: {", "  twin: {ascii: {port: /dev/null}}\n  panel: {modbus_tcp: {"
    )
    assert [p.key for p in problems] == ["buses.twin.ascii.port"]


def test_chains_of_contacts_end(small: str, wrong: Callable[[str], list[Problem]]) -> None:
    """An escalation that comes back to its start would page for ever."""
    text = small + (
        "push:\n  contacts:\n"
        "    day: {url_file: a, escalate_after: 5 min, then: night}\n"
        "    night: {url_file: b, escalate_after: 5 min, then: day}\n"
        "    lost: {url_file: c, then: day}\n"
    )
    found = {(p.key, p.problem) for p in wrong(text)}
    assert ("push.contacts.day.then", "leads back to itself") in found
    assert ("push.contacts.lost.then", "never comes") in found


@pytest.mark.long
def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing config is told like any other mistake."""
    run = subprocess.run(
        [sys.executable, "-m", "dewline", "check", str(tmp_path / "none.yaml")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 2
    assert "cannot be read" in run.stdout
