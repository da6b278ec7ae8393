"""``dewline simulate``: the simulated lab alone; its code is in ``dewline_sim``."""

from __future__ import annotations

import argparse

from dewline_sim import command


def arguments(parser: argparse.ArgumentParser) -> None:
    """Those of the simulator's own command."""
    command.arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Run a story, into files or on sockets; the exit status is that of the simulator."""
    return command.run(args)
