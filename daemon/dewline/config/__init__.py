"""Configs: YAML to a frozen Plan, or every mistake at once with its line.

``load`` and the plan's JSON are imported only when called, so that rooms which
need no more than the plan's types do not pay for pydantic.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dewline.config.plan import Plan
from dewline.config.plan_json import plan_hash, same_plan, watch_plan_from_json, watch_plan_to_json

if TYPE_CHECKING:
    from dewline.config.loader import Loaded

__all__ = ["Plan", "load", "plan_hash", "same_plan", "watch_plan_from_json", "watch_plan_to_json"]


def load(path: Path) -> Loaded:
    """Read a config. ConfigError holds every mistake; ``.plan`` of the result is the Plan."""
    from dewline.config.loader import load as read  # noqa: PLC0415 - pydantic only when needed

    return read(path)
