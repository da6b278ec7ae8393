"""What every condition of a rule has to answer, and what most of them answer alike."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

from dewline.watch.saved import Kept
from dewline.watch.signals.signal_state import EMPTY_BAND, Band, SignalState


class Condition(Kept, ABC):
    """The condition of one rule. The closed set of them is in ``levels`` and ``over_time``.

    ``timed``: time alone may change it, not only readings. ``windowed``: it is computed from a
    window of the signal and may change whenever a stretch of that window closes. ``band_moves``:
    then its band changes as well, though its alarm does not.
    """

    KEPT: ClassVar[tuple[str, ...]] = ()
    timed = False
    windowed = False
    band_moves = False

    def __init__(self, signal: SignalState) -> None:
        self.signal = signal

    @abstractmethod
    def truth(self, at_ms: int, active: bool) -> bool | None:
        """Whether it holds, on the readings so far; None where they may neither raise nor clear.

        ``active``: its alarm is active, so the deadband applies.
        """

    @abstractmethod
    def band(self) -> Band:
        """The values that cannot raise it while it is idle."""

    def held_band(self) -> Band:
        """The values that cannot end it while it is active."""
        return EMPTY_BAND

    def limit_signals(self) -> tuple[SignalState, ...]:
        """The signals that hold its limits."""
        return ()

    @abstractmethod
    def limit(self) -> float | None:
        """What an event shows as the limit."""

    def crossed_low(self) -> bool:
        """Whether that is the lower one of two."""
        return False

    def began(self, at_ms: int) -> int:
        """Since when it holds, where ``at_ms`` is the first sample on which it held."""
        return at_ms

    def due_ms(self) -> int | None:
        """When time alone may make it true; None if only readings do."""
        return None

    def reached_ms(self) -> int | None:
        """When what it foresees comes; None where it foresees nothing."""
        return None

    def guard_began(self, at_ms: int, was: bool | None) -> None:
        """The rule's guard holds since ``at_ms``; ``was``: what it said before, None: unknown."""
        return None

    def note(self, kind: str) -> None:
        """A person has noted work at the rule's place; most conditions do not depend on it."""
        return None

    def reset(self, at_ms: int) -> None:
        """Begin its times again after a gap; most have none."""
        return None
