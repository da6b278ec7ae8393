"""Liveness: which parts have not made progress in time.

Pollers, watch and journal report each step, with the time of the monotonic clock. A dead instrument
or a lost bus counts as progress, for its poller goes on asking; only a poller that hangs is late.
"""

from __future__ import annotations

from collections.abc import Sequence

# A lost bus or a dead unit is asked again about once a minute: past this its poller hangs.
POLLER_S = 180.0
WATCH_S = 10.0
# The daemon records its own signals every 30 s, so within a minute there is always a commit.
JOURNAL_S = 60.0


def parts_within_s(commit_every_ms: int) -> dict[str, float]:
    """How long watch and journal may go without a step, in s."""
    return {"watch": WATCH_S, "journal": JOURNAL_S + 2 * commit_every_ms / 1000}


def poller_within_s(every_ms: Sequence[int]) -> float | None:
    """How long a poller of instruments with these cycles may go without a scan, in s.

    None where it has no instrument to read, and so nothing to report.
    """
    return max(POLLER_S, 3 * max(every_ms) / 1000) if every_ms else None


class Liveness:
    """When each part last moved, and how long it may take until it moves again."""

    def __init__(self) -> None:
        self._parts: dict[str, tuple[float, float]] = {}  # name: (within_s, last_s)

    def expect(self, name: str, within_s: float, now_s: float) -> None:
        """From now on ``name`` must move at least every ``within_s``."""
        self._parts[name] = within_s, now_s

    def forget(self, name: str) -> None:
        """Expect nothing of ``name`` any more."""
        self._parts.pop(name, None)

    def moved(self, name: str, now_s: float) -> None:
        """``name`` has made a step now; a part that is not expected is passed over."""
        if name in self._parts:
            self._parts[name] = self._parts[name][0], now_s

    def behind(self, now_s: float) -> tuple[str, ...]:
        """The parts that have not moved in time; empty while all have."""
        return tuple(
            name for name, (within_s, last_s) in self._parts.items() if now_s - last_s > within_s
        )
