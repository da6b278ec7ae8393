"""Closes ledger rows: ids that a replay gets again, wall times, the last few for status."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from math import isfinite
from typing import Any

from dewline.events import LedgerRow
from dewline.hours import LocalTime
from dewline.watch.saved import Kept

REMEMBERED = 30


class RowBook(Kept):
    """All rows of a site. ``closed`` gathers those of the item in hand."""

    KEPT = ("_last", "recent")

    def __init__(self, site: str, clock: LocalTime) -> None:
        self._site = site
        self._clock = clock
        self.closed: list[LedgerRow] = []
        self._last: dict[str, list[int]] = {}  # place|kind -> last started_ms and how many had it
        self.recent: list[dict[str, Any]] = []

    def close(
        self,
        place: str,
        kind: str,
        started_at_ms: int,
        ended_at_ms: int,
        document: Mapping[str, Any],
    ) -> None:
        """Write a row; times are of the watch, the row bears wall times."""
        started_ms, ended_ms = self._clock.label(started_at_ms), self._clock.label(ended_at_ms)
        row = LedgerRow(
            self._identity(place, kind, started_ms),
            place,
            kind,
            started_ms,
            max(started_ms, ended_ms),
            tidy(document),
        )
        self.closed.append(row)
        self.recent = [*self.recent, shown(row)][-REMEMBERED:]

    def _identity(self, place: str, kind: str, started_ms: int) -> str:
        key = f"{place}|{kind}"
        last_ms, count = self._last.get(key, (None, 0))
        n = count if last_ms == started_ms else 0
        self._last[key] = [started_ms, n + 1]
        text = f"{self._site}|{key}|{started_ms}|{n}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def take(self) -> tuple[LedgerRow, ...]:
        """The rows closed since the last call."""
        rows, self.closed = tuple(self.closed), []
        return rows


def shown(row: LedgerRow) -> dict[str, Any]:
    """A row as status shows it."""
    return {
        "id": row.id,
        "box": row.box,
        "kind": row.kind,
        "started_ms": row.started_ms,
        "ended_ms": row.ended_ms,
        "document": dict(row.document),
    }


def tidy(value: Any) -> Any:
    """The same with six significant digits; what is no number is None."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: tidy(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(part) for part in value]
    return value
