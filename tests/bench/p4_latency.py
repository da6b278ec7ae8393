"""P4: from a limit crossed to the message at a subscriber: poll, judge, commit, publish.

A register of a Modbus TCP instrument steps over 5 ppm at random moments of the 100 ms
between polls; the clock starts as it changes, so that the wait for the next poll is in
it. Broker and subscriber are real. Beside it: a script that polls the same register as
often and publishes what crosses, with no record to commit first.
"""

from __future__ import annotations

import asyncio
import json
import math
import random
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from subprocess import Popen

import aiomqtt

from tests.bench import site_of_boxes
from tests.bench.measured import FAR, PAIRS, Line, Spread, beside, in_turn, on_core
from tests.bench.processes import FarSide, broker, daemon, far_side, peer

EVERY_MS = 100
CROSSINGS = 200  # at least, of each side over all its turns
CLEAN, WET = 60, 900
LIMIT_MS = EVERY_MS + 50.0
MESSAGE_WITHIN_S = 15.0


def config(folder: Path, port: int, mqtt_port: int) -> Path:
    """One box, one rule without delay."""
    document = site_of_boxes.document([port], EVERY_MS)
    document["rule_sets"] = []
    document["rules"] = {"high": {"signal": "oxygen", "above": "5 ppm", "acknowledge": "auto"}}
    document["mqtt"] = {"host": "127.0.0.1", "port": mqtt_port}
    return site_of_boxes.write(folder / "site", document)


async def heard(client: aiomqtt.Client, transition: str) -> float:
    """The moment at which that event came, on the clock that all processes share."""
    now = asyncio.get_running_loop().time
    async with asyncio.timeout(MESSAGE_WITHIN_S):
        async for message in client.messages:
            document = json.loads(message.payload)
            if (document["alarm"], document["transition"]) == ("heron.high", transition):
                return now()
    raise RuntimeError("the subscription ended")


async def crossings(far: FarSide, port: int, count: int, chance: random.Random) -> list[float]:
    """Milliseconds from register to subscriber; not the first, which waits for the start."""
    took_ms = []
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.subscribe("dewline/saltmarsh/event", qos=1)
        for _ in range(count + 1):
            changed = far.ask(f"set {WET}")
            took_ms.append((await heard(client, "raised") - changed) * 1000)
            far.ask(f"set {CLEAN}")
            await heard(client, "cleared")
            await asyncio.sleep(chance.uniform(1, 2) * EVERY_MS / 1000)
    return took_ms[1:]


def turn(
    far: FarSide, port: int, count: int, start: Callable[[], AbstractContextManager[Popen[str]]]
) -> list[float]:
    """One side, ``count`` crossings."""
    chance = random.Random(count)
    far.ask(f"set {CLEAN}")
    with start():
        return asyncio.run(crossings(far, port, count, chance))


def p99(values_ms: list[float]) -> float:
    """The value that 99 of 100 do not pass."""
    return sorted(values_ms)[max(0, round(len(values_ms) * 0.99) - 1)]


def measure(*, small: bool = False) -> list[Line]:
    """``small``: three crossings, one pair."""
    pairs, count = (1, 3) if small else (PAIRS, math.ceil(CROSSINGS / PAIRS))
    with on_core(FAR), tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = folder / "log"
        with far_side("instruments.py", "1", log=log) as far, broker(folder) as port:
            path = config(folder, far.said[0], port)
            words = ("poll-and-publish", str(EVERY_MS), str(far.said[0]), str(port))
            found = in_turn(
                {
                    "dewline": lambda: turn(far, port, count, lambda: daemon(path)),
                    "script": lambda: turn(far, port, count, lambda: peer(*words, log=log)),
                },
                pairs,
            )
    ours, script = found["dewline"], found["script"]
    all_ms = [ms for took_ms in ours for ms in took_ms]
    all_script_ms = [ms for took_ms in script for ms in took_ms]
    medians = [Spread(tuple(Spread(tuple(ms)).median for ms in side)) for side in (ours, script)]
    worst = [Spread((p99(side),)) for side in (all_ms, all_script_ms)]
    other = "poll + publish script"
    what = f"ms from register to subscriber, poll {EVERY_MS} ms, {len(all_ms)} crossings"
    holds = worst[0].median <= LIMIT_MS
    return [
        Line("P4", f"p99, {what}", worst[0], (beside(other, *worst),), "≤ 150", holds),
        Line("P4", "median of each turn", medians[0], (beside(other, *medians),)),
    ]
