"""Recording a story: what the instruments show (CSV) and what is true (JSON lines)."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import TextIO

from dewline_sim.faults import KINDS, Faults
from dewline_sim.scenario import TICK_MS, Scene


def iso_utc(time_ms: int) -> str:
    """``2026-03-02T02:14:09.250Z``."""
    stamp = datetime.fromtimestamp(time_ms // 1000, UTC)
    return f"{stamp:%Y-%m-%dT%H:%M:%S}.{time_ms % 1000:03d}Z"


class CsvWriter:
    """Writes rows ``time,signal,value,quality``, one for each signal at every moment.

    ``only`` names the signals to write; None writes all that are wired.
    """

    def __init__(self, scene: Scene, out: TextIO, only: frozenset[str] | None = None) -> None:
        self._scene = scene
        self._out = out
        self._wires = [w for w in scene.wires if only is None or w.signal in only]
        self.rows = 0
        out.write("time,signal,value,quality\n")

    def write(self) -> None:
        """Write one row for each signal, for the scene's moment.

        A row of a unit that a fault on the wire strikes now has no value, and
        the quality word that a reader would give it.
        """
        stamp = iso_utc(self._scene.now_ms)
        faults = self._scene.faults
        rows = []
        for wire in self._wires:
            number, quality = wire.instrument.shown(wire.register)
            if faults.any() and (seen := seen_as(faults, wire.bus, wire.unit)):
                number, quality = None, seen
            rows.append(
                f"{stamp},{wire.signal},{'' if number is None else f'{number:.6g}'},{quality}\n"
            )
        self.rows += len(rows)
        self._out.write("".join(rows))


def seen_as(faults: Faults, bus: str, unit: int) -> str | None:
    """The quality word that faults on the wire give a unit now; None where it is read well."""
    for fault in faults.active():
        if (
            (seen := KINDS[fault.kind].read_as)
            and fault.link == bus
            and fault.unit in (None, unit)
            and (fault.share >= 1.0 or faults.rng.random() < fault.share)
        ):
            return seen
    return None


class TruthWriter:
    """JSON lines: first what is wrong from when, then the true state of every place.

    {"wrong": CAUSE, "place": ..., "from": ..., "to": ... or null, "note": ...}
    {"time": ..., "place": ..., "truth": {role: number}}
    """

    def __init__(self, scene: Scene, out: TextIO, every_ms: int = 60_000) -> None:
        self._scene = scene
        self._out = out
        self._every_ms = every_ms
        self._written = -1
        for wrong in scene.story.wrongs:
            to = None if wrong.to_ms is None else iso_utc(wrong.to_ms)
            what = {"wrong": wrong.cause, "place": wrong.place, "from": iso_utc(wrong.from_ms)}
            self._write_line({**what, "to": to, "note": wrong.note})
        self._write_line({"sizes": dict(scene.story.sizes), "seed": scene.story.seed})

    def write(self) -> None:
        """Write the state of every place, if ``every_ms`` have passed since the last time."""
        now_ms = self._scene.now_ms
        due = (now_ms - self._scene.story.start_ms) // self._every_ms
        if due <= self._written:
            return
        self._written = due
        for place in self._scene.places:
            truth = {k: float(f"{v:.6g}") for k, v in self._scene.lab.truth(place).items()}
            self._write_line({"time": iso_utc(now_ms), "place": place, "truth": truth})

    def _write_line(self, document: Mapping[str, object]) -> None:
        self._out.write(json.dumps(document) + "\n")


Writer = CsvWriter | TruthWriter


def run_through(scene: Scene, writers: list[Writer], progress: Callable[[Scene], None]) -> None:
    """Run the whole story at full speed and write it down.

    ``progress`` is called every ten simulated minutes.
    """
    for writer in writers:
        writer.write()
    while not scene.ended:
        scene.advance(scene.now_ms + TICK_MS)
        for writer in writers:
            writer.write()
        if scene.now_ms % 600_000 == 0:
            progress(scene)
