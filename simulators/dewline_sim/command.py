"""``dewline simulate``: write a story into files, or serve it live with a view of it."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from dewline_sim import story as stories
from dewline_sim.config import endpoints_of, write_config
from dewline_sim.control import control, known_acts
from dewline_sim.lab import Lab
from dewline_sim.live import LiveView
from dewline_sim.pacing import keep_pace
from dewline_sim.physics.spec import lab_spec
from dewline_sim.record import CsvWriter, TruthWriter, Writer, run_through
from dewline_sim.scenario import TICK_MS, Scene
from dewline_sim.server import Endpoints, Served
from dewline_sim.setup import spec_of

HELP = "tell a story of the simulated lab: into files, or live on real sockets and ptys"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of the command to a parser.

    With ``--csv`` or ``--truth`` alone the story is written to files at full
    speed; otherwise it is served, by default at the speed of real time.
    """
    parser.add_argument("story", nargs="?", help="a story's name, or the path of its YAML")
    parser.add_argument("--list", action="store_true", help="list the stories and end")
    parser.add_argument("--acts", action="store_true", help="list what a story can do and end")
    parser.add_argument("--seed", type=int, default=1, help="draws the sizes (default 1)")
    parser.add_argument("--hours", type=float, help="tell only so much of it")
    parser.add_argument("--speed", type=float, default=1.0, help="times real time (default 1)")
    parser.add_argument("--csv", metavar="FILE", help="what the instruments would show; no sockets")
    parser.add_argument("--only", metavar="SIGNALS", help="with --csv: signals, by commas")
    parser.add_argument("--truth", metavar="FILE", help="what is true, as JSON lines")
    parser.add_argument("--tcp", metavar="HOST:PORT", help="serve Modbus TCP here")
    parser.add_argument("--rtu", metavar="PATH", help="serve Modbus RTU on a pty linked here")
    parser.add_argument("--ascii", metavar="PATH", help="serve text lines on a pty linked here")
    parser.add_argument("--control", metavar="SOCK", help="control socket (JSON lines)")
    parser.add_argument(
        "--stepping", action="store_true", help="time moves only by the control socket"
    )
    parser.add_argument(
        "--config",
        metavar="FOLDER",
        help="write the watcher's config for this lab there; what has no place is served there too",
    )
    parser.add_argument("--unpaced", action="store_true", help="serial bytes leave at once")
    parser.add_argument("--quiet", action="store_true", help="no view")


def run(args: argparse.Namespace) -> int:
    """Run the command. Exit status: 0 done, 2 no such story or a mistake in it, 130 interrupted."""
    try:
        return _run(args)
    except (ValueError, OSError) as error:
        print(f"simulate: {error}", file=sys.stderr)
        return 2


def _run(args: argparse.Namespace) -> int:
    if args.list:
        for name, title in stories.names().items():
            print(f"{name:24} {title}")
        return 0
    if not args.story:
        raise ValueError("name a story; --list lists them")
    scene = scene_of(args.story, args.seed, args.hours)
    if args.acts:
        _print_acts(scene)
        return 0
    with contextlib.ExitStack() as files:
        writers: list[Writer] = []
        if args.truth:
            writers.append(TruthWriter(scene, files.enter_context(_written(args.truth))))
        if args.csv:
            only = frozenset(args.only.split(",")) if args.only else None
            writers.append(CsvWriter(scene, files.enter_context(_written(args.csv)), only))
        if args.csv or (args.truth and not _serves(args)):
            _tell(scene, writers, quiet=args.quiet)
            return 0
        with contextlib.suppress(asyncio.CancelledError):
            asyncio.run(_serve(args, scene, writers))
    return 0


def scene_of(name: str, seed: int = 1, hours: float | None = None) -> Scene:
    """A story with its lab, ready to run."""
    story = stories.load(name, seed, hours)
    return Scene(story, Lab(lab_spec(spec_of(story.setup)), seed, story.start_ms))


def _serves(args: argparse.Namespace) -> bool:
    return bool(args.tcp or args.rtu or args.ascii or args.control)


@contextlib.contextmanager
def _written(name: str) -> Iterator[TextIO]:
    if name == "-":
        yield sys.stdout
    else:
        with open(name, "w", encoding="utf-8", newline="\n") as out:
            yield out


def _print_acts(scene: Scene) -> None:
    for group, acts in known_acts(scene).items():
        print(f"{group}:")
        for name, what in acts.items():
            print(f"  {name:22} {what}")


def _tell(scene: Scene, writers: list[Writer], *, quiet: bool) -> None:
    began = time.perf_counter()
    length_ms = scene.story.end_ms - scene.story.start_ms

    def progress(now: Scene) -> None:
        if not quiet and sys.stderr.isatty():
            share = (now.now_ms - now.story.start_ms) / length_ms
            print(f"\r{share:5.1%} of {length_ms / 3_600_000:g} h", end="", file=sys.stderr)

    run_through(scene, writers, progress)
    if not quiet:
        rows = sum(w.rows for w in writers if isinstance(w, CsvWriter))
        took = time.perf_counter() - began
        hours = length_ms / 3_600_000
        print(f"\r{scene.story.name}: {hours:g} h, {rows} rows in {took:.1f} s", file=sys.stderr)


def _endpoints(args: argparse.Namespace) -> Endpoints:
    """Where to serve; ValueError where HOST:PORT is none.

    A config names every bus, so with ``--config`` those that are not named are served beside it.
    """
    host, _, port = (args.tcp or "127.0.0.1:0").rpartition(":")
    rtu, text = (Path(path) if path else None for path in (args.rtu, args.ascii))
    if args.config:
        folder = Path(args.config).resolve()
        rtu, text = rtu or folder / "rtu", text or folder / "ascii"
    return Endpoints(host or "127.0.0.1", int(port), rtu, text)


async def _serve(args: argparse.Namespace, scene: Scene, writers: list[Writer]) -> None:
    paced = not (args.unpaced or args.stepping or args.speed != 1.0)
    task = asyncio.current_task()
    assert task is not None
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, task.cancel)
    if args.config:
        Path(args.config).mkdir(parents=True, exist_ok=True)  # noqa: ASYNC240 - once, at the start
    async with contextlib.AsyncExitStack() as stack:
        served = await stack.enter_async_context(Served(scene, _endpoints(args), paced=paced))
        if args.config:
            write_config(Path(args.config), scene.story, endpoints_of(served))
        if args.control:
            await stack.enter_async_context(control(served, Path(args.control), writers))
        view = LiveView(served, sys.stdout, writers)
        view.announce(quiet=args.quiet)
        if args.stepping:
            await asyncio.Event().wait()

        async def advance(to_ms: int) -> None:
            await served.advance_with_faults(to_ms)
            view.update(quiet=args.quiet)

        await keep_pace(advance, scene.now_ms, scene.story.end_ms, args.speed, TICK_MS)


def main(argv: list[str] | None = None) -> int:
    """``python -m dewline_sim``."""
    parser = argparse.ArgumentParser(prog="dewline_sim", description=HELP)
    arguments(parser)
    return run(parser.parse_args(argv))
