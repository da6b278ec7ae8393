"""One grammar for all commands: how a config, a period and a file are named."""

from __future__ import annotations

import argparse
import importlib
import re
from pathlib import Path

import pytest

from dewline import cli
from dewline.cli import COMMANDS, main

NEED_NO_CONFIG = {"demo", "simulate", "calc", "rules", "profiles", "schema"}
NAMES_ITS_CONFIG = {"run", "check"}  # there is no daemon yet whose config could be meant
CONFIG = """\
site: saltmarsh
timezone: Europe/Lisbon
boxes: {heron: {}}
"""


def flags(name: str) -> tuple[set[str], set[str]]:
    """The flags and the positional words of a command, those of its actions included."""
    parser = argparse.ArgumentParser(prog=f"dewline {name}")
    importlib.import_module(f"dewline.cli.{cli.module_of(name)}").arguments(parser)
    found: set[str] = set()
    positional: set[str] = set()
    todo = [parser]
    while todo:
        for action in todo.pop()._actions:
            if isinstance(action, argparse._SubParsersAction):
                todo += action.choices.values()
            elif action.option_strings:
                found.update(action.option_strings)
            else:
                positional.add(str(action.metavar or action.dest))
    return found, positional


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - NEED_NO_CONFIG - NAMES_ITS_CONFIG))
def test_every_command_finds_the_config_in_the_same_way(name: str) -> None:
    """``--config``, and never a word of its own for it."""
    found, positional = flags(name)
    assert "--config" in found
    assert "CONFIG" not in positional


@pytest.mark.parametrize("name", sorted(set(COMMANDS) - NEED_NO_CONFIG))
def test_times_are_since_and_until_and_files_to(name: str) -> None:
    """No command has words of its own for the ends of a period."""
    found, _ = flags(name)
    assert not found & {"--from", "--hours"}
    assert ("--since" in found) == ("--until" in found)


def test_the_config_is_the_flag_else_the_environment_else_the_installed_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In this order, for commands that read the record as for those that ask the daemon."""
    for name in ("flag", "environment"):
        (tmp_path / f"{name}.yaml").write_text(CONFIG.replace("saltmarsh", name))
    monkeypatch.setenv("DEWLINE_CONFIG", str(tmp_path / "environment.yaml"))
    for words in (["journal", "info"], ["alarms"], ["replay"], ["status"]):
        assert main([*words, "--config", str(tmp_path / "flag.yaml")]) == 3
        assert "flag.db" in capsys.readouterr().err
        assert main(words) == 3
        assert "environment.db" in capsys.readouterr().err
    monkeypatch.delenv("DEWLINE_CONFIG")
    assert main(["journal", "info"]) == 2
    said = capsys.readouterr().err
    assert "/etc/dewline/dewline.yaml" in said
    assert "--config" in said


def test_the_guide_lists_every_command() -> None:
    """README's table has all of them, and no other."""
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
    table = readme.partition("## Commands")[2].partition("\n## ")[0]
    assert set(re.findall(r"^\| `dewline ([a-z-]+)", table, re.M)) == set(COMMANDS)
