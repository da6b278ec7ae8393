"""A ping to a receiver outside, which raises an alarm of its own when pings stay away.

It is sent only while every part of the daemon makes progress and a road of the alarms is open, so
that a daemon that hangs, or that can tell nobody, is noticed like one that has ended. The address
is a secret and appears in no message.
"""

from __future__ import annotations

import asyncio
import http.client
import logging
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import dataclass, field

from dewline.clock import Clock
from dewline.config.plan import HeartbeatPlan
from dewline.errors import FollowerError
from dewline.followers.failures import Failures
from dewline.followers.secret import read_secret

log = logging.getLogger(__name__)
TIMEOUT_S = 10.0


@dataclass(slots=True, eq=False)
class Heartbeat:
    """Pings until it is cancelled. ``behind`` names what stands still or is barred."""

    plan: HeartbeatPlan
    clock: Clock
    behind: Callable[[], tuple[str, ...]]
    _failures: Failures = field(default_factory=lambda: Failures(log))

    async def run(self) -> None:
        """Ping every ``every_ms``; a failure is logged once and tried again at the next turn."""
        while True:
            started_s = self.clock.monotonic()
            await self._ping_once()
            await self.clock.sleep_until(started_s + self.plan.every_ms / 1000)

    async def _ping_once(self) -> None:
        if still := self.behind():
            self._failures.report(f"no ping to the outside: {', '.join(still)} stuck or barred")
            return
        try:
            with self.clock.io():
                await asyncio.to_thread(self._request)
        except FollowerError as error:
            self._failures.report(f"ping to the outside: {error}")
            return
        self._failures.outage_over()

    def _request(self) -> None:
        url = read_secret(self.plan.url_file)
        if not url.startswith(("http://", "https://")):
            raise FollowerError(f"{self.plan.url_file.name} holds no http address")
        try:
            with urllib.request.urlopen(url, timeout=TIMEOUT_S) as answer:
                answer.read(1000)
        except urllib.error.HTTPError as error:
            error.close()
            raise FollowerError(f"answered {error.code}") from None
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise FollowerError(f"no answer ({type(error).__name__})") from None
