"""Writing lines to a store, and what its answers mean.

By the write API of InfluxDB 2, which 3 and others speak too; where an InfluxDB 1
answers that it has none, by its own.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import json
from collections.abc import AsyncIterator, Coroutine, Mapping, Sequence
from typing import Any, Literal, TypeVar

from dewline.clock import Clock
from dewline.config.plan import InfluxPlan
from dewline.errors import FollowerError
from dewline.followers.secret import read_secret
from dewline.followers.tasks import in_own_task

T = TypeVar("T")
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
        self.http: Any = None
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
        self.http = aiohttp.ClientSession(**{**words, "trace_configs": [watch]})
        return self.http


class InfluxClient:
    """One HTTP session with a store. ``token``: of InfluxDB 2, or ``user:password`` of 1."""

    def __init__(self, plan: InfluxPlan, client: Any, link: Link, token: str, clock: Clock) -> None:
        self._plan = plan
        self._link = link
        self._write = client.write_api().write
        self._token = token
        self._clock = clock
        self._first = False  # an InfluxDB 1

    async def write(self, lines: Sequence[str]) -> None:
        """Write lines with times in nanoseconds; StoreError where that fails."""
        await self._asked(self._put(list(lines)))
        if self._link.broke:
            raise StoreError("the connection broke; the last minute is sent again", "later")

    async def holds(self, measurement: str, site: str, time_ms: int) -> bool:
        """Whether a ``value`` of that measurement, site and moment can be read back.

        StoreError where the store is away; FollowerError where it cannot be asked.
        """
        return await self._asked(self._holds(measurement, site, time_ms))

    async def _asked(self, question: Coroutine[Any, Any, T]) -> T:
        """The answer, or a StoreError in place of what the libraries raise."""
        import aiohttp  # noqa: PLC0415 - heavy, and only for those who have a store
        from influxdb_client.rest import ApiException  # noqa: PLC0415

        try:
            with self._clock.io():
                return await in_own_task(question)
        except ApiException as error:
            raise _refusal(error.status or 0, error.reason, error.headers, error.body) from None
        except TimeoutError:
            raise StoreError("the store does not answer", "later") from None
        except (aiohttp.ClientError, OSError) as error:
            raise StoreError(str(error) or type(error).__name__, "later") from None

    async def _put(self, lines: list[str]) -> None:
        from influxdb_client.rest import ApiException  # noqa: PLC0415 - see above

        if not self._first:
            try:
                await self._write(self._plan.bucket, self._plan.org, lines)
                return
            except ApiException as error:
                headers: Mapping[str, str] = error.headers or {}
                version = headers.get("X-Influxdb-Version", "")
                if error.status != 404 or not version.startswith("1."):
                    raise
                self._first = True
        await self._put_first(lines)

    async def _put_first(self, lines: list[str]) -> None:
        body = await asyncio.to_thread(gzip.compress, "\n".join(lines).encode(), 1)
        async with self._link.http.post(
            f"{self._plan.url.rstrip('/')}/write",
            params={"db": self._plan.bucket, "precision": "ns"},
            data=body,
            headers={"Content-Encoding": "gzip", **self._authorization()},
        ) as answer:
            if answer.status >= 300:
                text = await answer.read()
                raise _refusal(answer.status, answer.reason, answer.headers, text)

    async def _holds(self, measurement: str, site: str, time_ms: int) -> bool:
        """By InfluxQL; victoria-metrics, which only pretends to know it, by its export."""
        question = f'SELECT "value" FROM "{measurement}"'
        question += f" WHERE \"site\" = '{site}' AND time = {time_ms}ms"
        text = await self._get("/query", {"db": self._plan.bucket, "q": question})
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
        url = self._plan.url.rstrip("/") + path
        headers = self._authorization()
        async with self._link.http.get(url, params=query, headers=headers) as answer:
            text: str = await answer.text(errors="replace")
            if answer.status >= 300 and _fate(answer.status) == "later":
                raise _refusal(answer.status, answer.reason, answer.headers, b"")
            if answer.status >= 300:
                raise FollowerError(f"a query is answered by {answer.status} {answer.reason}")
            return text

    def _authorization(self) -> dict[str, str]:
        import aiohttp  # noqa: PLC0415 - see above

        user, colon, password = self._token.partition(":")
        if self._first and colon:
            return {"Authorization": aiohttp.BasicAuth(user, password).encode()}
        return {"Authorization": f"Token {self._token}"} if self._token else {}


def _refusal(status: int, reason: object, headers: Any, body: object) -> StoreError:
    wait_s = _wait_s((headers or {}).get("Retry-After"))
    return StoreError(f"the store answers {status} {reason}{_detail(body)}", _fate(status), wait_s)


def _detail(body: object) -> str:
    if not isinstance(body, bytes):
        return ""
    text = " ".join(body.decode(errors="replace").split())
    return f": {text[:200]}" if text else ""


@contextlib.asynccontextmanager
async def store(plan: InfluxPlan, clock: Clock) -> AsyncIterator[InfluxClient]:
    """A session with the store of ``plan``, its token read afresh."""
    from influxdb_client.client.influxdb_client_async import (  # noqa: PLC0415 - 50 MB
        InfluxDBClientAsync,
    )

    token = "" if plan.token_file is None else read_secret(plan.token_file)
    link = Link()
    async with InfluxDBClientAsync(
        plan.url,
        token,
        org=plan.org,
        timeout=round(TIMEOUT_S * 1000),
        enable_gzip=True,
        client_session_type=link.session,
    ) as client:
        yield InfluxClient(plan, client, link, token, clock)
