"""Ledger rows: closed with ids that a replay gives again, the latest ones kept for a while."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from math import isfinite
from typing import NamedTuple, NotRequired, TypedDict

from dewline.events import LedgerRow
from dewline.hours import LocalTime
from dewline.typed_json import Json
from dewline.watch.saved import Kept

REMEMBERED = 30
LEAK_TEST = "leak-test"


class OpenRow(NamedTuple):
    """A row that is not yet closed, so far. ``started_at_ms`` is watch time."""

    box: str
    kind: str
    started_at_ms: int
    document: Mapping[str, object]


class ShownRow(TypedDict):
    """A row as status shows it, in wall time; an open one has no ``id`` and no end yet."""

    id: NotRequired[str]
    box: str
    kind: str
    started_ms: int
    ended_ms: int | None
    document: dict[str, object]


class LedgerTable(TypedDict):
    """Rows still open, and the last closed ones, newest last."""

    open: list[ShownRow]
    recent: list[ShownRow]


class Started(NamedTuple):
    """When the last row of a place and kind started (wall time), and how many have then."""

    at_ms: int
    times: int


class RowBook(Kept):
    """All rows of a site. ``recent``: the last closed ones, newest last."""

    _last: dict[str, Started]
    recent: list[LedgerRow]

    def __init__(self, site: str, clock: LocalTime) -> None:
        self._site = site
        self._clock = clock
        self._closed: list[LedgerRow] = []
        self._last = {}
        self.recent = []

    def close(
        self,
        place: str,
        kind: str,
        started_at_ms: int,
        ended_at_ms: int,
        document: Mapping[str, object],
    ) -> None:
        """Write a row of a box or purifier (``place``).

        The times given are watch times in ms; the row has wall times. In its document numbers
        have six significant digits.
        """
        started_ms, ended_ms = self._clock.label(started_at_ms), self._clock.label(ended_at_ms)
        row = LedgerRow(
            self._identity(place, kind, started_ms),
            place,
            kind,
            started_ms,
            max(started_ms, ended_ms),
            tidy_document(document),
        )
        self._closed.append(row)
        self.recent = [*self.recent, row][-REMEMBERED:]

    def _identity(self, place: str, kind: str, started_ms: int) -> str:
        """An id of place, kind and start, so that the same items give the same id again."""
        key = f"{place}|{kind}"
        last = self._last.get(key)
        n = last.times if last is not None and last.at_ms == started_ms else 0
        self._last[key] = Started(started_ms, n + 1)
        return _row_id(self._site, key, started_ms, n)

    def fetch_closed(self) -> tuple[LedgerRow, ...]:
        """The rows closed since the last call."""
        if not self._closed:
            return ()
        rows, self._closed = tuple(self._closed), []
        return rows

    def table(self, still: list[OpenRow]) -> LedgerTable:
        """All rows as status shows them.

        ``still``: the rows that are open. Of the closed ones it has the last 30.
        """
        return {
            "open": [_shown(row, self._clock.label(row.started_at_ms), None) for row in still],
            "recent": [shown_row(row) for row in self.recent],
        }


def _row_id(site: str, key: str, started_ms: int, number: int) -> str:
    return hashlib.sha256(f"{site}|{key}|{started_ms}|{number}".encode()).hexdigest()[:16]


def leak_test_row(
    site: str, box: str, started_ms: int, ended_ms: int, document: Mapping[str, object]
) -> LedgerRow:
    """The closed row of a leak test, which a command has judged; times are wall times in ms.

    The same test judged again has the same id. ValueError where it ends before it starts.
    """
    if ended_ms < started_ms:
        raise ValueError(f"ends at {ended_ms}, before it starts at {started_ms}")
    name = _row_id(site, f"{box}|{LEAK_TEST}", started_ms, 0)
    return LedgerRow(name, box, LEAK_TEST, started_ms, ended_ms, tidy_document(document))


def shown_row(row: LedgerRow) -> ShownRow:
    """A closed row as status shows it."""
    return {"id": row.id, **_shown(row, row.started_ms, row.ended_ms)}


def _shown(row: OpenRow | LedgerRow, started_ms: int, ended_ms: int | None) -> ShownRow:
    return {
        "box": row.box,
        "kind": row.kind,
        "started_ms": started_ms,
        "ended_ms": ended_ms,
        "document": dict(row.document),
    }


def number(document: Mapping[str, object], key: str) -> float | None:
    """A number of a row's document; None where the document has none under this key."""
    value = document.get(key)
    return value if isinstance(value, int | float) else None


def tidy_document(document: Mapping[str, object]) -> dict[str, Json]:
    """The document of a row: its numbers with six significant digits, those not finite as null."""
    return {key: _tidy(value) for key, value in document.items()}


def _tidy(value: object) -> Json:
    if isinstance(value, float):
        return float(f"{value:.6g}") if isfinite(value) else None
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, Mapping):
        return tidy_document(value)
    if isinstance(value, list | tuple):
        return [_tidy(part) for part in value]
    raise TypeError(f"{type(value).__name__} cannot stand in a ledger row")
