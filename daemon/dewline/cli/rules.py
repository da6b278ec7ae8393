"""``dewline rules [NAME]``: the rule sets that are built in."""

from __future__ import annotations

import argparse

from dewline.cli import built_in

HELP = "rule sets that are built in"
arguments = built_in.arguments


def run(args: argparse.Namespace) -> int:
    return built_in.show("rules", "rules", args)
