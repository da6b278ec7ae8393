"""Telling systemd how the daemon is: the notify protocol of sd_notify(3), no dependency needed."""

from __future__ import annotations

import os
import socket


def notify(message: str) -> bool:
    """Send ``READY=1``, ``WATCHDOG=1`` or the like; False where nobody listens.

    The time limit matters: a full queue would block the daemon that it is to watch.
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
