"""Writing lines to a store with the InfluxDB v2 write API, and what its answers mean."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Mapping, Sequence
from typing import Any, Literal

from dewline.clock import Clock
from dewline.config.plan import InfluxPlan
from dewline.errors import FollowerError
from dewline.followers.secret import read_secret
from dewline.followers.tasks import alone

TIMEOUT_S = 10.0
Fate = Literal["refused", "too-big", "later", "barred"]
BARRED = (401, 403, 404)


class StoreError(FollowerError):
    """A write that did not happen. ``wait_s``: how long the store asks to be left alone.

    ``refused``: these lines are wrong; ``too-big``: send fewer; ``later``: away
    or busy; ``barred``: token, organisation or bucket is wrong.
    """

    def __init__(self, text: str, fate: Fate, wait_s: float | None = None) -> None:
        super().__init__(text)
        self.fate = fate
        self.wait_s = wait_s


def _fate(status: int) -> Fate:
    if status == 413:
        return "too-big"
    if status in BARRED:
        return "barred"
    if status in (408, 429) or status >= 500:
        return "later"
    return "refused"


def _wait_s(header: str | None) -> float | None:
    """Retry-After in seconds; None for a date or nonsense."""
    if header is None or not header.strip().isdigit():
        return None
    return min(float(header), 3600.0)


class Link:
    """Tells a connection that the store closed in good order from one that broke.

    A store that was killed and is up again is met by a new connection, without
    an error. One that only renews its connections says so in its last answer.
    """

    def __init__(self) -> None:
        self.broke = False
        self._opened = False
        self._farewell = False

    async def on_open(self, *_: object) -> None:
        self.broke = self.broke or (self._opened and not self._farewell)
        self._opened, self._farewell = True, False

    async def on_answer(self, _session: object, _context: object, answer: Any) -> None:
        self._farewell = answer.response.headers.get("Connection", "").lower() == "close"

    def session(self, **words: Any) -> Any:
        """An aiohttp session that is watched."""
        import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store

        watch = aiohttp.TraceConfig()
        watch.on_connection_create_end.append(self.on_open)
        watch.on_request_end.append(self.on_answer)
        return aiohttp.ClientSession(**{**words, "trace_configs": [watch]})


class Store:
    """One HTTP session with a store."""

    def __init__(self, plan: InfluxPlan, client: Any, link: Link, clock: Clock) -> None:
        self._plan = plan
        self._link = link
        self._write = client.write_api().write
        self._clock = clock

    async def write(self, lines: Sequence[str]) -> None:
        """Write lines with times in nanoseconds; StoreError where that fails."""
        import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store
        from influxdb_client.rest import ApiException  # noqa: PLC0415

        try:
            with self._clock.io():
                await alone(self._write(self._plan.bucket, self._plan.org, list(lines)))
        except ApiException as error:
            headers: Mapping[str, str] = error.headers or {}
            text = f"the store answers {error.status} {error.reason}{_detail(error.body)}"
            raise StoreError(
                text, _fate(error.status or 0), _wait_s(headers.get("Retry-After"))
            ) from None
        except TimeoutError:
            raise StoreError("the store does not answer", "later") from None
        except (aiohttp.ClientError, OSError) as error:
            raise StoreError(str(error) or type(error).__name__, "later") from None
        if self._link.broke:
            raise StoreError("the connection broke; the last minute is sent again", "later")


def _detail(body: object) -> str:
    if not isinstance(body, bytes):
        return ""
    text = " ".join(body.decode(errors="replace").split())
    return f": {text[:200]}" if text else ""


@contextlib.asynccontextmanager
async def store(plan: InfluxPlan, clock: Clock) -> AsyncIterator[Store]:
    """A session with the store of ``plan``, its token read afresh."""
    from influxdb_client.client.influxdb_client_async import (  # noqa: PLC0415 - 50 MB
        InfluxDBClientAsync,
    )

    token = None if plan.token_file is None else read_secret(plan.token_file)
    link = Link()
    async with InfluxDBClientAsync(
        plan.url,
        token or "",
        org=plan.org,
        timeout=round(TIMEOUT_S * 1000),
        enable_gzip=True,
        client_session_type=link.session,
    ) as client:
        yield Store(plan, client, link, clock)
