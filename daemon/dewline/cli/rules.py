"""``dewline rules [NAME]``: the rule sets that are built in."""

from __future__ import annotations

import argparse

from dewline.cli import built_in

arguments = built_in.arguments


def run(args: argparse.Namespace) -> int:
    """List or print built-in rule sets; see ``built_in.show``."""
    return built_in.show("rules", "rules", args)
