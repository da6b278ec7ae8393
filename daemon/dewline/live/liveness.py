"""Does the house get on? Pollers, watch and journal each report their steps; nobody else knows.

Pure: the service tells what moved and when, by the monotonic clock. A dead
instrument or a lost bus is progress too, for its poller goes on asking; only a
poller that hangs falls behind.
"""

from __future__ import annotations

from collections.abc import Sequence

# A lost bus or a dead unit is asked again about once a minute: past this its poller hangs.
POLLER_S = 180.0
WATCH_S = 10.0
# The house writes of itself every 30 s, so that long there is always something to commit.
JOURNAL_S = 60.0


def parts_within_s(commit_every_ms: int) -> dict[str, float]:
    """How long watch and journal may stand still."""
    return {"watch": WATCH_S, "journal": JOURNAL_S + 2 * commit_every_ms / 1000}


def poller_within_s(every_ms: Sequence[int]) -> float | None:
    """How long a poller of instruments with these cycles may stand still; None without any."""
    return max(POLLER_S, 3 * max(every_ms) / 1000) if every_ms else None


class Liveness:
    """The last step of every part that must go on, and how long it may stand still."""

    def __init__(self) -> None:
        self._within_s: dict[str, float] = {}
        self._last_s: dict[str, float] = {}

    def expect(self, name: str, within_s: float, now_s: float) -> None:
        """From now on ``name`` must move at least every ``within_s``."""
        self._within_s[name] = within_s
        self._last_s[name] = now_s

    def forget(self, name: str) -> None:
        """``name`` is no part of the house any more."""
        self._within_s.pop(name, None)
        self._last_s.pop(name, None)

    def moved(self, name: str, now_s: float) -> None:
        """``name`` has taken a step."""
        if name in self._last_s:
            self._last_s[name] = now_s

    def behind(self, now_s: float) -> tuple[str, ...]:
        """The parts that stand still for too long; empty while all is well."""
        return tuple(
            name
            for name, within_s in self._within_s.items()
            if now_s - self._last_s[name] > within_s
        )
