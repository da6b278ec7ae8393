"""Keeping a task alive: a failure is told, the task is started again, slower each time."""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable

from dewline.clock import Clock

log = logging.getLogger(__name__)
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.5, 60.0
_HEALTHY_AFTER_S = 600.0


async def keep_running(
    name: str,
    job: Callable[[], Awaitable[None]],
    clock: Clock,
    on_failures: Callable[[str, int], None],
) -> None:
    """Run ``job`` until it returns. ``on_failures(name, n)`` hears of the n-th failure in a row."""
    failures = 0
    while True:
        started = clock.monotonic()
        try:
            await job()
            return
        except Exception:  # whatever it was, the watch must go on and say so
            if clock.monotonic() - started > _HEALTHY_AFTER_S:
                failures = 0
            failures += 1
            log.exception("task %s failed (%d in a row)", name, failures)
            _tell(on_failures, name, failures)
        await clock.sleep(min(_LONGEST_PAUSE_S, _FIRST_PAUSE_S * 2**failures))


def _tell(on_failures: Callable[[str, int], None], name: str, failures: int) -> None:
    """What tells of a failure may stand on what has failed; that must not end the task too."""
    try:
        on_failures(name, failures)
    except Exception:
        log.exception("the failure of %s could not be told", name)
