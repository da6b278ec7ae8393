"""Silence on a serial line: what instruments need, and what a failure demands."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from dewline.clock import Clock
from dewline.config.plan import InstrumentPlan
from dewline.errors import BadFrame


class Pace:
    """When a line may be spoken on again: silences that instruments need, in clock time."""

    def __init__(self, clock: Clock, silence_s: float) -> None:
        self._clock = clock
        self._silence_s = silence_s
        self._last = float("-inf")
        self._turnaround_s = 0.0

    def used(self, instrument: InstrumentPlan) -> None:
        """An exchange with ``instrument`` is over."""
        self._last = self._clock.monotonic()
        self._turnaround_s = instrument.turnaround_ms / 1000

    async def wait_for(self, instrument: InstrumentPlan) -> None:
        """Wait until ``instrument`` may be spoken to."""
        gap_s = max(self._silence_s, self._turnaround_s, instrument.gap_before_ms / 1000)
        if self._clock.monotonic() < self._last + gap_s:
            await self._clock.sleep_until(self._last + gap_s)


class Rest:
    """The silence a line must show after a failure, in real time whatever the clock."""

    def __init__(self, clock: Clock, quiet_s: float) -> None:
        self._clock = clock
        self._quiet_s = quiet_s
        self._failed_at: float | None = None

    def failed(self) -> None:
        """Something went wrong just now; a late answer may follow."""
        self._failed_at = asyncio.get_running_loop().time()

    async def over(self, heard_at: Callable[[], float]) -> None:
        """Wait until the line was silent for long enough; BadFrame if it never is."""
        if self._failed_at is None:
            return
        now = asyncio.get_running_loop().time
        patience_until = now() + 1.0 + 10 * self._quiet_s
        with self._clock.io():
            while (left_s := max(self._failed_at, heard_at()) + self._quiet_s - now()) > 0:
                if now() > patience_until:
                    raise BadFrame("the line does not fall silent")
                await asyncio.sleep(left_s)
        self._failed_at = None
