"""Silences on a serial line: those between frames, and the one after a failure."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable

from dewline.clock import Clock
from dewline.config.plan import InstrumentPlan
from dewline.errors import BadFrame, Refused


class LineSilence:
    """Keeps the silences of one line.

    ``between_s`` is what the protocol asks for between two frames, in clock time; ``quiet_s`` how
    long the line must be silent after a failure, in real time, also under a stepping clock.
    """

    def __init__(self, clock: Clock, between_s: float, quiet_s: float) -> None:
        self._clock = clock
        self._between_s = between_s
        self._quiet_s = quiet_s
        self._failed_at: float | None = None
        self._last = float("-inf")
        self._turnaround_s = 0.0

    def failed(self) -> None:
        """An exchange failed just now; its answer may still come."""
        self._failed_at = asyncio.get_running_loop().time()

    @contextlib.asynccontextmanager
    async def around(
        self, instrument: InstrumentPlan, heard_at: Callable[[], float]
    ) -> AsyncIterator[None]:
        """One exchange with ``instrument``, for which the clock stands still.

        Before it the line is left silent as long as it must be. ``heard_at`` gives the loop time
        of the last byte heard. BadFrame where the line does not fall silent.
        """
        await self._wait_for_quiet(heard_at)
        await self._wait_for_gap(instrument)
        try:
            with self._clock.io():
                yield
        except Refused:
            raise
        except BaseException:  # cancelled or not: the answer may still be on its way
            self.failed()
            raise
        finally:
            self._last = self._clock.monotonic()
            self._turnaround_s = instrument.turnaround_ms / 1000

    async def _wait_for_gap(self, instrument: InstrumentPlan) -> None:
        """The longest of the protocol's silence, the turnaround of the instrument asked last and
        the ``gap_before`` of this one.
        """
        gap_s = max(self._between_s, self._turnaround_s, instrument.gap_before_ms / 1000)
        if self._clock.monotonic() < self._last + gap_s:
            await self._clock.sleep_until(self._last + gap_s)

    async def _wait_for_quiet(self, heard_at: Callable[[], float]) -> None:
        """Until nothing was heard for ``quiet_s`` since the failure; at once without one.

        BadFrame where that is not within 1 s and ten times ``quiet_s``.
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
