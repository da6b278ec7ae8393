"""Writes lines to a time-series store, and says what its answers mean.

By the write API of InfluxDB 2, which version 3 and other stores offer too; where the answer shows
an InfluxDB 1, which has none, by that of InfluxDB 1.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeVar

from dewline.clock import Clock
from dewline.config.plan import InfluxPlan
from dewline.errors import FollowerError
from dewline.followers.secret import read_secret
from dewline.followers.tasks import in_own_task

if TYPE_CHECKING:
    import aiohttp

T = TypeVar("T")
TIMEOUT_S = 10.0
Fate = Literal["refused", "too-big", "later", "barred"]
BARRED = (401, 403, 404)


class StoreError(FollowerError):
    """A write that did not happen. ``wait_s``: how many seconds the store asks to wait.

    ``fate``: ``refused``, these lines are wrong; ``too-big``, send fewer; ``later``, away
    or busy; ``barred``, token, organisation or bucket is wrong.
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


class ConnectionMonitor:
    """Notices when the store's connection broke, rather than being closed in good order.

    aiohttp connects again without an error when the store was killed and is up again. A store that
    only renews its connections announces that in its last answer: ``Connection: close``.
    """

    def __init__(self) -> None:
        self.broke = False
        self._opened = False
        self._close_announced = False

    def trace(self) -> aiohttp.TraceConfig:
        """What an aiohttp session needs to be watched."""
        import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store

        config = aiohttp.TraceConfig()
        config.on_connection_create_end.append(self._on_open)
        config.on_request_end.append(self._on_answer)
        return config

    async def _on_open(self, *_: object) -> None:
        self.broke = self.broke or (self._opened and not self._close_announced)
        self._opened, self._close_announced = True, False

    async def _on_answer(
        self, _session: object, _context: object, answer: aiohttp.TraceRequestEndParams
    ) -> None:
        connection = answer.response.headers.get("Connection", "")
        self._close_announced = connection.lower() == "close"


