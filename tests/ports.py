"""TCP ports of 127.0.0.1 that are held for the tests, so that nobody else can get them meanwhile.

A port that the kernel picked and that was let go again may be anybody's a moment later. These
ports lie below the range from which the kernel picks (32768 and up on Linux), in blocks. A
process holds the lock file of a block until it ends, and gives each port of it once.
"""

from __future__ import annotations

import fcntl
import itertools
import os
import socket
import tempfile
from collections.abc import Iterator
from pathlib import Path

FIRST, LAST, BLOCK = 20_000, 32_000, 200
_held: list[int] = []
"""File descriptors of the locks. A lock ends with its process, however that ends."""


def _hold(folder: Path, first: int) -> bool:
    """Take the block that begins with this port, unless another process has it."""
    lock = os.open(folder / str(first), os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o666)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        return False
    _held.append(lock)
    return True


def _is_silent(port: int) -> bool:
    """Whether no other program of this machine listens there."""
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def _ports() -> Iterator[int]:
    folder = Path(tempfile.gettempdir()) / "dewline-test-ports"
    folder.mkdir(mode=0o777, exist_ok=True)
    for first in itertools.cycle(range(FIRST, LAST, BLOCK)):
        if len(_held) == (LAST - FIRST) // BLOCK:
            raise RuntimeError(
                f"all ports from {FIRST} to {LAST} are in use; remedy: end old tests"
            )
        if _hold(folder, first):
            yield from filter(_is_silent, range(first, first + BLOCK))


_next_port = _ports()


def free_port() -> int:
    """A port that nothing listens on and that no other test process will be given."""
    return next(_next_port)
