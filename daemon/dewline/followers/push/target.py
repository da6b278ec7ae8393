"""Sends pages to one contact, through an Apprise object of its own: no retry reaches another.

The address is a secret: it is read from its file and is part of no message.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from dewline.clock import Clock
from dewline.errors import FollowerError
from dewline.followers.push.http_trace import HttpTrace, traced
from dewline.followers.push.page import Page
from dewline.followers.secret import read_secret
from dewline.followers.tasks import in_own_task

if TYPE_CHECKING:
    from apprise import Apprise

TIMEOUT_S = 30.0
Fate = Literal["delivered", "unknown", "later", "refused", "barred"]
BARRED = frozenset({401, 403, 404, 407, 410})
LATER = frozenset({408, 425, 429, 500, 501, 503})
UNSURE = frozenset({502, 504})  # a gateway answered; what stands behind it may have the page


@dataclass(frozen=True, slots=True)
class SendResult:
    """What became of a page. ``wait_s``: how many seconds the provider asks to wait.

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
        self._notifier: Apprise | None = None
        self.label = url_file.name  # what a log may call the address

    async def send(self, page: Page) -> SendResult:
        """Send one page and say what became of it; raises nothing.

        An address that cannot be read counts as ``barred``, no answer in time as ``unknown``.
        """
        try:
            with self._clock.io():
                notifier = await asyncio.to_thread(self._prepare)
                with traced() as trace:
                    return await self._notify(notifier, page, trace)
        except FollowerError as error:
            return SendResult("barred", str(error))

    async def _notify(self, notifier: Apprise, page: Page, trace: HttpTrace) -> SendResult:
        from apprise import NotifyType  # noqa: PLC0415 - heavy, and only for those who are paged

        tones = {"over": NotifyType.SUCCESS, "test": NotifyType.INFO, "low": NotifyType.INFO}
        try:
            async with asyncio.timeout(TIMEOUT_S):
                delivered = await in_own_task(
                    notifier.async_notify(
                        title=page.title,
                        body=page.body,
                        notify_type=tones.get(
                            page.tone,
                            NotifyType.WARNING if page.tone == "medium" else NotifyType.FAILURE,
                        ),
                    )
                )
        except TimeoutError:
            return SendResult("unknown", f"no answer within {TIMEOUT_S:g} s")
        if delivered:
            return SendResult("delivered")
        return result_of(trace, self._clock.wall_ms() / 1000)

    def _prepare(self) -> Apprise:
        """Load Apprise and the address; FollowerError says what is wrong with its file."""
        url = read_secret(self._file)
        if self._notifier is not None and url == self._url:
            return self._notifier
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
        notifier = apprise.Apprise(asset=asset)
        if not notifier.add(url):
            raise FollowerError(f"{self._file.name} holds no address that Apprise knows")
        self._notifier, self._url = notifier, url
        # Even Apprise's private form of an address shows paths and topics, which are secrets too.
        self.label = f"{self._file.name}, {url.partition('://')[0]}"
        return notifier


def result_of(trace: HttpTrace, now_s: float) -> SendResult:
    """What became of a page that Apprise says was not taken, by what happened on the wire.

    ``now_s``: UTC epoch.
    """
    status = trace.status
    if not trace.exchanges:
        return SendResult("unknown", "the service failed and does not say how")
    if status is None:
        why = f"no answer ({', '.join(trace.errors[-1:])})"
        return SendResult("unknown" if trace.sent else "later", why)
    why = f"answered {status}"
    if status in BARRED:
        return SendResult("barred", why)
    if status in UNSURE or status < 400:
        return SendResult("unknown", why, trace.wait_s(now_s))
    if status in LATER or status > 500:
        return SendResult("later", why, trace.wait_s(now_s))
    return SendResult("refused", why)
