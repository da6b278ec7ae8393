"""Replay says when another version of dewline made the record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from dewline import __version__
from dewline.cli import main
from dewline.events import Entry, Outcome
from dewline.journal import Journal
from dewline.readings import Resumed, ResumeReason

CONFIG = """\
site: saltmarsh
journal: {path: marsh.db}
boxes:
  heron: {}
"""
START_MS = 1_772_417_640_000


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """The config of a record that is made by the test."""
    path = tmp_path / "dewline.yaml"
    path.write_text(CONFIG)
    return path


async def record(config: Path, *versions: str | None) -> None:
    """A record begun under the first version, restarted under each of the others."""
    journal = Journal.open(config.with_name("marsh.db"), "saltmarsh", 100, reserve_bytes=0)
    for seq, version in enumerate(versions, 1):
        at_ms = START_MS + 1000 * seq
        reason: ResumeReason = "start" if seq == 1 else "restart"
        item = Resumed(at_ms, at_ms, reason, 0, "abc", version)
        journal.append(Entry(seq, item, Outcome()))
    await journal.flush()
    journal.close()


@pytest.mark.parametrize(
    ("versions", "said"),
    [
        (("0.0.8", "0.0.8"), f"recorded by dewline 0.0.8, replayed by {__version__}\n"),
        (
            (None, "0.0.8", __version__),
            f"recorded by dewline 0.0.8, {__version__}, replayed by {__version__}\n",
        ),
        ((__version__, __version__), ""),
        ((None,), ""),  # the first versions named none
    ],
)
async def test_another_version_is_said_once(
    config: Path, versions: tuple[str | None, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line on stderr, with each version once; nothing where it is the same or not known."""
    await record(config, *versions)
    assert main(["replay", "--config", str(config)]) == 0
    assert capsys.readouterr() == ("0 events\n", said)


async def test_machine_output_stays_json(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With ``--compare --json`` stdout is one object; the line is said once for two replays."""
    await record(config, "0.0.8")
    other = config.with_name("other.yaml")
    other.write_text(CONFIG)
    assert main(["replay", "--config", str(config), "--compare", str(other), "--json"]) == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == {"alarms": [], "only_first": [], "only_second": []}
    assert err.count("recorded by dewline 0.0.8") == 1


async def test_both_configs_are_held_against_the_one_record(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A copy that lies elsewhere to be changed names a record that is not there."""
    await record(config, "0.0.8")
    (config.parent / "drafts").mkdir()
    other = config.parent / "drafts" / "dewline.yaml"
    other.write_text(CONFIG)
    assert main(["replay", "--config", str(config), "--compare", str(other)]) == 0
    assert "alarms that differ: none" in capsys.readouterr().out
