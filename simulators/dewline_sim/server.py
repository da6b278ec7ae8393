"""The lab on real sockets: Modbus TCP ports, RTU and text lines on ptys."""

from __future__ import annotations

import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dewline_sim.instruments.talkers import FrostMeter, MoistureMeter
from dewline_sim.lines import LoopLine, Port, RtuUnits, Talker
from dewline_sim.modbus import TABLE_OF_FUNCTION, WRITES, Unit
from dewline_sim.pacing import PacedLine
from dewline_sim.scenario import Scene
from dewline_sim.tcp import TcpLink

Line = LoopLine | PacedLine


@dataclass(frozen=True, slots=True)
class Endpoints:
    """Where a lab is served. A second bus of a kind gets the next port, or PATH-BUS.

    TCP port 0 takes a free one for each bus.
    """

    host: str = "127.0.0.1"
    port: int = 0
    rtu: Path | None = None
    ascii: Path | None = None


class Served:
    """A scene behind its endpoints. ``paced`` lets serial lines keep the wire's time."""

    def __init__(self, scene: Scene, endpoints: Endpoints, *, paced: bool = False) -> None:
        self.scene = scene
        self.endpoints = endpoints
        self.lock = threading.Lock()
        self.ports: dict[str, TcpLink] = {}
        self.lines: dict[str, Line] = {}
        self.units: dict[str, dict[int, Unit]] = {}
        self._talkers: dict[str, Talker] = {}
        self._spoke: set[str] = set()
        for bus, kind in scene.bus_kinds.items():
            if kind == "ascii":
                self._add_text(bus, paced)
            else:
                units = {n: self._unit(n, name) for n, name in scene.buses[bus].items()}
                self.units[bus] = units
                if kind == "rtu":
                    self._add_rtu(bus, units, paced)
                else:
                    self.ports[bus] = TcpLink(bus, units, scene.faults, self.lock)
        scene.on_line = self._say

    def _unit(self, number: int, name: str) -> Unit:
        instrument = self.scene.instruments[name]
        return Unit(number, name, instrument.words, lambda: instrument.powered)

    def _path(self, bus: str, base: Path | None) -> Path | None:
        if base is None:
            return None
        kind = self.scene.bus_kinds[bus]
        first = next(n for n, k in self.scene.bus_kinds.items() if k == kind)
        return base if bus == first else base.with_name(f"{base.name}-{bus}")

    def _add_rtu(self, bus: str, units: dict[int, Unit], paced: bool) -> None:
        path = self._path(bus, self.endpoints.rtu)
        if path is not None:
            hearer = RtuUnits(bus, units, self.scene.faults)
            self.lines[bus] = self._line(Port(path), hearer, bus, paced, frames=True)

    def _add_text(self, bus: str, paced: bool) -> None:
        path = self._path(bus, self.endpoints.ascii)
        meter = self.scene.instruments[next(iter(self.scene.buses[bus].values()))]
        if path is not None and isinstance(meter, FrostMeter | MoistureMeter):
            talker = self._talkers[bus] = Talker(bus, meter, self.scene.faults)
            self.lines[bus] = self._line(Port(path), talker, bus, paced, frames=False)

    def _line(
        self, port: Port, hearer: RtuUnits | Talker, bus: str, paced: bool, *, frames: bool
    ) -> Line:
        faults = self.scene.faults
        if not paced:
            return LoopLine(port, hearer, faults, bus)
        baud = int(self.scene.story.setup["buses"][bus].get("baud", 19_200))
        return PacedLine(port, hearer, faults, bus, baud=baud, lock=self.lock, frames=frames)

    def _say(self, bus: str, meter: FrostMeter) -> None:
        talker = self._talkers.get(bus)
        if talker is not None and (chunks := talker.line()):
            self._spoke.add(bus)
            self.lines[bus].send(chunks)

    async def start(self) -> None:
        """Open every port and line."""
        port = self.endpoints.port
        for i, link in enumerate(self.ports.values()):
            await link.start(self.endpoints.host, port + i if port else 0)
        for line in self.lines.values():
            line.start()

    async def stop(self) -> None:
        """Close them all."""
        for link in self.ports.values():
            await link.stop()
        for line in self.lines.values():
            line.stop()

    async def __aenter__(self) -> Served:
        await self.start()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self.stop()

    def advance(self, to_ms: int) -> bool:
        """Tell the scene up to ``to_ms`` and see its text lines delivered.

        True where links may have to be dropped, plugged or unplugged: then
        await ``settle`` before going on.
        """
        with self.lock:
            self.scene.advance(to_ms)
        for bus in self._spoke:
            self.lines[bus].delivered()
        self._spoke.clear()
        return self._unsettled()

    async def advance_and_settle(self, to_ms: int) -> None:
        """``advance``, and ``settle`` where that is needed."""
        if self.advance(to_ms):
            await self.settle()

    def _unsettled(self) -> bool:
        faults = self.scene.faults
        return (
            faults.any()
            or not all(line.port.is_open for line in self.lines.values())
            or any(not link.listening for link in self.ports.values())
        )

    async def settle(self) -> None:
        """Bring links into the state the faults of the moment ask for."""
        for link in self.ports.values():
            await link.settle()
        for line in self.lines.values():
            line.settle()

    def counts(self) -> dict[str, Any]:
        """Requests to read and to write, the same by link, unit and function code, questions to
        talkers, and faults that struck.
        """
        by_unit = {
            bus: {str(n): {str(f): c for f, c in u.counts.items()} for n, u in units.items()}
            for bus, units in self.units.items()
        }
        total: Counter[int] = Counter()
        for units in self.units.values():
            for unit in units.values():
                total += unit.counts
        reads = sum(count for function, count in total.items() if function in TABLE_OF_FUNCTION)
        return {
            "read": reads,
            "write": sum(count for f, count in total.items() if f in WRITES),
            "other": sum(total.values()) - reads - sum(total[f] for f in WRITES),
            "by_unit": by_unit,
            "asked": {bus: talker.asked for bus, talker in self._talkers.items()},
            "struck": dict(self.scene.faults.struck),
        }
