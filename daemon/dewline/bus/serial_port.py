"""Serial ports: their settings, why one cannot be opened, and which process holds it.

The port is locked with flock by pyserial (``exclusive``); the kernel drops the lock
with the process, however it ended.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import TypedDict

from dewline.config.plan import SerialPortPlan
from dewline.errors import LinkDown


class Settings(TypedDict):
    """Serial settings as pyserial and pymodbus name them."""

    baudrate: int
    bytesize: int
    parity: str
    stopbits: int


def settings(line: SerialPortPlan) -> Settings:
    """How to open a line. A pseudo-terminal has neither parity nor 7 bits and refuses them."""
    pseudo = os.path.realpath(line.port).startswith("/dev/pts/")
    return Settings(
        baudrate=line.baud,
        bytesize=8 if pseudo else line.data_bits,
        parity="N" if pseudo else line.parity[0].upper(),
        stopbits=line.stop_bits,
    )


def why_closed(port: str) -> LinkDown:
    """The reason why ``port`` cannot be opened, as an error whose text is for a person.

    Opens the port once more to find it out: the system's own message, or the process that holds
    the lock.
    """
    try:
        handle = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        return LinkDown(f"{port}: {error.strerror}")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        pid = _lock_holder(os.fstat(handle))
        return LinkDown(f"{port} is held by " + (f"process {pid}" if pid else "another process"))
    except OSError as error:
        return LinkDown(f"{port}: {error.strerror}")
    finally:
        os.close(handle)
    return LinkDown(f"{port} cannot be set up as a serial port")


def _lock_holder(port: os.stat_result) -> int | None:
    """The pid of the flock on this file. Format of /proc/locks: proc(5)."""
    device = f"{os.major(port.st_dev):02x}:{os.minor(port.st_dev):02x}:{port.st_ino}"
    try:
        locks = Path("/proc/locks").read_text(encoding="ascii")
    except OSError:  # not on this system
        return None
    for line in locks.splitlines():
        fields = line.split()
        if "FLOCK" in fields and "->" not in fields and fields[-3] == device:
            return int(fields[-4])
    return None
