"""What a condition at work has to answer, and what most answer alike."""

from __future__ import annotations

from typing import Any, Protocol

from dewline.watch.signals.signal_state import NOTHING_QUIET, Band, SignalState


class Condition(Protocol):
    """A condition at work. Closed set: ``levels``, ``over_time``."""

    signal: SignalState
    timed: bool  # moved by ticks, not by readings alone
    windowed: bool  # looks at a window of the signal, so at each that closes

    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Does it hold, on the readings so far?"""

    def band(self) -> Band:
        """Values that cannot raise it while it is idle."""

    def held_band(self) -> Band:
        """Values that cannot end it while it is active."""

    def limit_signals(self) -> tuple[SignalState, ...]:
        """Signals that hold its limits."""

    def limit(self) -> float | None:
        """What an event shows as the limit."""

    def began(self, at_ms: int) -> int:
        """Since when it holds, where ``at_ms`` is the first qualifying sample."""

    def due_ms(self) -> int | None:
        """When a tick may make it true; None if only readings do."""

    def reset(self, at_ms: int) -> None:
        """Begin clocks again after a gap."""

    def save(self) -> dict[str, Any]: ...

    def restore(self, state: dict[str, Any]) -> None: ...


class StatelessCondition:
    """What most conditions share: no clock of their own and nothing to save."""

    signal: SignalState
    timed = False
    windowed = False

    def limit_signals(self) -> tuple[SignalState, ...]:
        return ()

    def held_band(self) -> Band:
        return NOTHING_QUIET

    def began(self, at_ms: int) -> int:
        return at_ms

    def due_ms(self) -> int | None:
        return None

    def reset(self, at_ms: int) -> None:
        return None

    def save(self) -> dict[str, Any]:
        return {}

    def restore(self, state: dict[str, Any]) -> None:
        return None
