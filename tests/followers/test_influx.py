"""The store's follower against a real victoria-metrics and a real InfluxDB."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import sqlite3
import time
import urllib.parse
import urllib.request
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientSession, web

from dewline.clock import RealClock
from dewline.config.plan import InfluxPlan
from dewline.errors import FollowerError
from dewline.events import Entry, Event, LedgerRow, Outcome
from dewline.followers.influx.client import open_client
from dewline.followers.influx.follower import InfluxFollower
from dewline.followers.influx.rewind import Rewind
from dewline.journal import Journal, Reader
from dewline.readings import Quality, Reading, Scan, Verdict
from tests.conftest import Server
from tests.patience import PATIENCE_S

TASKS: dict[InfluxFollower, asyncio.Task[None]] = {}
"""The running followers of a test."""
BASE_MS = round(time.time() * 1000) - 3_600_000
TOKEN = "canary-sedge-77"


def get(url: str, **query: str) -> str:
    with urllib.request.urlopen(f"{url}?{urllib.parse.urlencode(query)}", timeout=10) as answer:
        return str(answer.read().decode())


async def stored(
    server: Server, name: str = "reading_value"
) -> dict[tuple[tuple[str, str], ...], dict[int, float]]:
    """{(box, signal or alarm, …): {time_ms: value}} of one metric of a victoria-metrics."""

    def ask() -> list[dict[str, Any]]:
        get(f"{server.url}/internal/force_flush")
        text = get(f"{server.url}/api/v1/export", **{"match[]": f'{{__name__="{name}"}}'})
        return [json.loads(line) for line in text.splitlines()]

    found = {}
    for series in await asyncio.to_thread(ask):
        series["metric"].pop("db", None)
        key = tuple(sorted((k, v) for k, v in series["metric"].items() if k != "__name__"))
        found[key] = dict(zip(series["timestamps"], series["values"], strict=True))
    return found


def scan(seq: int, **readings: Reading | float) -> Entry:
    """An entry of ``heron``; a bare number is good."""
    full = {
        f"heron.{name}": r if isinstance(r, Reading) else Reading(float(r), Quality.GOOD)
        for name, r in readings.items()
    }
    return Entry(seq, Scan(BASE_MS + seq * 1000, seq * 1000, "panel", full), Outcome())


def event(seq: int, value: float | None = 1.5) -> Event:
    return Event(
        id=f"{seq:016x}",
        seq=seq,
        time_ms=BASE_MS + seq * 1000,
        at_ms=seq * 1000,
        site="saltmarsh",
        box="heron",
        alarm="heron.moisture-high",
        transition="raised",
        state="unacknowledged",
        priority="high",
        signal="heron.moisture",
        value=value,
        limit=1.0,
    )


@pytest.fixture
async def journal(tmp_path: Path) -> AsyncIterator[Journal]:
    journal = Journal.open(tmp_path / "marsh.db", "saltmarsh", 100, reserve_bytes=0)
    journal.put_units({"heron.moisture": "ppm", "heron.pressure": "mbar"})
    yield journal
    journal.close()


@pytest.fixture
async def follow(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Callable[..., InfluxFollower]]:
    """``follow(url)``: a running follower of the journal; ``advances`` are its stored cursors."""
    monkeypatch.setattr("dewline.followers.influx.follower.SEND_EVERY_S", 0.1)

    def start(url: str, **more: Any) -> InfluxFollower:
        follower = InfluxFollower(
            InfluxPlan(url=url, org="saltmarsh", bucket="gloveboxes", **more.pop("plan", {})),
            "saltmarsh",
            more.pop("clock", RealClock()),
            journal,
            **more,
        )
        journal.on_commit(follower.committed)
        TASKS[follower] = asyncio.create_task(follower.run())
        return follower

    yield start
    for task in TASKS.values():
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    TASKS.clear()


def rewind(follower: InfluxFollower) -> Rewind:
    """How far it has sent; it has read its cursors by then."""
    assert follower._rewind is not None
    return follower._rewind


async def until(condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        await asyncio.sleep(0.02)


async def finish(follower: InfluxFollower) -> None:
    follower.stop()
    await asyncio.wait_for(TASKS[follower], PATIENCE_S)


async def test_readings_events_and_ledger_rows_arrive(
    journal: Journal, follow: Callable[..., InfluxFollower], victoria: Server
) -> None:
    """Each is a series with its tags, each value a float at the time of the record."""
    transfer = LedgerRow("t1", "heron", "transfer", BASE_MS, BASE_MS + 1500, {"dose_cm3": 2.5})
    derived = {"heron.oxygen_slope": Reading(0.25, Quality.GOOD)}
    journal.append(scan(1, moisture=0.5, pressure=Reading(None, Quality.NO_ANSWER)))
    journal.append(scan(2, moisture=0.75))
    frozen = Verdict("heron.moisture", Quality.FROZEN, 2000, BASE_MS + 2000)
    found = Outcome((event(1),), derived, (transfer,), verdicts=(frozen,))
    journal.append(Entry(2, None, found))
    await journal.flush()
    await finish_after_sending(follow(victoria.url), 2)
    values = await stored(victoria)
    tagged = [(dict(key), points) for key, points in values.items()]
    by_quality = {(tags["signal"], tags["quality"]): points for tags, points in tagged}
    by_signal = {tags["signal"]: (tags, p) for tags, p in tagged if tags["quality"] == "good"}
    tags, points = by_signal["moisture"]
    assert points == {BASE_MS + 1000: 0.5}
    assert tags | {"box": "heron", "unit": "ppm", "quality": "good"} == tags
    assert by_quality["moisture", "bad/frozen"] == {BASE_MS + 2000: 0.75}
    ((key, points),) = (await stored(victoria, "verdict_code")).items()
    assert (dict(key)["quality"], points) == ("bad/frozen", {BASE_MS + 2000: 25})
    assert by_signal["oxygen_slope"][1] == {BASE_MS + 2000: 0.25}
    codes = await stored(victoria, "reading_code")
    (bad,) = [points for key, points in codes.items() if dict(key)["signal"] == "pressure"]
    assert bad == {BASE_MS + 1000: 20}
    ((key, points),) = (await stored(victoria, "event_value")).items()
    assert points == {BASE_MS + 1000: 1.5}
    assert dict(key)["alarm"] == "moisture-high"
    ((_, points),) = (await stored(victoria, "ledger_dose_cm3")).items()
    assert points == {BASE_MS + 1500: 2.5}


async def finish_after_sending(follower: InfluxFollower, item_seq: int) -> None:
    await until_sent(follower, item_seq)
    await finish(follower)


async def until_sent(follower: InfluxFollower, item_seq: int) -> None:
    await until(lambda: follower._rewind and follower._rewind.sent.item_seq >= item_seq)


async def test_a_resend_changes_nothing(
    journal: Journal, follow: Callable[..., InfluxFollower], victoria: Server
) -> None:
    """The same stretch sent three times gives the same answer as sent once."""
    for seq in range(1, 201):
        journal.append(scan(seq, moisture=seq / 7))
    await journal.flush()
    await finish_after_sending(follow(victoria.url), 200)
    once = await stored(victoria)
    for _ in range(2):
        await finish_after_sending(follow(victoria.url), 200)
    assert await stored(victoria) == once
    assert sum(len(points) for points in once.values()) == 200


async def test_a_store_that_is_away_is_waited_for(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    victoria: Server,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """While the store is away nothing is lost; afterwards all is there. The log stays short."""
    caplog.set_level(logging.INFO)
    victoria.stop()
    for seq in range(1, 51):
        journal.append(scan(seq, moisture=seq))
    await journal.flush()
    follower = follow(victoria.url)
    await until(lambda: follower.statistics().errors >= 2)
    assert not follower.statistics().connected
    assert follower.statistics().seconds_behind > 40
    victoria.start()
    await finish_after_sending(follower, 50)
    assert follower.statistics().seconds_behind == 0
    ((_, points),) = (await stored(victoria)).items()
    assert list(points.values()) == [float(seq) for seq in range(1, 51)]
    assert len([r for r in caplog.records if r.name.startswith("dewline.followers")]) <= 4


async def test_a_killed_store_gets_its_last_seconds_again(
    journal: Journal, follow: Callable[..., InfluxFollower], victoria: Server
) -> None:
    """victoria-metrics forgets what it acknowledged just before kill -9; we send it again."""
    follower = follow(victoria.url)
    for seq in range(1, 101):
        journal.append(scan(seq, moisture=seq))
    await journal.flush()
    await until(lambda: follower._rewind and follower._rewind.sent.item_seq == 100)
    victoria.kill()
    victoria.start()
    journal.append(scan(101, moisture=101))
    await journal.flush()
    await until(lambda: follower.statistics().errors >= 1)
    await finish_after_sending(follower, 101)
    ((_, points),) = (await stored(victoria)).items()
    assert list(points.values()) == [float(seq) for seq in range(1, 102)]


async def test_a_store_that_renews_its_connections_is_no_broken_one(
    journal: Journal, follow: Callable[..., InfluxFollower], victoria: Server
) -> None:
    """A connection closed with a word (``Connection: close``) sends nothing again."""
    victoria.stop()
    victoria.words.append("-http.connTimeout=500ms")
    victoria.start()
    follower = follow(victoria.url)
    for seq in range(1, 21):
        journal.append(scan(seq, moisture=seq))
        await journal.flush()
        await asyncio.sleep(0.1)
    await finish_after_sending(follower, 20)
    assert follower.statistics().errors == 0


async def test_a_wrong_clock_holds_readings_back(
    journal: Journal, follow: Callable[..., InfluxFollower], victoria: Server
) -> None:
    """While the clock is not synchronised nothing is sent; then all of it."""
    right = False
    follower = follow(victoria.url, clock_is_right=lambda: right)
    journal.append(scan(1, moisture=1))
    await journal.flush()
    await asyncio.sleep(0.5)
    assert await stored(victoria) == {}
    right = True
    await finish_after_sending(follower, 1)
    assert len(await stored(victoria)) == 1


class Front:
    """A v2 write API before InfluxDB 1.x: hands lines on to /write, or answers as told first."""

    def __init__(self, behind: str) -> None:
        self.behind = behind
        self.url = ""
        self.answers: list[
            tuple[int, dict[str, str]]
        ] = []  # (status, headers) to give before anything is handed on
        self.largest = 10**9  # bytes; a longer body is a 413
        self.sizes: list[int] = []
        self.tokens: set[str | None] = set()
        self.moments: list[float] = []

    async def write(self, request: web.Request) -> web.Response:
        self.tokens.add(request.headers.get("Authorization"))
        self.moments.append(time.monotonic())
        body = await request.read()
        self.sizes.append(body.count(b"\n") + 1)
        if self.answers:
            status, headers = self.answers.pop(0)
            return web.Response(status=status, headers=headers)
        if len(body) > self.largest:
            return web.Response(status=413)
        where = f"{self.behind}/write"
        query = {"db": request.query["bucket"], "precision": request.query["precision"]}
        async with (
            ClientSession() as session,
            session.post(where, params=query, data=body) as answer,
        ):
            return web.Response(status=answer.status, text=await answer.text())


@pytest.fixture
async def front(influxd: Server, free_port: Callable[[], int]) -> AsyncIterator[Front]:
    """The front with an InfluxDB and its empty database ``gloveboxes``; ``front.url``."""
    influxql(influxd, "CREATE DATABASE gloveboxes")
    front = Front(influxd.url)
    application = web.Application(client_max_size=10**8)
    application.router.add_post("/api/v2/write", front.write)
    runner = web.AppRunner(application)
    await runner.setup()
    port = free_port()
    await web.TCPSite(runner, "127.0.0.1", port).start()
    front.url = f"http://127.0.0.1:{port}"
    yield front
    await runner.cleanup()


def influxql(server: Server, query: str) -> dict[str, Any]:
    body = urllib.parse.urlencode({"q": query, "db": "gloveboxes"}).encode()
    with urllib.request.urlopen(f"{server.url}/query", body, timeout=10) as answer:
        found: dict[str, Any] = json.loads(answer.read())
        return found


def count(server: Server, field: str, measurement: str) -> int:
    series = influxql(server, f"SELECT count({field}) FROM {measurement}")["results"][0]
    return series["series"][0]["values"][0][1] if "series" in series else 0


async def test_influxdb_takes_every_line(
    journal: Journal, follow: Callable[..., InfluxFollower], front: Front, influxd: Server
) -> None:
    """A strict store refuses none of our lines, and InfluxQL finds them by tag."""
    for seq in range(1, 31):
        journal.append(scan(seq, moisture=seq, pressure=Reading(None, Quality.EXCEPTION)))
    journal.append(Entry(30, None, Outcome((event(1), event(2, None)))))
    await journal.flush()
    follower = follow(front.url)
    await finish_after_sending(follower, 30)
    assert follower.statistics().errors == 0
    assert count(influxd, "value", "reading") == 30
    assert count(influxd, "code", "reading") == 60
    assert count(influxd, "seq", "event") == 2
    found = influxql(
        influxd, "SELECT max(value) FROM reading WHERE box='heron' AND signal='moisture'"
    )
    assert found["results"][0]["series"][0]["values"][0][1] == 30


async def test_poison_is_set_aside_and_the_rest_goes_on(
    journal: Journal, follow: Callable[..., InfluxFollower], front: Front, influxd: Server
) -> None:
    """A line that the store refuses for good is narrowed down to and buried with its reason."""
    poison = f'event,box=x value="text" {BASE_MS * 1_000_000}'
    async with (
        ClientSession() as session,
        session.post(f"{influxd.url}/write?db=gloveboxes", data=poison) as answer,
    ):
        assert answer.status == 204
    for seq in range(1, 41):
        journal.append(scan(seq, moisture=seq))
    journal.append(Entry(40, None, Outcome((event(1),))))
    await journal.flush()
    follower = follow(front.url)
    await finish_after_sending(follower, 40)
    await journal.flush()
    assert count(influxd, "value", "reading") == 40
    connection = sqlite3.connect(journal.path)
    letters = connection.execute("SELECT follower, reason, document FROM dead_letter").fetchall()
    connection.close()
    ((name, reason, line),) = letters
    assert name == "influx"
    assert "400" in reason
    assert "conflict" in reason
    assert line.startswith("event,")
    assert follower.statistics().errors == 1


async def test_too_big_is_halved(
    journal: Journal, follow: Callable[..., InfluxFollower], front: Front, influxd: Server
) -> None:
    """413 makes the batches smaller until they pass, and they stay so."""
    front.largest = 300  # gzip makes a batch of these lines small
    for seq in range(1, 301):
        journal.append(scan(seq, moisture=seq * 1.234567))
    await journal.flush()
    await finish_after_sending(follow(front.url), 300)
    assert count(influxd, "value", "reading") == 300
    assert front.sizes[0] >= front.sizes[-1]


async def test_a_busy_store_is_left_alone_as_long_as_it_asks(
    journal: Journal, follow: Callable[..., InfluxFollower], front: Front, influxd: Server
) -> None:
    """429 and 503 with Retry-After: no try before that time."""
    front.answers = [(429, {"Retry-After": "1"}), (503, {"Retry-After": "1"})]
    journal.append(scan(1, moisture=1))
    await journal.flush()
    await finish_after_sending(follow(front.url), 1)
    first, second, third = front.moments[:3]
    assert second - first >= 1.0
    assert third - second >= 1.0
    assert count(influxd, "value", "reading") == 1


@pytest.mark.parametrize("status", [401, 403, 404])
async def test_a_closed_door_is_told_and_nothing_is_buried(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    front: Front,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
    status: int,
) -> None:
    """A wrong token or bucket loses nothing: it is told, and tried again after a long pause."""
    caplog.set_level(0)
    (tmp_path / "influx.token").write_text(f"{TOKEN}\n")
    front.answers = [(status, {})] * 5
    journal.append(scan(1, moisture=1))
    await journal.flush()
    follower = follow(front.url, plan={"token_file": tmp_path / "influx.token"})
    await until(lambda: follower.statistics().errors == 1)
    await asyncio.sleep(0.7)
    assert len(front.moments) == 1
    await finish(follower)
    assert str(status) in caplog.text
    assert TOKEN not in caplog.text
    assert front.tokens == {f"Token {TOKEN}"}
    with Reader(journal.path) as reader:
        assert reader.follower("influx") == (0, 0)


def direct(influxd: Server) -> str:
    influxql(influxd, "CREATE DATABASE gloveboxes")
    return influxd.url


async def test_influxdb_1_is_written_to_by_its_own_api(
    journal: Journal, follow: Callable[..., InfluxFollower], influxd: Server
) -> None:
    """Debian's InfluxDB 1.6 has no v2 API, says so, and gets the same lines all the same."""
    for seq in range(1, 31):
        journal.append(scan(seq, moisture=seq))
    await journal.flush()
    follower = follow(direct(influxd))
    await finish_after_sending(follower, 30)
    assert follower.statistics().errors == 0
    assert count(influxd, "value", "reading") == 30


