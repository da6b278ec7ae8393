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
from typing import Required, TypedDict

from dewline_sim.faults import KINDS
from dewline_sim.instruments.instrument import ACTS
from dewline_sim.record import Writer
from dewline_sim.scenario import Scene
from dewline_sim.server import Served
from dewline_sim.typed_tree import Tree, build, tree_of

REQUESTS = (
    "advance_to_ms", "hello", "fault", "clear", "act", "counts", "truth", "shown", "acts",
)  # fmt: skip
Answer = Callable[[Mapping[str, object]], None]
_Act = TypedDict(
    "_Act",
    {"do": Required[str], "place": str | None, "instrument": str | None, "with": Tree | None},
    total=False,
)


def known_acts(scene: Scene) -> Mapping[str, Mapping[str, str]]:
    """Everything that can be done to a lab, by group, with its meaning."""
    faults = {kind: what for kind, (_, what) in KINDS.items()}
    return {"lab": scene.lab.acts(), "instrument": ACTS, "fault": faults}


class Control:
    """Serves one lab's control socket. ``writers`` record the scene at every advance."""

    def __init__(self, served: Served, path: Path, writers: Sequence[Writer] = ()) -> None:
        self.served = served
        self._writers = writers
        self.path = path
        self._server: asyncio.Server | None = None
        self._open: set[asyncio.Transport] = set()
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen on the socket, in place of a file left there."""
        self.path.unlink(missing_ok=True)
        loop = asyncio.get_running_loop()
        self._server = await loop.create_unix_server(lambda: _Connection(self), str(self.path))

    async def stop(self) -> None:
        """Close the socket and every connection; what has not been answered never is."""
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

    def receive(self, line: bytes, answer: Answer) -> None:
        """Do what one line asks. ``answer`` is called once, perhaps a little later.

        A request that cannot be read or carried out is answered with an error.
        """
        try:
            asked = json.loads(line)
            if "advance_to_ms" in asked:
                self._advance(int(asked["advance_to_ms"]), answer)
            else:
                self._do(asked, answer)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            answer({"error": str(error) or type(error).__name__})

    def _advance(self, to_ms: int, answer: Answer) -> None:
        unsettled = self.served.advance(to_ms)
        for writer in self._writers:
            writer.write()
        if unsettled:
            self._apply_faults({"served_ms": to_ms}, answer)
        else:
            answer({"served_ms": to_ms})

    def _apply_faults(self, document: Mapping[str, object], answer: Answer) -> None:
        """Answer once every link is in the state that the faults ask for."""

        async def apply() -> None:
            await self.served.apply_faults()
            answer(document)

        task = asyncio.get_running_loop().create_task(apply())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _do(self, asked: Tree, answer: Answer) -> None:
        faults = self.served.scene.faults
        if "fault" in asked:
            self._apply_faults({"fault": faults.add(tree_of(asked["fault"], "fault")).id}, answer)
        elif "clear" in asked:
            which = None if asked["clear"] == "all" else int(str(asked["clear"]))
            self._apply_faults({"cleared": faults.clear(which)}, answer)
        elif "act" in asked:
            self._act(build(_Act, asked["act"], "act"))
            answer({"done": True})
        else:
            answer(self._told(asked))

    def _act(self, act: _Act) -> None:
        with self.served.lock:
            self.served.scene.act(
                act["do"], act.get("place"), act.get("instrument"), act.get("with") or {}
            )

    def _told(self, asked: Tree) -> Mapping[str, object]:
        """The answer to a question that changes nothing."""
        scene = self.served.scene
        if "hello" in asked:
            story = scene.story
            return {"now_ms": scene.now_ms, "end_ms": story.end_ms, "story": story.name}
        if "counts" in asked:
            return {"counts": self.served.counts()}
        if "truth" in asked:
            return {"now_ms": scene.now_ms, "truth": dict(scene.lab.truth(str(asked["truth"])))}
        if "shown" in asked:
            return {"now_ms": scene.now_ms, "shown": {s: [v, q] for s, v, q in scene.shown()}}
        if "acts" in asked:
            return known_acts(scene)
        return {"error": f"ask for {', '.join(REQUESTS)}"}


class _Connection(asyncio.Protocol):
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
            self._control.receive(line, self._answer)

    def _answer(self, document: Mapping[str, object]) -> None:
        if self._transport is not None:
            self._transport.write(json.dumps(document).encode() + b"\n")
