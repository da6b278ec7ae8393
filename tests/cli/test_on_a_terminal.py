"""Commands as a person types them: half-edited configs, pipes, times, words and signals."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dewline.cli import main
from dewline.cli.terminal import event_line
from dewline.events import Event
from dewline.hours import zone_of
from tests.patience import PATIENCE_S

GOOD = """\
site: saltmarsh
timezone: Europe/Lisbon
boxes: {heron: {}}
"""


@pytest.mark.parametrize(
    ("text", "journal"),
    [
        (GOOD + "rules: {moisture-high: {above: 5 pm\n", "saltmarsh.db"),
        (GOOD + "journal: {path: marsh.db, commit_every: 2 s}\nboxes: [\n", "marsh.db"),
        (GOOD + 'journal:\n  # path: old.db\n  path: "marsh.db"\nrules: {a: b\n', "marsh.db"),
        ("site: saltmarsh\nboxes: {heron: {sinals: {}}}\n", "saltmarsh.db"),
    ],
)
@pytest.mark.parametrize("words", [["status"], ["ack", "heron.moisture-high"]])
def test_a_half_edited_config_keeps_nobody_from_the_daemon(
    tmp_path: Path, text: str, journal: str, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """The daemon runs on under the old one: its socket is found in what is no YAML as well."""
    config = tmp_path / "lab.yaml"
    config.write_text(text)
    assert main([*words, "--config", str(config)]) == 3
    assert f"no daemon answers at {tmp_path / journal}.sock" in capsys.readouterr().err


def test_words_for_a_person_can_be_paged(capsys: pytest.CaptureFixture[str]) -> None:
    """``dewline profiles | less`` shows them; with ``--json`` stdout holds JSON alone."""
    assert main(["profiles"]) == 0
    assert "trace-gas" in capsys.readouterr().out
    assert main(["calc", "frost-point", "1 ppm"]) == 0
    assert "degC" in capsys.readouterr().out
    assert main(["calc", "frost-point", "1 ppm", "--json"]) == 0
    json.loads(capsys.readouterr().out)


@pytest.mark.long
@pytest.mark.parametrize("words", [["schema"], ["profiles", "--json"], ["profiles"]])
def test_a_pipe_that_is_closed_ends_a_command_quietly(words: list[str]) -> None:
    """``| head`` reads what it wants and goes away: no traceback, a status of its own."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    command = [sys.executable, "-m", "dewline", *words]
    done = subprocess.run(command, stdout=write_end, stderr=subprocess.PIPE, check=False)
    os.close(write_end)
    assert done.stderr == b""
    assert done.returncode == 128 + signal.SIGPIPE


def test_a_line_for_an_event_is_in_the_time_of_the_site() -> None:
    """As the page beside it, and it says so: in summer Lisbon is an hour ahead of UTC."""
    event = Event(
        id="a" * 16,
        seq=1,
        time_ms=1_783_000_000_000,  # 2026-07-02T13:46:40Z
        at_ms=1,
        site="saltmarsh",
        box="heron",
        alarm="heron.moisture-high",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.moisture",
    ).document()
    assert event_line(event, zone_of("Europe/Lisbon")).startswith("2026-07-02 14:46:40 WEST ")
    assert event_line(event, zone_of("UTC")).startswith("2026-07-02 13:46:40 UTC ")


def test_a_dose_may_be_given_with_its_unit(capsys: pytest.CaptureFixture[str]) -> None:
    """Every quantity is a number with a unit; the bare number of before goes on to work."""
    bed = ["--gas", "moisture", "--flow", "60 m3/h", "--hours", "24"]
    for given in ("0.5 ppm", "500 ppb", "0.5"):
        assert main(["calc", "bed", "--ppm", given, "--json", *bed]) == 0, capsys.readouterr().err


@pytest.mark.long
def test_the_simulator_makes_the_folder_it_writes_a_config_into(tmp_path: Path) -> None:
    """``simulate night --config NEWDIR`` on a fresh machine."""
    folder = tmp_path / "new" / "lab"
    words = ["simulate", "night", "--tcp", "127.0.0.1:0", "--config", str(folder), "--quiet"]
    with subprocess.Popen(
        [sys.executable, "-m", "dewline", *words], stderr=subprocess.PIPE, text=True
    ) as lab:
        deadline = time.monotonic() + PATIENCE_S
        while not (folder / "dewline.yaml").exists() and lab.poll() is None:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        lab.terminate()
        _, said = lab.communicate(timeout=PATIENCE_S)
    assert (folder / "dewline.yaml").exists(), said


def _children(of: int) -> list[int]:
    listed = Path(f"/proc/{of}/task/{of}/children").read_text()
    return [int(number) for number in listed.split()]


@pytest.mark.long
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_demo_that_is_told_to_end_takes_its_children_along(
    tmp_path: Path, number: signal.Signals
) -> None:
    """Simulator and broker end with it, also where the terminal is closed."""
    words = ["demo", "--speed", "1", "--keep", str(tmp_path)]
    with subprocess.Popen(
        [sys.executable, "-m", "dewline", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as demo:
        deadline = time.monotonic() + PATIENCE_S
        while len(children := _children(demo.pid)) < 2:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        demo.send_signal(number)
        status = demo.wait(PATIENCE_S)
    assert not [child for child in children if Path(f"/proc/{child}").exists()]
    assert status == 128 + number
