"""P10: how fast the simulated lab runs: simulated time over processor time, without a peer.

A box with 12 signals at 1 Hz as CSV, and the physics alone of a box with hands in it by day. The
aims are those by which a night of a box takes ten seconds and a week no more than three minutes.
"""

from __future__ import annotations

import io
import time

from dewline_sim.command import scene_of
from dewline_sim.lab import Lab
from dewline_sim.physics.spec import LabSpec
from dewline_sim.record import CsvWriter, run_through
from tests.bench.measured import NEAR, PAIRS, Line, in_turn, on_core, spread

SIGNALS = frozenset(
    f"heron.{role}"
    for role in (
        "oxygen", "moisture", "frost_point", "pressure", "temperature", "fill_valve",
        "relief_valve", "circulating", "circulation_flow", "bed_temperature",
        "freezer_temperature", "large_pressure",
    )
)  # fmt: skip
AIM_TOLD, AIM_STEPPED = 4320.0, 10_800.0  # times real time
EPOCH_MS = 1_772_366_400_000  # 2026-03-01 12:00 UTC


def told(hours: float) -> float:
    """Times real time of a story written as CSV."""
    scene = scene_of("ordinary", 1, hours)
    writer = CsvWriter(scene, io.StringIO(), SIGNALS)
    began = time.process_time()
    run_through(scene, [writer], lambda _: None)
    return hours * 3600 / (time.process_time() - began)


def stepped(hours: float) -> float:
    """Times real time of the physics alone."""
    lab = Lab(LabSpec(), 1, EPOCH_MS)
    lab.act("hands", "heron", pattern="day")
    began = time.process_time()
    lab.run(hours * 3600)
    return hours * 3600 / (time.process_time() - began)


def measure(*, small: bool = False) -> list[Line]:
    """``small``: one turn of a few simulated minutes."""
    hours = 0.1 if small else 1.0
    with on_core(NEAR):
        found = in_turn(
            {"told": lambda: told(hours), "stepped": lambda: stepped(4 * hours)},
            1 if small else PAIRS,
        )
    as_csv, alone = spread(*found["told"]), spread(*found["stepped"])
    return [
        Line(
            "P10", "times real time: simulated box, 12 signals at 1 Hz, as CSV", as_csv, (),
            f"≥ {AIM_TOLD:.0f}", as_csv.median >= AIM_TOLD,
        ),
        Line(
            "P10", "times real time: its physics alone", alone, (),
            f"≥ {AIM_STEPPED:.0f}", alone.median >= AIM_STEPPED,
        ),
    ]  # fmt: skip
