"""The dashboards: built again they are the same, and every query of theirs finds data."""

from __future__ import annotations

import gzip
import json
import re
import subprocess
import sys
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import yaml

from tests.conftest import Server, running_influxd

GRAFANA = Path(__file__).parents[2] / "deploy" / "grafana"
PAGES = sorted((GRAFANA / "dashboards").glob("*.json"))
DATABASE = "gloveboxes"
# What half a day of this lab cannot have; that the ledgers write it is looked up in the source.
NOT_IN_HALF_A_DAY = {
    "Purges": {"litres", "volumes"},  # no flow meter in the purge line
    "Regenerations": {"share_of_own"},  # none was complete before
    "Gas use by day": {"idle_night_l_h"},  # no whole night before midnight
}


class Query(NamedTuple):
    """One query of a panel, its variables filled in."""

    page: str
    panel: str
    letter: str
    text: str
    table: bool


def queries(page: Path) -> Iterator[Query]:
    """Every query of a page, its variables filled in."""
    document = json.loads(page.read_text())
    for panel in document["panels"]:
        for target in panel["targets"]:
            yield Query(
                page.stem,
                panel["title"],
                target["refId"],
                filled(target["query"], "heron" if page.stem == "dewline-box" else ".*"),
                target["resultFormat"] == "table",
            )


def filled(text: str, box: str) -> str:
    """What Grafana would send for a view of twelve hours."""
    for name, value in {
        "$timeFilter": "time >= now() - 12h and time <= now()",
        "$__interval": "5m",
        "$site": "saltmarsh",
        "$box": box,
    }.items():
        text = text.replace(name, value)
    assert "$" not in re.sub(r"\$/", "/", text), text  # the end of a regular expression may stay
    return text


def ask(url: str, **words: str) -> Any:
    """GET a JSON document."""
    with urllib.request.urlopen(f"{url}?{urllib.parse.urlencode(words)}", timeout=30) as answer:
        return json.load(answer)


def post(url: str, body: bytes, **words: str) -> None:
    """POST compressed lines."""
    request = urllib.request.Request(
        f"{url}?{urllib.parse.urlencode(words)}", body, {"Content-Encoding": "gzip"}
    )
    urllib.request.urlopen(request, timeout=60).close()


def columns(url: str, query: str) -> dict[str, int]:
    """How many values each column has, over all series; a table names its columns."""
    (result,) = ask(f"{url}/query", db=DATABASE, q=query, epoch="ms")["results"]
    assert "error" not in result, (query, result)
    found: dict[str, int] = {}
    for series in result.get("series", []):
        for number, name in enumerate(series["columns"]):
            if name != "time":
                filled = sum(row[number] is not None for row in series["values"])
                found[name] = found.get(name, 0) + filled
    return found


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory, told_lines: list[str]) -> Iterator[Server]:
    """A real InfluxDB filled with half a day."""
    with running_influxd(tmp_path_factory.mktemp("influxd")) as server:
        urllib.request.urlopen(
            f"{server.url}/query",
            urllib.parse.urlencode({"q": f"CREATE DATABASE {DATABASE}"}).encode(),
        ).close()
        for start in range(0, len(told_lines), 20_000):
            body = gzip.compress("\n".join(told_lines[start : start + 20_000]).encode(), 1)
            post(f"{server.url}/write", body, db=DATABASE, precision="ns")
        yield server


def test_every_query_of_every_panel_finds_data(store: Server) -> None:
    """On a real server, with our own lines: no panel is empty, no column without a value."""
    empty = []
    asked = [query for page in PAGES for query in queries(page)]
    for query in asked:
        found = columns(store.url, query.text)
        missing = {name for name, count in found.items() if not count}
        if not found or missing - NOT_IN_HALF_A_DAY.get(query.panel, set()):
            empty.append((query.page, query.panel, query.letter, found, query.text))
    print(f"{len(asked)} queries of {len(PAGES)} pages")
    assert len(asked) > 50
    assert not empty, "\n".join(map(str, empty))


