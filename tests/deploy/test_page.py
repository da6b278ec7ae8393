"""The page that leads from a blank card to a first alarm says what is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from dewline.config import load

CLONE = Path(__file__).parents[2]
PAGE = (CLONE / "deploy" / "README.md").read_text()
SNIPPETS = re.findall(r"```yaml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("snippet", SNIPPETS)
def test_what_is_to_be_written_into_the_config_is_right_there(tmp_path: Path, snippet: str) -> None:
    """Each piece of YAML, put into the example that the installer leaves, is taken as it is."""
    document = yaml.safe_load((CLONE / "config" / "first.yaml").read_text())
    for name in ("mqtt.pass", "ca.pem"):
        (tmp_path / name).write_text("what is in it matters elsewhere\n")
    config = tmp_path / "dewline.yaml"
    config.write_text(yaml.safe_dump(document | yaml.safe_load(snippet)))
    assert load(config).plan.watch.rules


def test_the_first_alarm_is_one_of_the_example() -> None:
    """The name to acknowledge is made of the example's box and the page's rule."""
    (acknowledged,) = re.findall(r"dewline ack (\S+)", PAGE)
    box, rule = acknowledged.split(".")
    assert box in yaml.safe_load((CLONE / "config" / "first.yaml").read_text())["boxes"]
    assert any(rule in yaml.safe_load(snippet).get("rules", {}) for snippet in SNIPPETS)


def test_every_file_of_ours_that_it_names_is_there() -> None:
    """Links and commands name files of this clone."""
    named = [link for link in re.findall(r"\]\(([^)#]+)", PAGE) if "://" not in link]
    named += [f"../{path}" for path in re.findall(r"(?:sudo |^\s*)(deploy/\S+\.sh)", PAGE)]
    assert len(named) > 5
    assert [path for path in named if not (CLONE / "deploy" / path).exists()] == []
