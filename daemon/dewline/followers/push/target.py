"""One way to one contact: an Apprise object of its own, so that no retry reaches another.

The address is a secret: it is read from its file and stands in no message.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from dewline.clock import Clock
from dewline.errors import FollowerError
from dewline.followers.push.http_trace import Wire, watched
from dewline.followers.push.page_text import Page
from dewline.followers.secret import read_secret
from dewline.followers.tasks import in_own_task

TIMEOUT_S = 30.0
Fate = Literal["delivered", "unknown", "later", "refused", "barred"]
BARRED = frozenset({401, 403, 404, 407, 410})
LATER = frozenset({408, 425, 429, 500, 501, 503})
UNSURE = frozenset({502, 504})  # a gateway answered; what stands behind it may have the page


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a page. ``wait_s``: how long the far side asks to be left alone.

    ``unknown``: it may have arrived. ``later``: it has not. ``refused``: this
    page never will. ``barred``: no page will until the address is mended.
    """

    fate: Fate
    why: str = ""
    wait_s: float | None = None


class Target:
    """Sends pages to the address in a file; the file is read again when it has changed."""

    def __init__(self, url_file: Path, clock: Clock) -> None:
        self._file = url_file
        self._clock = clock
        self._url: str | None = None
        self._apprise: Any = None
        self.shown = url_file.name  # what a log may call it

    async def send(self, page: Page) -> Sent:
        """Send one page; never raises but for cancellation."""
        try:
            with self._clock.io():
                await asyncio.to_thread(self._prepare)
                with watched() as wire:
                    return await self._notify(page, wire)
        except FollowerError as error:
            return Sent("barred", str(error))

    async def _notify(self, page: Page, wire: Wire) -> Sent:
        from apprise import NotifyType  # noqa: PLC0415 - heavy, and only for those who are paged

        tones = {"over": NotifyType.SUCCESS, "test": NotifyType.INFO, "low": NotifyType.INFO}
        try:
            async with asyncio.timeout(TIMEOUT_S):
                delivered = await in_own_task(
                    self._apprise.async_notify(
                        title=page.title,
                        body=page.body,
                        notify_type=tones.get(
                            page.tone,
                            NotifyType.WARNING if page.tone == "medium" else NotifyType.FAILURE,
                        ),
                    )
                )
        except TimeoutError:
            return Sent("unknown", f"no answer within {TIMEOUT_S:g} s")
        return Sent("delivered") if delivered else judged(wire, self._clock.wall_ms() / 1000)

    def _prepare(self) -> None:
        """Load Apprise and the address; FollowerError says what is wrong with its file."""
        url = read_secret(self._file)
        if url == self._url:
            return
        try:
            import apprise  # noqa: PLC0415
        except ImportError:
            raise FollowerError("no pages without Apprise: pip install 'dewline[push]'") from None
        for name in ("apprise", "requests", "urllib3"):  # they would log addresses with tokens
            logging.getLogger(name).setLevel(logging.CRITICAL)
        asset = apprise.AppriseAsset(
            app_id="dewline",
            app_desc="dewline pages",
            app_url="",
            secure_logging=True,
            storage_mode=apprise.PersistentStoreMode.MEMORY,
            allow_templates=False,
            body_format=apprise.NotifyFormat.TEXT,
        )
        target = apprise.Apprise(asset=asset)
        if not target.add(url):
            raise FollowerError(f"{self._file.name} holds no address that Apprise knows")
        self._apprise, self._url = target, url
        # Even Apprise's private form of an address shows paths and topics, which are secrets too.
        self.shown = f"{self._file.name}, {url.partition('://')[0]}"


def judged(wire: Wire, now_s: float) -> Sent:
    """What became of a page that Apprise says was not taken."""
    status = wire.status
    if not wire.exchanges:
        return Sent("unknown", "the service failed and does not say how")
    if status is None:
        why = f"no answer ({', '.join(wire.errors[-1:])})"
        return Sent("unknown" if wire.sent else "later", why)
    why = f"answered {status}"
    if status in BARRED:
        return Sent("barred", why)
    if status in UNSURE or status < 400:
        return Sent("unknown", why, wire.wait_s(now_s))
    if status in LATER or status > 500:
        return Sent("later", why, wire.wait_s(now_s))
    return Sent("refused", why)
