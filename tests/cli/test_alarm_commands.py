"""``dewline page-test`` and ``dewline alarms`` as a person calls them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from dewline.cli import main
from dewline.events import Entry, Event, Outcome, Transition
from dewline.journal import Journal
from dewline.readings import Quality, Reading, Resumed, Scan
from tests.conftest import Answer, Sink

CONFIG = """\
site: saltmarsh
timezone: Europe/Lisbon
journal: {path: marsh.db}
boxes:
  heron: {}
push:
  contacts:
    night-desk: {url_file: night-desk.url}
"""
START_MS = 1_772_417_640_000  # 2026-03-02T02:14:00Z


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "dewline.yaml"
    path.write_text(CONFIG)
    return path


def address(config: Path, sink: Sink, tail: str = "") -> None:
    (config.parent / "night-desk.url").write_text(f"json://127.0.0.1:{sink.port}/canary-x{tail}\n")


@pytest.mark.long
def test_a_test_page_is_sent(config: Path, sink: Sink, capsys: pytest.CaptureFixture[str]) -> None:
    """It arrives, says that it is a test, and the command says what to look for."""
    address(config, sink)
    assert main(["page-test", "--config", str(config), "night-desk"]) == 0
    assert sink.texts()[0].startswith("TEST for night-desk")
    assert "the provider has taken it" in capsys.readouterr().out


def test_the_secrets_of_an_installation_are_found(
    config: Path, sink: Sink, capsys: pytest.CaptureFixture[str]
) -> None:
    """They stand in `secrets` beside the config, which systemd hands to the service alone."""
    address(config, sink)
    (config.parent / "secrets").mkdir()
    (config.parent / "night-desk.url").rename(config.parent / "secrets" / "night-desk.url")
    assert main(["page-test", "--config", str(config), "night-desk"]) == 0
    assert sink.texts()[0].startswith("TEST for night-desk")


@pytest.mark.parametrize(("status", "exit_status"), [(400, 1), (401, 3), (503, 3)])
def test_what_went_wrong_is_said_without_the_address(
    config: Path,
    sink: Sink,
    answer: type[Answer],
    capsys: pytest.CaptureFixture[str],
    status: int,
    exit_status: int,
) -> None:
    """Refused is 1, not reached is 3; the address is a secret."""
    address(config, sink)
    sink.usual = answer(status)
    assert main(["page-test", "--config", str(config), "night-desk", "--json"]) == exit_status
    said = capsys.readouterr()
    assert f"answered {status}" in said.err
    assert "canary" not in said.err + said.out
    assert json.loads(said.out)["contact"] == "night-desk"


def test_nobody_of_that_name(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A contact that is not in the config: 2, with those that are."""
    assert main(["page-test", "--config", str(config), "day-desk"]) == 2
    assert "night-desk" in capsys.readouterr().err


async def keep(path: Path, events: Iterable[Event]) -> None:
    journal = Journal.open(path, "saltmarsh", 100, reserve_bytes=0)
    journal.append(Entry(1, Resumed(START_MS, START_MS, "start", 0, "0" * 16), Outcome()))
    journal.append(Entry(1, None, Outcome(events=tuple(events))))
    await journal.flush()
    journal.close()


def event(
    seq: int, minute: int, alarm: str = "heron.moisture-high", transition: Transition = "raised"
) -> Event:
    time_ms = START_MS + minute * 60_000
    return Event(
        id=f"{seq:016x}",
        seq=seq,
        time_ms=time_ms,
        at_ms=time_ms,
        site="saltmarsh",
        box="heron",
        alarm=alarm,
        transition=transition,
        state="unacknowledged" if transition == "raised" else "normal",
        priority="high",
        signal="heron.moisture",
    )


async def test_the_alarm_system_is_judged(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Counts, the longest, the shelved and the figures; 0 while every figure is met."""
    await keep(config.parent / "marsh.db", [event(1, 0), event(2, 30, transition="cleared")])
    end = ["--until", "2026-03-03"]
    assert main(["alarms", "--config", str(config), *end]) == 0
    said = capsys.readouterr().out
    assert "new alarms: 1" in said
    assert "heron.moisture-high" in said
    assert "EEMUA 191" in said
    assert "from memory" in said


async def test_an_alarm_that_still_stands_shows_what_its_signal_reads_now(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Raised at 127 ppm two days ago; the box reads 0.3 ppm."""
    end_ms = START_MS + 48 * 3_600_000
    journal = Journal.open(config.parent / "marsh.db", "saltmarsh", 100, reserve_bytes=0)
    journal.put_units({"heron.moisture": "ppm"})
    for seq, (time_ms, value) in enumerate([(START_MS, 127.0), (end_ms, 0.3)], 1):
        scan = Scan(time_ms, time_ms, "panel", {"heron.moisture": Reading(value, Quality.GOOD)})
        events = (replace(event(1, 0), value=127.0, unit="ppm"),) if seq == 1 else ()
        journal.append(Entry(seq, scan, Outcome(events=events)))
    await journal.flush()
    journal.close()
    main(["alarms", "--config", str(config)])
    told = [line for line in capsys.readouterr().out.splitlines() if ", still" in line]
    assert len(told) == 2
    assert all(line.endswith("48.00 h, still, now 0.3 ppm") for line in told)
    main(["alarms", "--config", str(config), "--json"])
    (now,) = json.loads(capsys.readouterr().out)["now"].values()
    assert (now["value"], now["unit"], now["quality"]) == (0.3, "ppm", "good")


async def test_the_rate_counts_from_the_first_reading(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A quiet day before the first alarm is part of the period: one alarm a day, not 1350."""
    await keep(config.parent / "marsh.db", [event(1, 24 * 60), event(2, 24 * 60 + 1)])
    main(["alarms", "--config", str(config), "--until", "2026-03-03T02:15:04"])
    assert "2026-03-02 02:14 to 2026-03-03 02:15, 1.0 days" in capsys.readouterr().out


async def test_a_flood_is_found_trouble(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Eleven alarms in as many minutes of one hour: outside the figure, status 1."""
    rows = [event(n + 1, n // 2, f"heron.r{n}") for n in range(40)]
    await keep(config.parent / "marsh.db", rows)
    arguments = [
        "alarms",
        "--config",
        str(config),
        "--since",
        "2026-03-02T02:00",
        "--until",
        "2026-03-02T04:00",
    ]
    assert main([*arguments, "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["alarms"] == 40
    assert document["floods"]
    outside = {f["name"] for f in document["figures"] if f["within"] is False}
    assert {"time in flood", "hours with more than 30 alarms"} <= outside


async def test_a_period_that_ends_before_it_begins_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """2, with what to do."""
    await keep(config.parent / "marsh.db", [event(1, 0)])
    assert (
        main(["alarms", "--config", str(config), "--since", "2026-03-09", "--until", "2026-03-02"])
        == 2
    )
    assert main(["alarms", "--config", str(config), "--since", "yesterday"]) == 2
    assert "is no time" in capsys.readouterr().err
