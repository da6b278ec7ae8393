"""Reports to systemd by the notify protocol of sd_notify(3), which needs no library."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Callable

from dewline.clock import Clock

log = logging.getLogger(__name__)


def notify(message: str) -> bool:
    """Send ``READY=1``, ``WATCHDOG=1`` or the like; False where nobody listens.

    It waits 0.2 s at most: a full queue must not block the daemon that systemd watches.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return False
    if address[0] == "@":
        address = "\0" + address[1:]
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.settimeout(0.2)
            line.connect(address)
            line.sendall(message.encode())
            return True
    except OSError:
        return False


def watchdog_every_s() -> float | None:
    """How often to report to the watchdog of systemd, in s; None where there is none.

    A third of the time that systemd waits (sd_watchdog_enabled(3) asks for half at most), so
    that one report may come late.
    """
    waits_us = os.environ.get("WATCHDOG_USEC", "")
    meant_for = os.environ.get("WATCHDOG_PID", str(os.getpid()))
    if not waits_us.isdecimal() or int(waits_us) == 0 or meant_for != str(os.getpid()):
        return None
    return int(waits_us) / 3e6


async def feed_watchdog(
    every_s: float, clock: Clock, behind: Callable[[], tuple[str, ...]]
) -> None:
    """Report to the watchdog for as long as every part makes progress.

    Without a report systemd restarts the daemon. Which parts stand still is logged once.
    """
    logged: tuple[str, ...] = ()
    while True:
        still = behind()
        if not still:
            notify("WATCHDOG=1")
        elif still != logged:
            log.error("standing still: %s; the watchdog goes hungry", ", ".join(still))
        logged = still
        await clock.sleep(every_s)
