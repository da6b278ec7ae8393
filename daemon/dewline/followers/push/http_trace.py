"""Records what happened on the wire while a page was sent.

Apprise tells success or failure and nothing more: not the status, not how long
the provider asks to wait, not whether a request had left before the connection
broke. Nearly all of its services use the library requests, so the one method
through which requests sends everything is wrapped here. It records only sends
within ``traced()``.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any

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
