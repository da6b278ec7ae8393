"""The control socket: one JSON document a line over a Unix socket.

    {"advance_to_ms": T}                       -> {"served_ms": T}
    {"fault": {"kind": ..., "link": ...}}      -> {"fault": ID}
    {"clear": ID} or {"clear": "all"}          -> {"cleared": N}
    {"act": {"do": ..., "place" or "instrument": ..., "with": {...}}}  -> {"done": true}
    {"hello": true}  {"counts": true}  {"truth": PLACE}  {"shown": true}  {"acts": true}

``served_ms`` is sent once everything up to T has been told and every line
streamed up to then can be read. A mistake answers {"error": TEXT}.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from dewline_sim.faults import KINDS
from dewline_sim.instruments.instrument import ACTS
from dewline_sim.record import CsvWriter, TruthWriter
from dewline_sim.scenario import Scene
from dewline_sim.server import Served

ASKED = (
    "advance_to_ms", "hello", "fault", "clear", "act", "counts", "truth", "shown", "acts",
)  # fmt: skip
Writer = CsvWriter | TruthWriter


def known_acts(scene: Scene) -> dict[str, Mapping[str, str]]:
    """Everything that can be done to a lab, by group, with its meaning."""
    faults = {kind: what for kind, (_, what) in KINDS.items()}
    return {"lab": scene.lab.acts(), "instrument": ACTS, "fault": faults}


class Control:
    """Serves one lab's control socket."""

    def __init__(self, served: Served, path: Path, writers: Sequence[Writer] = ()) -> None:
        self.served = served
        self._writers = writers
        self.path = path
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Transport] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        self.path.unlink(missing_ok=True)
        loop = asyncio.get_running_loop()
        self._server = await loop.create_unix_server(lambda: _Line(self), str(self.path))

    async def stop(self) -> None:
        if self._server is not None:
            self._server.close()
            for transport in list(self._open):
                transport.abort()
            for task in list(self._tasks):
                task.cancel()
            self.path.unlink(missing_ok=True)
            await asyncio.sleep(0)

    async def __aenter__(self) -> Control:
        await self.start()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await self.stop()

    def hear(self, line: bytes, reply: Callable[[dict[str, Any]], None]) -> None:
        """Do what one line asks; ``reply`` may be called a little later."""
        try:
            asked = json.loads(line)
            if "advance_to_ms" in asked:
                self._advance(int(asked["advance_to_ms"]), reply)
            else:
                self._do(asked, reply)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            reply({"error": str(error) or type(error).__name__})

    def _advance(self, to_ms: int, reply: Callable[[dict[str, Any]], None]) -> None:
        unsettled = self.served.advance(to_ms)
        for writer in self._writers:
            writer.write()
        if unsettled:
            self._settle({"served_ms": to_ms}, reply)
        else:
            reply({"served_ms": to_ms})

    def _settle(self, answer: dict[str, Any], reply: Callable[[dict[str, Any]], None]) -> None:
        async def settle() -> None:
            await self.served.settle()
            reply(answer)

        task = asyncio.get_running_loop().create_task(settle())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _do(self, asked: Mapping[str, Any], reply: Callable[[dict[str, Any]], None]) -> None:
        scene = self.served.scene
        if "fault" in asked:
            self._settle({"fault": scene.faults.add(asked["fault"]).id}, reply)
        elif "clear" in asked:
            which = None if asked["clear"] == "all" else int(asked["clear"])
            self._settle({"cleared": scene.faults.clear(which)}, reply)
        elif "act" in asked:
            act = asked["act"]
            with self.served.lock:
                scene.act(act["do"], act.get("place"), act.get("instrument"), act.get("with") or {})
            reply({"done": True})
        elif "hello" in asked:
            reply({"now_ms": scene.now_ms, "end_ms": scene.story.end_ms, "story": scene.story.name})
        elif "counts" in asked:
            reply({"counts": self.served.counts()})
        elif "truth" in asked:
            reply({"now_ms": scene.now_ms, "truth": dict(scene.lab.truth(asked["truth"]))})
        elif "shown" in asked:
            reply({"now_ms": scene.now_ms, "shown": {s: [v, q] for s, v, q in scene.shown()}})
        elif "acts" in asked:
            reply(known_acts(scene))
        else:
            reply({"error": f"ask for {', '.join(ASKED)}"})


class _Line(asyncio.Protocol):
    def __init__(self, control: Control) -> None:
        self._control = control
        self._buffer = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._control._open.add(transport)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is not None:
            self._control._open.discard(self._transport)
        self._transport = None

    def data_received(self, data: bytes) -> None:
        self._buffer += data
        *lines, self._buffer = self._buffer.split(b"\n")
        for line in lines:
            self._control.hear(line, self._reply)

    def _reply(self, answer: dict[str, Any]) -> None:
        if self._transport is not None:
            self._transport.write(json.dumps(answer).encode() + b"\n")
