"""Disk space of the record: a lock for one daemon a file, and a reserve for a full disk."""

from __future__ import annotations

import contextlib
import fcntl
import os
from pathlib import Path

from dewline.errors import JournalError


class Lock:
    """Lock of the one daemon that writes ``path``; the kernel releases it with the process.

    JournalError, with the process that has it, where it is taken.
    """

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + ".lock")
        try:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise JournalError(f"{self._path} cannot be opened: {error.strerror}") from error
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            owner = os.read(self._file, 20).decode("ascii", "replace").strip() or "unknown"
            os.close(self._file)
            raise JournalError(f"{path} is in use by process {owner}") from error
        with contextlib.suppress(OSError):  # the pid is for people; a full disk may refuse it
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Release the lock. Its file stays: removing it could remove another daemon's lock."""
        os.close(self._file)


def owner_of(path: Path) -> int | None:
    """Id of the process that writes the record now; None where none does.

    0 where it holds the lock and could not write its id, for want of disk space.
    """
    lock = path.with_name(path.name + ".lock")
    try:
        with lock.open("rb") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                return int(file.read(20) or 0)
    except (OSError, ValueError):
        return None
    return None


def size_bytes(path: Path) -> int:
    """Size of a file; 0 where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def log_bytes(path: Path) -> int:
    """Size of the write-ahead log of the record at ``path``."""
    return size_bytes(path.with_name(path.name + "-wal"))


class Reserve:
    """Disk space kept back (``JOURNAL.reserve``), given up first when the disk is full."""

    def __init__(self, path: Path, size_bytes: int) -> None:
        self._path = path.with_name(path.name + ".reserve")
        self._size_bytes = size_bytes

    @property
    def held(self) -> bool:
        """Whether the space is kept back now."""
        return self._path.exists()

    def free_bytes(self) -> int:
        """Bytes that the file system has left for this process; 0 where it cannot say."""
        try:
            disk = os.statvfs(self._path.parent)
        except OSError:
            return 0
        return disk.f_bavail * disk.f_frsize

    @property
    def short(self) -> bool:
        """Whether the disk has less left than the reserve would take."""
        return self.free_bytes() < self._size_bytes

    def hold(self) -> bool:
        """Keep the space back where the disk has twice as much; whether it is kept.

        A file of that size is allocated beside the record. Never half of it: where the disk is
        too full after all, nothing is kept.
        """
        if self.held:
            return True
        if not self._size_bytes or self.free_bytes() < 2 * self._size_bytes:
            return False
        try:
            with self._path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size_bytes)
        except OSError:  # no room after all: better none than half
            self.give_up()
            return False
        return True

    def give_up(self) -> bool:
        """Free the space; False if there was none."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True
