"""Draws a story: truth and indication of oxygen, moisture, pressure and antechamber.

A script for people, not a test: python tests/sim/picture.py STORY [FILE.png] [--seed N]
"""

from __future__ import annotations

import argparse
import math
from collections import defaultdict
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from dewline_sim.command import scene_of
from dewline_sim.scenario import Scene

ROWS = ("oxygen", "moisture", "pressure", "large_pressure")
UNITS = {"oxygen": "ppm", "moisture": "ppm", "pressure": "mbar", "large_pressure": "mbar abs."}
Series = dict[tuple[str, str], list[float]]


def told(scene: Scene, every_s: int) -> tuple[list[float], Series, Series]:
    """Hours, truth and indication of every box, sampled every so many seconds."""
    hours: list[float] = []
    truth: Series = defaultdict(list)
    shown: Series = defaultdict(list)
    boxes = list(scene.story.setup["boxes"])
    wires = {w.signal: w for w in scene.wires}
    while True:
        hours.append((scene.now_ms - scene.story.start_ms) / 3.6e6)
        for box in boxes:
            true = scene.lab.truth(box)
            for role in ROWS:
                truth[box, role].append(true.get(role, math.nan))
                wire = wires.get(f"{box}.{role}")
                value = wire.instrument.shown(wire.register)[0] if wire else None
                shown[box, role].append(math.nan if value is None else value)
        if scene.ended:
            return hours, truth, shown
        scene.advance(scene.now_ms + every_s * 1000)


def panel(axes: Axes, hours: list[float], true: list[float], seen: list[float], role: str) -> None:
    """One quantity of one box."""
    axes.plot(hours, seen, color="0.65", lw=0.8, label="shown")
    axes.plot(hours, true, color="C3" if role == "oxygen" else "C0", lw=1.0, label="true")
    axes.set_ylabel(f"{role.removesuffix('_pressure')}\n{UNITS[role]}")
    axes.grid(alpha=0.3)
    if role in ("oxygen", "moisture"):
        axes.set_yscale("log")
        axes.set_ylim(0.01, max(10.0, 2 * max(x for x in true if not math.isnan(x))))
    elif role == "large_pressure":
        axes.set_yscale("log")


def draw(name: str, seed: int, file: Path, hours_told: float | None) -> None:
    """Tell the story and write the picture."""
    scene = scene_of(name, seed, hours_told)
    length_h = (scene.story.end_ms - scene.story.start_ms) / 3.6e6
    hours, truth, shown = told(scene, max(5, round(length_h * 3600 / 8000)))
    boxes = list(scene.story.setup["boxes"])
    figure, grid = plt.subplots(
        4, len(boxes), figsize=(7 * len(boxes) + 2, 10), sharex=True, squeeze=False
    )
    for column, box in enumerate(boxes):
        for row, role in enumerate(ROWS):
            axes = grid[row][column]
            panel(axes, hours, truth[box, role], shown[box, role], role)
            for wrong in scene.story.wrongs:
                if wrong.place in (box, *scene.story.setup["services"]):
                    start = (wrong.from_ms - scene.story.start_ms) / 3.6e6
                    end = (
                        length_h
                        if wrong.to_ms is None
                        else ((wrong.to_ms - scene.story.start_ms) / 3.6e6)
                    )
                    axes.axvspan(start, end, color="C1", alpha=0.10)
                    if row == 0:
                        axes.annotate(wrong.cause, (start, 0.02), rotation=90, fontsize=7)
        grid[0][column].set_title(f"{box}: {scene.story.title}", fontsize=9)
        grid[-1][column].set_xlabel(f"hours from {scene.story.start_ms / 1000:.0f}")
    grid[0][0].legend(loc="upper left", fontsize=8)
    figure.tight_layout()
    figure.savefig(file, dpi=60)
    plt.close(figure)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("story", nargs="+")
    parser.add_argument("--folder", type=Path, default=Path())
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--hours", type=float)
    given = parser.parse_args()
    for each in given.story:
        draw(each, given.seed, given.folder / f"{each}.png", given.hours)
        print(given.folder / f"{each}.png")
