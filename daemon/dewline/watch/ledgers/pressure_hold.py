"""The ledger row of a leak test, which a command has judged."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

from dewline.events import LedgerRow
from dewline.watch.ledgers.rows import tidy_document

KIND = "leak-test"


def leak_test_row(
    site: str, box: str, started_ms: int, ended_ms: int, document: Mapping[str, object]
) -> LedgerRow:
    """A closed row; times are wall times in ms. The same test judged again has the same id.

    ValueError where it ends before it starts.
    """
    if ended_ms < started_ms:
        raise ValueError(f"ends at {ended_ms}, before it starts at {started_ms}")
    text = f"{site}|{box}|{KIND}|{started_ms}|0"
    name = hashlib.sha256(text.encode()).hexdigest()[:16]
    return LedgerRow(name, box, KIND, started_ms, ended_ms, tidy_document(document))
