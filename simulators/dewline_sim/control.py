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
import contextlib
import json
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path
from typing import Required, TypedDict

from dewline_sim.faults import KINDS
from dewline_sim.instruments.instrument import ACTS
from dewline_sim.physics.acts import meaning
from dewline_sim.record import Writer
from dewline_sim.scenario import Scene
from dewline_sim.server import Served
from dewline_sim.typed_tree import Tree, build, tree_of

REQUESTS = (
    "advance_to_ms", "hello", "fault", "clear", "act", "counts", "truth", "shown", "acts",
)  # fmt: skip
_MOST_BYTES = 1_000_000  # of one request
_Act = TypedDict(
    "_Act",
    {"do": Required[str], "place": str | None, "instrument": str | None, "with": Tree | None},
    total=False,
)


def known_acts(scene: Scene) -> Mapping[str, Mapping[str, str]]:
    """Everything that can be done to a lab, by group, with its meaning."""
    faults = {name: kind.what for name, kind in KINDS.items()}
    instrument = {name: meaning(act) for name, act in ACTS.items()}
    return {"lab": scene.lab.acts(), "instrument": instrument, "fault": faults}


@contextlib.asynccontextmanager
async def control(
    served: Served, path: Path, writers: Sequence[Writer] = ()
) -> AsyncIterator[None]:
    """Serve one lab's control socket while the block lasts, in place of a file left there.

    ``writers`` record the scene at every advance. What has not been answered at the end of the
    block never is.
    """
    path.unlink(missing_ok=True)  # noqa: ASYNC240 - microseconds, once, at the start
    requests = _Requests(served, writers)
    server = await asyncio.start_unix_server(requests.converse, path, limit=_MOST_BYTES)
    try:
        yield
    finally:
        server.close()
        for writer in requests.open:
            writer.transport.abort()
        path.unlink(missing_ok=True)  # noqa: ASYNC240
        await asyncio.sleep(0)


class _Requests:
    """Answers the requests of every connection; ``open`` are those that last."""

    def __init__(self, served: Served, writers: Sequence[Writer]) -> None:
        self.served = served
        self._writers = writers
        self.open: set[asyncio.StreamWriter] = set()

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer one connection line by line, until it is closed."""
        self.open.add(writer)
        with contextlib.closing(writer), contextlib.suppress(ConnectionError):
            async for line in reader:
                writer.write(json.dumps(await self._answer(line)).encode() + b"\n")
        self.open.discard(writer)

    async def _answer(self, line: bytes) -> Mapping[str, object]:
        """Do what one line asks; what cannot be read or carried out is answered with an error."""
        try:
            asked = json.loads(line)
            if "advance_to_ms" in asked:
                return await self._advance(int(asked["advance_to_ms"]))
            return await self._do(asked)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            return {"error": str(error) or type(error).__name__}

    async def _advance(self, to_ms: int) -> Mapping[str, object]:
        unsettled = self.served.advance(to_ms)
        for writer in self._writers:
            writer.write()
        if unsettled:
            await self.served.apply_faults()
        return {"served_ms": to_ms}

    async def _do(self, asked: Tree) -> Mapping[str, object]:
        """What changes faults is answered once every link is in the state that they ask for."""
        faults = self.served.scene.faults
        if "fault" in asked:
            fault = faults.add(tree_of(asked["fault"], "fault"))
            await self.served.apply_faults()
            return {"fault": fault.id}
        if "clear" in asked:
            cleared = faults.clear(None if asked["clear"] == "all" else int(str(asked["clear"])))
            await self.served.apply_faults()
            return {"cleared": cleared}
        if "act" in asked:
            self._act(build(_Act, asked["act"], "act"))
            return {"done": True}
        return self._told(asked)

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