@dataclass(slots=True, eq=False)
class InfluxClient:
    """One HTTP session with a store. ``token``: of InfluxDB 2, or ``user:password`` of 1.

    ``put`` writes by the API of InfluxDB 2, ``http`` is for everything else.
    """

    plan: InfluxPlan
    put: Callable[[str, str, list[str]], Awaitable[bool]]
    http: aiohttp.ClientSession
    monitor: ConnectionMonitor
    token: str
    clock: Clock
    is_version_1: bool = False

    async def write(self, lines: Sequence[str]) -> None:
        """Write lines with times in nanoseconds; StoreError where that fails.

        A connection that broke since the last write is a failure too: the store may have lost what
        it had acknowledged (see ``rewind``).
        """
        await self._translated(self._put(list(lines)))
        if self.monitor.broke:
            raise StoreError("the connection broke; the last minute is sent again", "later")

    async def holds(self, measurement: str, site: str, time_ms: int) -> bool:
        """Whether a ``value`` of that measurement, site and moment can be read back.

        StoreError where the store is away; FollowerError where it cannot be asked.
        """
        return await self._translated(self._holds(measurement, site, time_ms))

    async def _translated(self, request: Awaitable[T]) -> T:
        """The answer to ``request``; StoreError in place of what the libraries raise."""
        import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store
        from influxdb_client.rest import ApiException  # noqa: PLC0415

        try:
            with self.clock.io():
                return await in_own_task(request)
        except ApiException as error:
            raise _refusal(error.status or 0, error.reason, error.headers, error.body) from None
        except TimeoutError:
            raise StoreError("the store does not answer", "later") from None
        except (aiohttp.ClientError, OSError) as error:
            raise StoreError(str(error) or type(error).__name__, "later") from None

    async def _put(self, lines: list[str]) -> None:
        from influxdb_client.rest import ApiException  # noqa: PLC0415 - see above

        if not self.is_version_1:
            try:
                await self.put(self.plan.bucket, self.plan.org, lines)
                return
            except ApiException as error:
                headers: Mapping[str, str] = error.headers or {}
                version = headers.get("X-Influxdb-Version", "")
                if error.status != 404 or not version.startswith("1."):
                    raise
                self.is_version_1 = True
        await self._put_version_1(lines)

    async def _put_version_1(self, lines: list[str]) -> None:
        body = await asyncio.to_thread(gzip.compress, "\n".join(lines).encode(), 1)
        async with self.http.post(
            f"{self.plan.url.rstrip('/')}/write",
            params={"db": self.plan.bucket, "precision": "ns"},
            data=body,
            headers={"Content-Encoding": "gzip", **self._authorization()},
        ) as answer:
            if answer.status >= 300:
                text = await answer.read()
                raise _refusal(answer.status, answer.reason, answer.headers, text)

    async def _holds(self, measurement: str, site: str, time_ms: int) -> bool:
        """By InfluxQL, else by the export of victoria-metrics.

        That store answers InfluxQL with a series of another name.
        """
        question = f'SELECT "value" FROM "{measurement}"'
        question += f" WHERE \"site\" = '{site}' AND time = {time_ms}ms"
        text = await self._get("/query", {"db": self.plan.bucket, "q": question})
        try:
            answer = json.loads(text)["results"][0]
            series = answer.get("series") or []
            if "error" in answer:
                raise FollowerError(f"a query is refused: {answer['error']}")
            if not series or series[0]["name"] == measurement:
                return bool(series)
        except (ValueError, LookupError, TypeError, AttributeError):
            raise FollowerError("its answer to a query is none") from None
        match = f'{measurement}_value{{site="{site}"}}'
        moment = f"{time_ms / 1000:.3f}"
        query = {"match[]": match, "start": moment, "end": moment}
        return bool((await self._get("/api/v1/export", query)).strip())

    async def _get(self, path: str, query: Mapping[str, str]) -> str:
        url = self.plan.url.rstrip("/") + path
        headers = self._authorization()
        async with self.http.get(url, params=query, headers=headers) as answer:
            text = await answer.text(errors="replace")
            if answer.status >= 300 and _fate(answer.status) == "later":
                raise _refusal(answer.status, answer.reason, answer.headers, b"")
            if answer.status >= 300:
                raise FollowerError(f"a query is answered by {answer.status} {answer.reason}")
            return text

    def _authorization(self) -> dict[str, str]:
        import aiohttp  # noqa: PLC0415 - see above

        user, colon, password = self.token.partition(":")
        if self.is_version_1 and colon:
            return {"Authorization": aiohttp.BasicAuth(user, password).encode()}
        return {"Authorization": f"Token {self.token}"} if self.token else {}


def _refusal(
    status: int, reason: object, headers: Mapping[str, str] | None, body: object
) -> StoreError:
    wait_s = _wait_s((headers or {}).get("Retry-After"))
    return StoreError(f"the store answers {status} {reason}{_detail(body)}", _fate(status), wait_s)


def _detail(body: object) -> str:
    if not isinstance(body, bytes):
        return ""
    text = " ".join(body.decode(errors="replace").split())
    return f": {text[:200]}" if text else ""


@contextlib.asynccontextmanager
async def open_client(plan: InfluxPlan, clock: Clock) -> AsyncIterator[InfluxClient]:
    """A session with the store of ``plan``, its token read anew.

    FollowerError where the token cannot be read. Nothing is sent before the first write.
    """
    import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store
    from influxdb_client.client.influxdb_client_async import (  # noqa: PLC0415 - 50 MB
        InfluxDBClientAsync,
    )

    token = "" if plan.token_file is None else read_secret(plan.token_file)
    monitor = ConnectionMonitor()
    sessions: list[aiohttp.ClientSession] = []

    def new_session(
        connector: aiohttp.TCPConnector, timeout: aiohttp.ClientTimeout, **_: object
    ) -> aiohttp.ClientSession:
        session = aiohttp.ClientSession(
            connector=connector, timeout=timeout, trace_configs=[monitor.trace()]
        )
        sessions.append(session)
        return session

    async with InfluxDBClientAsync(
        plan.url,
        token,
        org=plan.org,
        timeout=round(TIMEOUT_S * 1000),
        enable_gzip=True,
        client_session_type=new_session,
    ) as client:
        write = client.write_api().write
        yield InfluxClient(plan, write, sessions[-1], monitor, token, clock)