async def test_a_database_that_is_missing_in_influxdb_1_is_told(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    influxd: Server,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Nothing is buried, and the log names the database."""
    caplog.set_level(logging.INFO)
    journal.append(scan(1, moisture=1))
    await journal.flush()
    follower = follow(influxd.url)
    await until(lambda: follower.statistics().errors == 1)
    await finish(follower)
    assert 'database not found: \\"gloveboxes\\"' in caplog.text
    with Reader(journal.path) as reader:
        assert reader.follower("influx") == (0, 0)


async def test_a_row_that_closes_late_arrives(
    journal: Journal, follow: Callable[..., InfluxFollower], influxd: Server
) -> None:
    """A leak test of this morning, judged now, is sent though its end is long past."""
    early = LedgerRow("a", "heron", "isolation", BASE_MS, BASE_MS + 1000, {"oxygen_ppm_h": 1.5})
    late = LedgerRow(
        "b", "heron", "leak-test", BASE_MS - 8_000_000, BASE_MS - 7_000_000,
        {"pressure_hold": {"class": 2, "resolved": True, "budget": {"gauge": 0.25}}},
    )  # fmt: skip
    follower = follow(direct(influxd))
    for seq in range(1, 200):
        journal.append(scan(seq, moisture=seq))
    journal.append(Entry(199, None, Outcome((), {}, (early,))))
    await journal.flush()
    await until(lambda: follower._rewind and follower._rewind.sent == (199, 0, 1))
    journal.append(Entry(199, None, Outcome((), {}, (late,))))
    await journal.flush()
    await until(lambda: rewind(follower).sent.ledger_row == 2)
    await finish(follower)
    (row,) = influxql(influxd, "SELECT * FROM ledger WHERE kind='leak-test'")["results"][0][
        "series"
    ]
    named = dict(zip(row["columns"], row["values"][0], strict=True))
    assert named["pressure_hold_class"] == 2
    assert named["pressure_hold_resolved"] == 1
    assert named["pressure_hold_budget_gauge"] == 0.25
    assert named["duration_s"] == 1000


class Wait:
    """A monotonic clock that runs as many times faster as it is told."""

    def __init__(self, speed: float) -> None:
        self.speed = speed

    def __call__(self) -> float:
        return time.monotonic() * self.speed


@pytest.mark.service
@pytest.mark.long
@pytest.mark.parametrize("which", ["influxd", "victoria"])
async def test_the_canary_is_found_again(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    request: pytest.FixtureRequest,
    which: str,
) -> None:
    """What a real store acknowledged is in it: nothing is told, and the cursor may follow."""
    server = request.getfixturevalue(which)
    url = direct(server) if which == "influxd" else server.url
    follower = follow(url, monotonic=Wait(20))
    await until(lambda: follower._canary.proven_s > float("-inf"))
    assert follower.statistics().seconds_behind == 0
    assert follower.statistics().errors == 0
    for seq in range(1, 6):
        journal.append(scan(seq, moisture=seq))
        await journal.flush()
        await until_sent(follower, seq)
    proven = follower._canary.proven_s
    await until(lambda: follower._canary.proven_s > proven + 130)
    journal.append(scan(6, moisture=6))
    await journal.flush()
    await until(lambda: rewind(follower).kept.item_seq == 5)
    await finish(follower)


class Shifted(RealClock):
    """A clock on a wrong wall."""

    shift_ms = 0

    def wall_ms(self) -> int:
        return super().wall_ms() + self.shift_ms


async def test_a_store_that_forgets_what_it_acknowledges_is_found_out(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    victoria: Server,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """victoria-metrics answers 204 to a time it does not believe and keeps nothing.

    The canary finds that out: it is told and seen as lag, and the cursor stays. Once the
    store keeps what it gets, all that came meanwhile is sent again.
    """
    caplog.set_level(logging.INFO)
    clock = Shifted()
    clock.shift_ms = 3 * 86_400_000
    journal.append(scan(1, moisture=1))
    await journal.flush()
    follower = follow(victoria.url, clock=clock, monotonic=Wait(60))
    await until(lambda: follower.statistics().seconds_behind > 100)
    assert "is not found in it" in caplog.text
    journal.append(scan(2, moisture=2))
    await journal.flush()
    await until(lambda: rewind(follower).sent.item_seq == 2)
    assert rewind(follower).kept.item_seq == 0
    before = follower.statistics().published
    clock.shift_ms = 0
    await until(lambda: follower.statistics().seconds_behind == 0)
    assert "is found in it again" in caplog.text
    await until(lambda: follower.statistics().published >= before + 2)
    await finish(follower)
    ((_, points),) = (await stored(victoria)).items()
    assert list(points.values()) == [1, 2]


async def test_a_store_that_may_not_be_read_is_taken_at_its_word(
    journal: Journal,
    follow: Callable[..., InfluxFollower],
    front: Front,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A token that may only write: said once, no alarm, the cursor is not held up."""
    caplog.set_level(logging.INFO)
    journal.append(scan(1, moisture=1))
    await journal.flush()
    follower = follow(front.url, monotonic=Wait(60))
    await until(lambda: "taken at its word" in caplog.text)
    await until(lambda: rewind(follower).sent.item_seq == 1)
    assert follower.statistics().seconds_behind == 0
    assert follower._canary.proven_s == float("inf")
    await finish(follower)


async def test_a_query_that_is_refused_is_no_missing_point(influxd: Server) -> None:
    """An error inside a 200 says that nobody may look, not that nothing is there."""
    plan = InfluxPlan(url=influxd.url, bucket="nowhere")
    async with open_client(plan, RealClock()) as session:
        with pytest.raises(FollowerError, match="database not found"):
            await session.holds("canary", "saltmarsh", BASE_MS)
