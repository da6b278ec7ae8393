"""Sends pages to one contact, through an Apprise object of its own: no retry reaches another.

The address is a secret: it is read from its file and is part of no message.

Apprise tells success or failure and nothing more: not the status, not how long the provider asks to
wait, not whether a request had left before the connection broke. Nearly all of its services use the
library requests, so the one method through which requests sends everything is wrapped here. It
records only sends within ``traced()``.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from dewline.clock import Clock
from dewline.errors import FollowerError
from dewline.followers.push.page import Page
from dewline.followers.secret import read_secret
from dewline.followers.tasks import in_own_task

LONGEST_WAIT_S = 3600.0
_current: ContextVar[HttpTrace | None] = ContextVar("dewline_http_trace", default=None)


@dataclass(slots=True)
class HttpTrace:
    """The last exchange, and how many there were.

    ``status`` None: no answer. ``sent``: the request may have arrived. ``errors``: names of the
    exceptions, in order.
    """

    exchanges: int = 0
    status: int | None = None
    retry_after: str | None = None
    sent: bool = False
    errors: list[str] = field(default_factory=list)

    def wait_s(self, now_s: float) -> float | None:
        """How many seconds the provider asks to wait, at most an hour; None where it does not say.

        Retry-After is in seconds or a date (RFC 9110, 10.2.3). ``now_s``: UTC epoch.
        """
        text = (self.retry_after or "").strip()
        if text.isdigit():
            return min(float(text), LONGEST_WAIT_S)
        try:
            moment = parsedate_to_datetime(text)
        except (TypeError, ValueError):
            return None
        moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        passed = datetime.fromtimestamp(now_s, UTC)
        return min(max(0.0, (moment - passed).total_seconds()), LONGEST_WAIT_S)


@contextlib.contextmanager
def traced() -> Iterator[HttpTrace]:
    """Record what requests sends in this context, also in worker threads started from it."""
    _install()
    trace = HttpTrace()
    token = _current.set(trace)
    try:
        yield trace
    finally:
        _current.reset(token)


@functools.cache
def _install() -> None:
    """Wrap requests once per process; sends outside ``traced()`` pass unchanged."""
    import requests  # noqa: PLC0415 - heavy, and only for those who are paged
    from requests.adapters import HTTPAdapter  # noqa: PLC0415

    send = HTTPAdapter.send

    @functools.wraps(send)
    def recording(self: HTTPAdapter, *args: Any, **kwargs: Any) -> requests.Response:
        trace = _current.get()
        if trace is None:
            return send(self, *args, **kwargs)
        trace.exchanges += 1
        trace.status = trace.retry_after = None
        try:
            response = send(self, *args, **kwargs)
        except requests.RequestException as error:
            trace.sent = _may_have_left(error)
            trace.errors.append(type(error).__name__)
            raise
        trace.sent = True
        trace.status = response.status_code
        trace.retry_after = response.headers.get("Retry-After")
        return response

    HTTPAdapter.send = recording  # type: ignore[method-assign]


def _may_have_left(error: Exception) -> bool:
    """Whether the request may have reached the far side although no answer came."""
    import requests  # noqa: PLC0415
    from urllib3.exceptions import MaxRetryError, NewConnectionError  # noqa: PLC0415

    if isinstance(error, requests.ConnectTimeout | requests.exceptions.SSLError):
        return False
    cause = error.args[0] if error.args else None
    if isinstance(cause, MaxRetryError):
        cause = cause.reason
    return not isinstance(cause, NewConnectionError)


if TYPE_CHECKING:
    from apprise import Apprise

# What Apprise calls the tones of pages; every other one is a failure.
KINDS = {"over": "success", "test": "info", "low": "info", "medium": "warning"}
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
        self._refused: str | None = None
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

    def unreadable(self) -> str | None:
        """What is wrong with the file alone, found at once and without loading Apprise."""
        try:
            read_secret(self._file)
        except FollowerError as error:
            return str(error)
        return None

    async def barred(self) -> str | None:
        """Why no page will go to this address until somebody mends it; None while nothing says so.

        The file is read again. An answer that barred the last page counts until one is delivered
        or the address is another.
        """
        try:
            with self._clock.io():
                await asyncio.to_thread(self._prepare)
        except FollowerError as error:
            return str(error)
        return self._refused

    async def _notify(self, notifier: Apprise, page: Page, trace: HttpTrace) -> SendResult:
        try:
            async with asyncio.timeout(TIMEOUT_S):
                kind = KINDS.get(page.tone, "failure")
                sending = notifier.async_notify(page.body, page.title, notify_type=kind)
                delivered = await in_own_task(sending)
        except TimeoutError:
            return SendResult("unknown", f"no answer within {TIMEOUT_S:g} s")
        if delivered:
            self._refused = None
            return SendResult("delivered")
        result = result_of(trace, self._clock.wall_ms() / 1000)
        if result.fate == "barred":
            self._refused = result.why
        return result

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
        self._notifier, self._url, self._refused = notifier, url, None
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
