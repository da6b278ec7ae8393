"""Silences on a serial line: those between frames, and the one after a failure."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from dewline.clock import Clock
from dewline.config.plan import InstrumentPlan
from dewline.errors import BadFrame


class FrameGap:
    """The silence before the next request, in clock time.

    The longest of what the protocol asks for (``silence_s``), the turnaround of the instrument
    asked last and the ``gap_before`` of the one asked next.
    """

    def __init__(self, clock: Clock, silence_s: float) -> None:
        self._clock = clock
        self._silence_s = silence_s
        self._last = float("-inf")
        self._turnaround_s = 0.0

    def exchange_over(self, instrument: InstrumentPlan) -> None:
        """An exchange with ``instrument`` is over."""
        self._last = self._clock.monotonic()
        self._turnaround_s = instrument.turnaround_ms / 1000

    async def wait_for(self, instrument: InstrumentPlan) -> None:
        """Sleep until a request to ``instrument`` may be sent."""
        gap_s = max(self._silence_s, self._turnaround_s, instrument.gap_before_ms / 1000)
        if self._clock.monotonic() < self._last + gap_s:
            await self._clock.sleep_until(self._last + gap_s)


class QuietTime:
    """The silence a line must show after a failure: real time, also under a stepping clock."""

    def __init__(self, clock: Clock, quiet_s: float) -> None:
        self._clock = clock
        self._quiet_s = quiet_s
        self._failed_at: float | None = None

    def failed(self) -> None:
        """An exchange failed just now; its answer may still come."""
        self._failed_at = asyncio.get_running_loop().time()

    async def wait(self, heard_at: Callable[[], float]) -> None:
        """Wait until nothing was heard for ``quiet_s`` since the failure; at once without one.

        ``heard_at`` gives the loop time of the last byte heard. BadFrame where the line is not
        silent within 1 s and ten times ``quiet_s``.
        """
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
