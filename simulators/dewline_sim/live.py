"""The live view: truth beside indication, one line for each box, redrawn on a terminal."""

from __future__ import annotations

import time
from typing import TextIO

from dewline_sim.record import Writer, iso_utc
from dewline_sim.server import Served

_EVERY_S = 1.0
_SHOWN = ("oxygen", "moisture", "pressure")


class LiveView:
    """Prints where the lab is served, then every second what is true and what is shown."""

    def __init__(self, served: Served, out: TextIO, writers: list[Writer]) -> None:
        self._served = served
        self._out = out
        self._writers = writers
        self._last = 0.0
        self._lines = 0

    def announce(self, *, quiet: bool) -> None:
        """Print what is served where, what goes wrong when (unless ``quiet``), and ``serving``.

        Programs that start the simulator wait for that last line.
        """
        for bus, link in self._served.ports.items():
            self._out.write(f"{bus}: Modbus TCP {self._served.endpoints.host}:{link.port}\n")
        for bus, line in self._served.lines.items():
            self._out.write(f"{bus}: {line.port.path}\n")
        if not quiet:
            for wrong in self._served.scene.story.wrongs:
                where = f"{wrong.cause} at {wrong.place}"
                self._out.write(f"from {iso_utc(wrong.from_ms)}: {where} {wrong.note}\n")
        self._out.write("serving\n")
        self._out.flush()

    def update(self, *, quiet: bool) -> None:
        """Write the records, and the view at most once a second.

        On a terminal the view is redrawn in place; elsewhere it is printed again.
        """
        for writer in self._writers:
            writer.write()
        now = time.monotonic()
        if quiet or now - self._last < _EVERY_S:
            return
        self._last = now
        text = "\n".join(self.lines())
        if self._out.isatty() and self._lines:
            self._out.write(f"\x1b[{self._lines}A\x1b[J")
        self._out.write(text + "\n")
        self._lines = text.count("\n") + 1
        self._out.flush()

    def lines(self) -> list[str]:
        """What is true and what is shown now.

        The time, a line for each box with truth, indication and quality of its
        main signals, and the faults on the wire.
        """
        scene = self._served.scene
        shown = {signal: (value, quality) for signal, value, quality in scene.shown()}
        lines = [iso_utc(scene.now_ms)]
        for place in scene.story.setup.get("boxes", {}):
            truth = scene.lab.truth(place)
            cells = []
            for role in _SHOWN:
                value, quality = shown.get(f"{place}.{role}", (None, "not read"))
                number = "-" if value is None else f"{value:.3g}"
                cells.append(f"{role} {truth.get(role, 0.0):.3g} shown {number} {quality}")
            lines.append(f"  {place:10} " + " | ".join(cells))
        faults = [f"{f.kind} on {f.link}" for f in scene.faults.active()]
        return lines + ([f"  faults: {', '.join(faults)}"] if faults else [])
