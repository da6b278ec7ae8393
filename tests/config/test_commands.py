"""`check`, `schema`, `rules` and `profiles` as a person or a script calls them."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.bus.plan import plan_reads
from dewline.cli import main
from dewline.config import load
from dewline.config.wire import wire_time_ms

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(name="run")
def run_fixture(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command; gives exit status, stdout and stderr."""

    def run(*words: str) -> tuple[int, str, str]:
        status = main(list(words))
        out, err = capsys.readouterr()
        return (status, out, err)

    return run


@pytest.fixture(name="document")
def document_fixture(run: Run, write: Callable[[str], Path], small: str) -> dict[str, Any]:
    status, out, _ = run("check", str(write("rule_sets: [inert-box]\n" + small)), "--json")
    assert status == 0
    document: dict[str, Any] = json.loads(out)
    return document


def test_check_document(document: dict[str, Any]) -> None:
    """The machine form has these keys and no other."""
    own = {"errors", "warnings", "polls", "supervised", "off"}
    assert set(document) == own | {"paged", "held_back"}
    assert document["errors"] == []


def test_check_tells_what_is_watched(document: dict[str, Any]) -> None:
    """Every signal is either watched, with its alarms, or listed as not."""
    watched = {row["signal"]: row["alarms"] for row in document["supervised"]}
    assert "heron.oxygen-high" in watched["heron.oxygen"]
    assert "house.supply-low" in watched["house.pressure"]
    assert all(watched.values())
    unwatched = [row for row in document["off"] if row["rule"] is None]
    # the outer door only says when the inner one matters: nobody would notice if it went quiet
    assert [row["signal"] for row in unwatched] == ["heron.large_outer_door"]
    assert {"rule", "place", "why", "signal"} == set(document["off"][0])


def test_check_tells_the_reads(
    document: dict[str, Any], write: Callable[[str], Path], small: str
) -> None:
    """The reads told are those the bus makes, with the wire time of the published formula."""
    plan = load(write(small)).plan
    line = next(row for row in document["polls"] if row["bus"] == "line")
    [trace] = line["instruments"]
    blocks = plan_reads(plan.instruments["trace"])
    assert [(b["table"], b["address"], b["count"]) for b in trace["blocks"]] == [
        (b.table, b.address, b.count) for b in blocks
    ]
    assert line["wire_ms"] == pytest.approx(
        sum(wire_time_ms(19200, b.count) for b in blocks), abs=1e-3
    )
    assert line["cycle_ms"] == 1000
    assert line["busy"] == pytest.approx(line["wire_ms"] / 1000, abs=1e-4)


def test_check_counts_from_one_beside_zero(document: dict[str, Any]) -> None:
    """Beside each zero-based address stands the number a manual prints (common practice)."""
    rows = [
        row
        for bus in document["polls"]
        for instrument in bus["instruments"]
        for row in (
            *instrument["feeding_nothing"],
            *(r for block in instrument["blocks"] for r in block["registers"]),
        )
    ]
    printed = {row["register"]: (row["address"], row["reference"]) for row in rows}
    assert printed["o2"] == (0, "30001")
    assert printed["box_pressure"] == (0, "40001")
    assert printed["purging"] == (1, "00002")
    assert printed["large_inner_door"] == (1, "10002")
    assert printed["serial_number"] == (100, "40101")


def test_check_lists_registers_that_feed_nothing(document: dict[str, Any]) -> None:
    """A register that feeds no signal is listed, with whether its block brings it anyway."""
    panel = next(row for row in document["polls"] if row["bus"] == "panel")["instruments"][0]
    read = {row["register"]: row["read"] for row in panel["feeding_nothing"]}
    assert "box_pressure" not in read
    assert read["bed_temperature"] is False
    coils = next(b for b in panel["blocks"] if b["table"] == "discrete")
    assert coils["count"] == 2


def test_check_warns_of_a_bus_that_is_too_slow(
    run: Run, write: Callable[[str], Path], small: str
) -> None:
    """A line whose reads cannot fit into their cycle is told before the night."""
    text = small.replace("unit: 11,", "unit: 11, every: 20 ms,")
    status, out, _ = run("check", str(write(text)), "--json")
    assert status == 0
    assert [w["key"] for w in json.loads(out)["warnings"]] == ["buses.line"]


def test_check_for_a_person(run: Run, write: Callable[[str], Path], small: str) -> None:
    """Words go to stdout: effective rules with their layers, reads, what is watched."""
    egret = "  egret:\n    rules: {moisture-high: {above: 3 ppm}}\n"
    text = "rule_sets: [inert-box]\n" + small.replace("  egret:\n", egret)
    status, out, err = run("check", str(write(text)))
    assert (status, err) == (0, "")
    assert "above: 3 ppm  [boxes.egret.rules]" in out
    assert "above: 5 ppm  [rules]" in out
    assert "no errors" in out
    assert "freezer-warm: heron has no freezer_temperature" in out


