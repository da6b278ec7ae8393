"""How tests wait: for what has to come, however slow the machine is.

A test waits on progress and gives up only after ``PATIENCE_S``, which is far more than anything
takes on a machine that does four other things as well. A bound on time that a test does assert
is either a least one, or far from the time that a fault would take.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import TypeVar

PATIENCE_S = 240.0
TRIES = 30

T = TypeVar("T")


async def until(what: str, ready: Callable[[], T | None], within_s: float = PATIENCE_S) -> T:
    """Poll ``ready`` until it gives something true; AssertionError names what never came."""
    deadline = time.monotonic() + within_s
    while not (found := ready()):
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        await asyncio.sleep(0.01)
    return found


def wait_until(what: str, ready: Callable[[], T | None], within_s: float = PATIENCE_S) -> T:
    """The same outside an event loop, for what another process does."""
    deadline = time.monotonic() + within_s
    while not (found := ready()):
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.03)
    return found


async def least_s(once: Callable[[], Awaitable[float]], enough_s: float) -> float:
    """The shortest of several measurements; ends with the first below ``enough_s``.

    A busy machine makes a measurement longer, never shorter: the shortest is the nearest to what
    the code itself takes.
    """
    shortest = float("inf")
    for _ in range(TRIES):
        shortest = min(shortest, await once())
        if shortest < enough_s:
            break
    return shortest
