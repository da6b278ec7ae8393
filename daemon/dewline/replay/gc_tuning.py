"""Let Python's garbage collector search for reference cycles less often.

Readings are tuples by the hundred thousand, none of them in a cycle, and freed without the
collector. By default it searches the young objects after every 700 new ones, which takes half the
time of reading a record (measured: 20 against 9 us for a scan of twelve readings).
"""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator

SELDOM = (50_000, 20, 20)


@contextlib.contextmanager
def rare_gc() -> Iterator[None]:
    """Search rarely inside the block; afterwards as often as before."""
    before = gc.get_threshold()
    gc.set_threshold(*SELDOM)
    try:
        yield
    finally:
        gc.set_threshold(*before)