def test_check_ends_with_its_warnings(run: Run, write: Callable[[str], Path], small: str) -> None:
    """One line among hundreds is not read: the count and the warnings stand at the end again."""
    text = "rule_sets: [inert-box]\n" + small + "push: {contacts: {desk: {url_file: desk.url}}}\n"
    status, out, _ = run("check", str(write(text)))
    assert status == 0
    _, _, end = out.partition("no errors; plan ")
    count = int(re.findall(r"^(\d+) warnings?$", end, re.M)[0])
    assert end.count("warning: ") == count
    assert "push.contacts.desk.url_file" in end
    assert out.count("push.contacts.desk.url_file") == 2


def test_a_secret_that_only_root_may_look_at_is_not_said_to_be_missing(
    run: Run, write: Callable[[str], Path], small: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In an installation `secrets` is closed to others: what they cannot see they do not say."""
    looked = Path.stat

    def stat(path: Path, *, follow_symlinks: bool = True) -> os.stat_result:
        if path.parent.name == "secrets":
            raise PermissionError(13, "Permission denied", str(path))
        return looked(path, follow_symlinks=follow_symlinks)

    path = str(write(small + "push: {contacts: {desk: {url_file: desk.url}}}\n"))
    assert "is not there" in run("check", path)[1]
    monkeypatch.setattr(Path, "stat", stat)
    assert "is not there" not in run("check", path)[1]


@pytest.mark.long
def test_a_signal_named_almost_like_a_role_is_found_trouble(
    run: Run, write: Callable[[str], Path], small: str
) -> None:
    """A misspelt role is watched by no built-in rule: exit status 1, for scripts as for people."""
    text = small.replace("oxygen: trace.o2", "west_outer_door: panel.large_outer_door", 1)
    assert run("check", str(write(text)))[0] == 1
    path = str(write("rule_sets: [inert-box]\n" + small.replace("oxygen: ", "oxigen: ", 1)))
    status, out, _ = run("check", path)
    assert status == 1
    assert "1 of them grave" in out
    assert "GRAVE warning" in out.splitlines()[-1]
    status, out, _ = run("check", path, "--json")
    assert status == 1
    assert [w["key"] for w in json.loads(out)["warnings"] if w["grave"]] == [
        "boxes.heron.signals.oxigen"
    ]


def test_a_second_analyzer_may_be_named_after_the_first(
    run: Run, write: Callable[[str], Path], small: str
) -> None:
    """`oxygen_2` is no slip: a warning says that no built-in rule sees it, and that is all."""
    text = small.replace("oxygen: trace.o2", "oxygen: trace.o2\n      oxygen_2: trace.o2", 1)
    status, out, _ = run("check", str(write(text)), "--json")
    assert status == 0
    assert ("boxes.heron.signals.oxygen_2", False) in [
        (w["key"], w["grave"]) for w in json.loads(out)["warnings"]
    ]


def test_schema_knows_every_key_of_the_example(run: Run) -> None:
    """The JSON Schema names every section that the example writes, and allows no other."""
    status, out, _ = run("schema")
    assert status == 0
    schema = json.loads(out)
    example = Path(__file__).resolve().parents[2] / "config" / "example.yaml"
    assert set(yaml.safe_load(example.read_text("utf-8"))) <= set(schema["properties"])
    assert schema["additionalProperties"] is False
    assert set(schema["required"]) == {"site", "boxes"}
    assert {"suppress_while", "when_over"} <= set(schema["$defs"]["RuleSpec"]["properties"])


@pytest.mark.parametrize("kind", ["profile", "rules"])
def test_other_schemas(run: Run, kind: str) -> None:
    """Profiles and rule sets have schemas of their own."""
    status, out, _ = run("schema", kind)
    assert status == 0
    assert json.loads(out)["additionalProperties"] is False


@pytest.mark.parametrize(
    ("command", "name", "part"),
    [("rules", "inert-box", "rules"), ("profiles", "box-panel", "registers")],
)
def test_what_is_built_in_is_listed_and_printed(
    run: Run, command: str, name: str, part: str
) -> None:
    """Without a name a list; with one the file as it is, fit to be copied; both as JSON too."""
    status, out, _ = run(command, "--json")
    rows = {row["name"]: row for row in json.loads(out)}
    assert status == 0
    assert rows[name][part] > 10
    status, text, _ = run(command, name)
    assert status == 0
    status, out, _ = run(command, name, "--json")
    assert json.loads(out)[part] == json.loads(json.dumps(yaml.safe_load(text)[part]))
    status, out, _ = run(command)
    assert status == 0
    assert name in out
    status, _, err = run(command, name[:-1])
    assert status == 2
    assert f"did you mean {name}?" in err