def test_what_cannot_be_seen_here_is_written_all_the_same() -> None:
    """The names left out above stand in the code that closes ledger rows."""
    watch = Path(__file__).parents[2] / "daemon" / "dewline" / "watch"
    source = "".join(path.read_text() for path in watch.rglob("*.py"))
    for name in set().union(*NOT_IN_HALF_A_DAY.values()):
        assert f'"{name}":' in source


def test_the_variables_offer_sites_and_boxes(store: Server) -> None:
    """Only what has a gas to watch is a box; services and the daemon are not offered."""
    offered: dict[str, set[str]] = {}
    for page in PAGES:
        for variable in json.loads(page.read_text())["templating"]["list"]:
            query = filled(variable["query"], ".*")
            (result,) = ask(f"{store.url}/query", db=DATABASE, q=query)["results"]
            values = {row[1] for series in result["series"] for row in series["values"]}
            offered.setdefault(variable["name"], set()).update(values)
    assert offered == {"site": {"saltmarsh"}, "box": {"heron", "egret"}}


def test_what_stands_is_what_the_watch_says(store: Server) -> None:
    """The first table of the first page: the alarms that are not over, none that is."""
    (first, *_) = queries(GRAFANA / "dashboards" / "dewline-overview.json")
    (result,) = ask(f"{store.url}/query", db=DATABASE, q=first.text)["results"]
    (series,) = result["series"]
    rows = [dict(zip(series["columns"], row, strict=True)) for row in series["values"]]
    stands = {(row["box"], row["alarm"]) for row in rows}
    assert ("egret", "oxygen-high") in stands
    assert all(row["state"] > 0 and row["priority"] for row in rows)
    over = (
        'SELECT last("state") AS "state" FROM "event" WHERE time > now() - 30d'
        ' GROUP BY "site", "box", "alarm"'
    )
    (result,) = ask(f"{store.url}/query", db=DATABASE, q=over)["results"]
    last = {(s["tags"]["box"], s["tags"]["alarm"]): s["values"][0][1] for s in result["series"]}
    assert stands == {name for name, state in last.items() if state > 0}
    assert any(state == 0 for state in last.values())


def test_built_again_they_are_the_same(tmp_path: Path) -> None:
    """What is committed is what the builder makes; nobody edits it by hand."""
    subprocess.run(
        [sys.executable, GRAFANA / "build.py", tmp_path],
        check=True,
        timeout=60,
        capture_output=True,
    )
    made = {path.name: path.read_text() for path in tmp_path.iterdir()}
    assert made == {path.name: path.read_text() for path in PAGES}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_a_page_can_be_provisioned(page: Path) -> None:
    """Classic schema, uid as the file's name, no id of one server, no inputs to be asked for."""
    document = json.loads(page.read_text())
    assert document["uid"] == page.stem
    assert document["id"] is None
    assert document["schemaVersion"] == 36
    assert not {"__inputs", "__requires", "spec", "apiVersion"} & set(document)
    ids = [panel["id"] for panel in document["panels"]]
    assert ids == list(range(1, len(ids) + 1))
    assert {p["datasource"]["uid"] for p in document["panels"]} == {"dewline"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_panels_lie_side_by_side_without_a_hole(page: Path) -> None:
    """24 columns; no panel lies on another, none reaches beyond the page."""
    taken: set[tuple[int, int]] = set()
    for panel in json.loads(page.read_text())["panels"]:
        at = panel["gridPos"]
        assert at.get("x", 0) + at["w"] <= 24
        cells = {
            (at.get("x", 0) + dx, at.get("y", 0) + dy)
            for dx in range(at["w"])
            for dy in range(at["h"])
        }
        assert not cells & taken, panel["title"]
        taken |= cells


def test_provisioning_names_what_is_there() -> None:
    """The datasource has the uid that the panels name; the provider reads the folder we ship."""
    (source,) = GRAFANA.glob("provisioning/datasources/*.yaml")
    documents = yaml.safe_load(source.read_text())["datasources"]
    assert {entry["uid"] for entry in documents} == {"dewline"}
    assert {entry["type"] for entry in documents} == {"influxdb"}
    (provider,) = GRAFANA.glob("provisioning/dashboards/*.yaml")
    (entry,) = yaml.safe_load(provider.read_text())["providers"]
    assert entry["type"] == "file"
    assert entry["options"]["path"] == "/var/lib/grafana/dewline"
