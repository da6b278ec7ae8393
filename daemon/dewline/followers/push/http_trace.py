"""What really happened on the wire while a page was sent.

Apprise tells success or failure and nothing more: not the status, not how long
the far side asks to be left alone, not whether a request had left before the
line broke. Nearly all of its services speak through requests, so the one
function through which requests sends everything is watched here, only for sends
that asked to be watched.
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
_watching: ContextVar[Wire | None] = ContextVar("dewline_wire", default=None)


@dataclass(slots=True)
class Wire:
    """The last exchange. ``status`` None: no answer; ``sent``: the request may have arrived."""

    exchanges: int = 0
    status: int | None = None
    retry_after: str | None = None
    sent: bool = False
    errors: list[str] = field(default_factory=list)

    def wait_s(self, now_s: float) -> float | None:
        """How long the far side asks to be left alone; None where it does not say.

        Seconds or a date (RFC 9110, 10.2.3). ``now_s``: UTC epoch.
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
def watched() -> Iterator[Wire]:
    """Whatever is sent by requests within, also in worker threads, is noted."""
    _install()
    wire = Wire()
    token = _watching.set(wire)
    try:
        yield wire
    finally:
        _watching.reset(token)


@functools.cache
def _install() -> None:
    """Once a process; sends that nobody watches pass unchanged."""
    import requests  # noqa: PLC0415 - heavy, and only for those who are paged
    from requests.adapters import HTTPAdapter  # noqa: PLC0415

    send = HTTPAdapter.send

    @functools.wraps(send)
    def noting(self: Any, *args: Any, **kwargs: Any) -> Any:
        wire = _watching.get()
        if wire is None:
            return send(self, *args, **kwargs)
        wire.exchanges += 1
        wire.status = wire.retry_after = None
        try:
            response = send(self, *args, **kwargs)
        except requests.RequestException as error:
            wire.sent = _may_have_left(error)
            wire.errors.append(type(error).__name__)
            raise
        wire.sent = True
        wire.status = response.status_code
        wire.retry_after = response.headers.get("Retry-After")
        return response

    HTTPAdapter.send = noting  # type: ignore[method-assign]


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
