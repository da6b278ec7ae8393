"""``dewline profiles [NAME]``: the instrument profiles that are built in."""

from __future__ import annotations

import argparse

from dewline.cli import built_in

arguments = built_in.arguments


def run(args: argparse.Namespace) -> int:
    """List or print built-in instrument profiles; see ``built_in.show``."""
    return built_in.show("profiles", "registers", args)
