"""README and DEVELOPERS.md agree with the code."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from dewline.cli import COMMANDS
from dewline.config import load
from tests.watch.state_diagram import state_diagram

ROOT = Path(__file__).parents[1]
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "config", "simulators", "tests"),
    *("deploy", "Makefile", "LICENSE", ".ci", ".gitignore"),
}


def tracked() -> list[str]:
    """Paths in the index of git."""

    found = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return found.stdout.splitlines()


def test_the_state_diagram_in_the_guide_is_the_tables_own() -> None:
    """DEVELOPERS.md holds the diagram that the table generates, to the letter."""
    drawn = re.search(r"```mermaid\n(.*?)\n```", (ROOT / "DEVELOPERS.md").read_text(), re.DOTALL)
    assert drawn
    assert drawn[1] == state_diagram().rstrip("\n")


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    """A stranger finds the rooms at a glance."""
    assert {path.split("/")[0] for path in tracked()} <= TOP_LEVEL


@pytest.mark.parametrize("path", sorted((ROOT / "config").glob("*.yaml")), ids=lambda p: p.name)
def test_every_config_that_can_be_copied_is_without_error(path: Path) -> None:
    """What a user starts from must pass the check."""
    assert load(path).plan.site


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_and_command_that_the_documents_name_is_there(name: str) -> None:
    """Links lead somewhere, and `dewline WORD` is a command."""
    text = (ROOT / name).read_text()
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / target).exists(), target
    for word in re.findall(r"`dewline ([a-z][a-z-]+)", text):
        assert word in COMMANDS, word
