"""Keep a task running: each failure is logged and reported, then it starts again after a pause."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

from dewline.clock import Backoff, Clock

log = logging.getLogger(__name__)
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 1.0, 60.0
_HEALTHY_AFTER_S = 600.0

Job = Callable[[], Awaitable[None]]
OnFailures = Callable[[str, int], None]
Start = Callable[[str, Job], asyncio.Task[None]]
"""Runs a job as a supervised task of that name."""


async def keep_running(name: str, job: Job, clock: Clock, on_failures: OnFailures) -> None:
    """Run ``job`` again and again until it returns; an exception does not end it.

    Pauses between starts double from 1 s to 60 s. ``on_failures(name, n)`` reports the n-th
    failure in a row; a run of more than 10 min starts the count and the pauses over.
    """
    failures, pause = 0, Backoff(_FIRST_PAUSE_S, _LONGEST_PAUSE_S)
    while True:
        started = clock.monotonic()
        try:
            await job()
            return
        except Exception:  # whatever it was, the watch must go on and say so
            if clock.monotonic() - started > _HEALTHY_AFTER_S:
                failures = 0
                pause.reset()
            failures += 1
            log.exception("task %s failed (%d in a row)", name, failures)
            _report(on_failures, name, failures)
        await clock.sleep(pause.next_s())


def _report(on_failures: OnFailures, name: str, failures: int) -> None:
    """Report a failure; the same fault may break the report, which must not end the task too."""
    try:
        on_failures(name, failures)
    except Exception:
        log.exception("the failure of %s could not be told", name)
