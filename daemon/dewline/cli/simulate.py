"""``dewline simulate``: the simulated lab alone. All of it lives in ``dewline_sim``."""

from __future__ import annotations

import argparse

from dewline_sim import command


def arguments(parser: argparse.ArgumentParser) -> None:
    """As the simulator has them."""
    command.arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Tell a story, into files or on sockets."""
    return command.run(args)
