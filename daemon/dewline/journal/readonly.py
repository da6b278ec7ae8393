"""A read-only connection to a record that another thread or process goes on writing."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

from dewline.errors import JournalError
from dewline.journal.schema import MIGRATIONS, is_damage, schema_version, stand_in

TIME_LIMIT_S = 30.0
Value = str | int | float | bytes | None  # what SQLite stores; its rows have no static type
STEPS_BETWEEN_CHECKS = 20_000


class ReadOnly:
    """Opened at the first question, and again where the file was replaced since.

    Every question may raise JournalError: the record is not there, is damaged or of another
    version, or the answer took longer than ``time_limit_s``.
    """

    def __init__(self, path: Path, time_limit_s: float = TIME_LIMIT_S) -> None:
        self.path = path
        self._time_limit_s = time_limit_s
        self._deadline = 0.0
        self._file: tuple[int, int] | None = None
        self._connection: sqlite3.Connection | None = None
        self._known_signals: dict[int, tuple[str, str, str]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the next question opens it again."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None
            self._known_signals = {}

    def _all(self, statement: str, *values: Value) -> list[Any]:
        """All rows of one question."""
        with self._asking() as connection:
            return connection.execute(statement, values).fetchall()

    def _first(self, statement: str, *values: Value) -> Any:
        """The first row, or None."""
        with self._asking() as connection:
            return connection.execute(statement, values).fetchone()

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """Several questions to one state of the record."""
        with self._asking() as connection:
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                connection.execute("COMMIT")

    @contextlib.contextmanager
    def _asking(self) -> Iterator[sqlite3.Connection]:
        self._deadline = time.monotonic() + self._time_limit_s
        try:
            yield self._open()
        except sqlite3.Error as error:
            self.close()
            raise JournalError(self._message(error)) from error

    def _message(self, error: sqlite3.Error) -> str:
        if getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_INTERRUPT:
            return f"{self.path}: the answer took longer than {self._time_limit_s:g} s"
        if is_damage(error):
            return f"{self.path} is damaged: {error}"
        return f"{self.path} cannot be read: {error}"

    def _open(self) -> sqlite3.Connection:
        try:
            stat = os.stat(self.path)
        except OSError as error:
            self.close()
            raise JournalError(f"{self.path} cannot be read: {error.strerror}") from error
        file = (stat.st_dev, stat.st_ino)
        if self._connection is None or file != self._file:
            self.close()
            self._connection = self._connect()
            self._file = file
        return self._connection

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode=ro",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=5.0,
        )
        try:
            version = schema_version(connection, self.path)
            if version > len(MIGRATIONS):
                raise JournalError(f"{self.path} was written by a newer dewline (schema {version})")
            if version == 0:
                raise JournalError(f"{self.path} is empty")
            stand_in(connection, version)
            connection.execute("PRAGMA query_only = 1")
            connection.set_progress_handler(self._is_over_time, STEPS_BETWEEN_CHECKS)
        except BaseException:
            connection.close()
            raise
        return connection

    def _is_over_time(self) -> bool:
        return time.monotonic() > self._deadline

    # ---- signals

    def _signal(self, number: int) -> tuple[str, str, str]:
        """(name, unit, origin) of a signal id."""
        if number not in self._known_signals:
            self._all_signals()
        return self._known_signals[number]

    def _all_signals(self) -> dict[int, tuple[str, str, str]]:
        rows = self._all("SELECT id, name, unit, origin FROM signal ORDER BY id")
        self._known_signals = {number: (name, unit, origin) for number, name, unit, origin in rows}
        return self._known_signals

    def signals(self) -> dict[str, str]:
        """Unit of every signal ever recorded, by full name; the newest where it changed."""
        return {name: unit for name, unit, _ in self._all_signals().values()}
