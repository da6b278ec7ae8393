"""Stories told straight into a watch, in this process, for the tests that look closely at one."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import pytest
import yaml

from dewline_sim import story as stories
from tests.score import bench

Telling = Callable[..., bench.Told]


@pytest.fixture(scope="session")
def long_runs() -> bool:
    """Whether stories of days and weeks are told in full."""
    return os.environ.get("DEWLINE_LONG") == "1"


@pytest.fixture(scope="session")
def telling() -> Telling:
    """Tell a story by name on seed 0, with what is changed in its file.

    ``follow`` are truths to keep, (place, role); ``quiet_ms`` is how often an instrument is read
    where nothing happens. Every other keyword stands for the part of the story of that name:
    ``start``, ``hours``, ``change``, ``draw``, ``timeline``.
    """

    def tell(
        name: str,
        *,
        follow: tuple[tuple[str, str], ...] = (),
        quiet_ms: int = bench.QUIET_POLL_MS,
        **parts: Any,
    ) -> bench.Told:
        file = stories.scenarios() / f"{name}.yaml"
        document = yaml.safe_load(file.read_text(encoding="utf-8"))
        story = stories.tell({**document, **parts}, name, seed=0)
        return bench.tell(story, follow=follow, coarse=True, quiet_ms=quiet_ms)

    return tell
