"""The lab on real sockets: Modbus TCP ports, RTU and text lines on ptys."""

from __future__ import annotations

import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TypedDict

from dewline_sim.instruments.text_meters import FrostMeter, MoistureMeter
from dewline_sim.lines import LineDevice, LoopLine, Port, RtuUnits, SerialLine, TextDevice
from dewline_sim.modbus import TABLE_OF_FUNCTION, WRITES, Unit
from dewline_sim.pacing import PacedLine
from dewline_sim.scenario import Scene
from dewline_sim.tcp import TcpLink


class Counts(TypedDict):
    """What reached the units and meters, and which faults struck how often.

    ``by_unit`` is bus -> unit number -> function code -> requests, ``asked``
    the questions to text meters by bus, ``other`` neither reading nor writing.
    """

    read: int
    write: int
    other: int
    by_unit: dict[str, dict[str, dict[str, int]]]
    asked: dict[str, int]
    struck: dict[str, int]


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
        self.lines: dict[str, SerialLine] = {}
        self.units: dict[str, dict[int, Unit]] = {}
        self._text: dict[str, TextDevice] = {}
        self._sent: set[str] = set()
        for bus, kind in scene.bus_kinds.items():
            if kind == "ascii":
                self._add_text(bus, paced)
            else:
                units = {n: self._unit(name) for n, name in scene.buses[bus].items()}
                self.units[bus] = units
                if kind == "tcp":
                    self.ports[bus] = TcpLink(bus, units, scene.faults, self.lock)
                elif endpoints.rtu:
                    device = RtuUnits(bus, units, scene.faults)
                    self.lines[bus] = self._line(endpoints.rtu, device, bus, paced)

    def _unit(self, name: str) -> Unit:
        instrument = self.scene.instruments[name]
        return Unit(instrument.words, lambda: instrument.powered)

    def _add_text(self, bus: str, paced: bool) -> None:
        meter = self.scene.instruments[next(iter(self.scene.buses[bus].values()))]
        if self.endpoints.ascii and isinstance(meter, FrostMeter | MoistureMeter):
            device = self._text[bus] = TextDevice(bus, meter, self.scene.faults)
            self.lines[bus] = self._line(self.endpoints.ascii, device, bus, paced)

    def _line(self, base: Path, device: LineDevice, bus: str, paced: bool) -> SerialLine:
        """A line at the path ``base``, or PATH-BUS where another bus of its kind comes first."""
        kind, faults = self.scene.bus_kinds[bus], self.scene.faults
        first = next(n for n, k in self.scene.bus_kinds.items() if k == kind)
        port = Port(base if bus == first else base.with_name(f"{base.name}-{bus}"))
        if not paced:
            return LoopLine(port, device, faults, bus)
        baud = self.scene.story.setup["buses"][bus].get("baud", 19_200)
        frames = kind == "rtu"
        return PacedLine(port, device, faults, bus, baud=baud, lock=self.lock, frames=frames)

    def _send_line(self, bus: str) -> None:
        device = self._text.get(bus)
        if device is not None and (chunks := device.line()):
            self._sent.add(bus)
            self.lines[bus].send(chunks)

    async def __aenter__(self) -> Served:
        """Open every port and line."""
        port = self.endpoints.port
        for i, link in enumerate(self.ports.values()):
            await link.start(self.endpoints.host, port + i if port else 0)
        for line in self.lines.values():
            line.start()
        return self

    async def __aexit__(self, *exc: object) -> None:
        """Close them all."""
        for link in self.ports.values():
            await link.stop()
        for line in self.lines.values():
            line.stop()

    def advance(self, to_ms: int) -> bool:
        """Move the scene on to ``to_ms`` and wait until its text lines can be read.

        True where links may have to be dropped, plugged or unplugged: then
        await ``apply_faults`` before going on.
        """
        with self.lock:
            self.scene.advance(to_ms, on_line=self._send_line)
        for bus in self._sent:
            self.lines[bus].delivered()
        self._sent.clear()
        return self._unsettled()

    async def advance_with_faults(self, to_ms: int) -> None:
        """``advance``, and ``apply_faults`` where that is needed."""
        if self.advance(to_ms):
            await self.apply_faults()

    def _unsettled(self) -> bool:
        faults = self.scene.faults
        return (
            faults.any()
            or not all(line.port.is_open for line in self.lines.values())
            or any(not link.listening for link in self.ports.values())
        )

    async def apply_faults(self) -> None:
        """Bring links into the state the faults of the moment ask for."""
        for link in self.ports.values():
            await link.apply_faults()
        for line in self.lines.values():
            line.apply_faults()

    def counts(self) -> Counts:
        """What was asked of the units and meters so far, and the faults that struck.

        A request counts whether or not it was answered.
        """
        by_unit = {
            bus: {str(n): {str(f): c for f, c in u.counts.items()} for n, u in units.items()}
            for bus, units in self.units.items()
        }
        all_units = (unit for units in self.units.values() for unit in units.values())
        total = sum((unit.counts for unit in all_units), Counter[int]())
        reads = sum(count for function, count in total.items() if function in TABLE_OF_FUNCTION)
        return {
            "read": reads,
            "write": sum(count for f, count in total.items() if f in WRITES),
            "other": sum(total.values()) - reads - sum(total[f] for f in WRITES),
            "by_unit": by_unit,
            "asked": {bus: device.asked for bus, device in self._text.items()},
            "struck": dict(self.scene.faults.struck),
        }
