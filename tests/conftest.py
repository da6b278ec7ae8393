"""Servers that tests share: a real mosquitto, its subscribers, a gate, and an HTTP sink."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import socket
import subprocess
import threading
import time
from collections import deque
from collections.abc import AsyncIterator, Callable, Generator, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from tests import ports
from tests.patience import PATIENCE_S

READY = "ready/mark"

# "ci": the same examples each time, printed where one fails. "explore": others each time, and
# what failed before first: HYPOTHESIS_PROFILE=explore make test. How long an example takes is
# the machine's matter in both.
settings.register_profile(
    "explore", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.register_profile("ci", settings.get_profile("explore"), derandomize=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A test that skips itself has failed: what it needs is to be installed, not left out."""
    report = yield
    if report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
    return report


SERVICES = frozenset({"make_broker", "victoria", "influxd", "mbpoll", "certificates", "store"})


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what starts a service; with several processes, put first what takes long."""
    for item in items:
        assert isinstance(item, pytest.Function)
        if SERVICES.intersection(item.fixturenames):
            item.add_marker(pytest.mark.service)
    if "PYTEST_XDIST_WORKER" in os.environ:
        items.sort(key=lambda item: item.get_closest_marker("long") is None)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Which tests run in one process. Called where there are several processes."""
    from tests.scheduling import Scheduling  # noqa: PLC0415 - not everybody runs several

    return Scheduling(config, log)


def wait_for_port(port: int, process: subprocess.Popen[bytes]) -> None:
    """Return once something listens there; RuntimeError if the process ends or is too slow."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RuntimeError(f"{process.args!r} ended with {process.returncode}")
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.5):
            return
        time.sleep(0.005)
    raise RuntimeError(f"nothing listens on port {port}")


class Broker:
    """One mosquitto on 127.0.0.1. ``settings`` are lines of its config file."""

    def __init__(self, folder: Path, settings: str) -> None:
        self.folder = folder
        self.port = ports.free_port()
        self.config = folder / "mosquitto.conf"
        # ``user root``: else a mosquitto started by root could not read the test's files.
        self.config.write_text(f"listener {self.port} 127.0.0.1\nuser root\n{settings}\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(
                ["mosquitto", "-c", str(self.config)], stdout=log, stderr=log
            )
        wait_for_port(self.port, self.process)

    def _end(self, number: signal.Signals) -> None:
        if self.process is not None:
            self.process.send_signal(number)
            self.process.wait(PATIENCE_S)
            self.process = None

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """As a power cut would: nothing is saved, nobody is told."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)


class Subscriber:
    """mosquitto_sub writing to a file. Each message: (topic, retained, qos, payload)."""

    def __init__(
        self, folder: Path, port: int, filters: tuple[str, ...], options: list[str]
    ) -> None:
        self._file = folder / f"sub-{time.monotonic_ns()}.txt"
        chosen = [word for text in filters for word in ("-t", text)]
        with self._file.open("wb") as out:
            self._process = subprocess.Popen(
                [
                    *("mosquitto_sub", "-h", "127.0.0.1", "-p", str(port), "-q", "1"),
                    *(*chosen, "-F", "%t\t%r\t%q\t%p", *options),
                ],
                stdout=out,
                env={**os.environ, "LC_ALL": "C.UTF-8"},
            )

    def messages(self, topic: str | None = None) -> list[tuple[str, bool, int, str]]:
        whole, _, _ = self._file.read_bytes().rpartition(b"\n")  # the last may be half written
        rows = [line.split("\t", 3) for line in whole.decode().split("\n")]
        return [
            (row[0], row[1] == "1", int(row[2]), row[3])
            for row in rows
            if len(row) == 4 and (row[0] == topic or (topic is None and row[0] != READY))
        ]

    def payloads(self, topic: str) -> list[str]:
        return [payload for _, _, _, payload in self.messages(topic)]

    def documents(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(payload) for payload in self.payloads(topic) if payload]

    async def until(
        self, ready: Callable[[Subscriber], object], within_s: float = PATIENCE_S
    ) -> list[tuple[str, bool, int, str]]:
        """All messages, once ``ready`` holds; AssertionError with them if it never does."""
        deadline = time.monotonic() + within_s
        while not ready(self):
            assert time.monotonic() < deadline, f"waited in vain; got {self.messages()[-5:]}"
            await asyncio.sleep(0.02)
        return self.messages()

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(PATIENCE_S)


class Gate:
    """A TCP way to a port that can be cut (both ends closed) and opened again."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self._server: asyncio.Server | None = None
        self._links: set[asyncio.StreamWriter] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self.port = ports.free_port()
        self.connections = 0

    async def open(self) -> None:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", self.port)

    async def cut(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for link in list(self._links):
            link.transport.abort()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def until_connections(self, count: int, within_s: float = PATIENCE_S) -> None:
        """Return once so many connections have come since the beginning."""
        async with asyncio.timeout(within_s):
            while self.connections < count:  # noqa: ASYNC110 - a test can wait by looking
                await asyncio.sleep(0.02)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        try:
            back, forth = await asyncio.open_connection("127.0.0.1", self._to_port)
        except OSError:
            writer.transport.abort()
            return
        self._links |= {writer, forth}
        await asyncio.gather(self._carry(reader, forth), self._carry(back, writer))
        self._links -= {writer, forth}

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
        writer.close()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


class Server:
    """A server of Debian's on a free port of 127.0.0.1; its words name the port as ``{port}``."""

    def __init__(self, folder: Path, words: list[str]) -> None:
        self.folder = folder
        self.port = ports.free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.words = [word.format(port=self.port, folder=folder) for word in words]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.folder / "server.log").open("ab") as log:
            self._process = subprocess.Popen(self.words, stdout=log, stderr=log)
        wait_for_port(self.port, self._process)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S)
            self._process = None

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        self._end(signal.SIGKILL)


@pytest.fixture
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A real victoria-metrics, which speaks the v2 write API; repeats are taken out."""
    words = ["victoria-metrics", "-storageDataPath={folder}/data", "-loggerLevel=ERROR"]
    words += ["-httpListenAddr=127.0.0.1:{port}", "-retentionPeriod=10y", "-selfScrapeInterval=0"]
    server = Server(tmp_path_factory.mktemp("victoria"), [*words, "-dedup.minScrapeInterval=1ms"])
    server.start()
    yield server
    server.kill()


@contextlib.contextmanager
def running_influxd(folder: Path) -> Iterator[Server]:
    """An InfluxDB 1.x with its files in that folder."""
    server = Server(folder, ["influxd", "-config", "{folder}/influxdb.conf"])
    (folder / "influxdb.conf").write_text(
        f"""reporting-disabled = true
bind-address = "127.0.0.1:{ports.free_port()}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
[http]
bind-address = "127.0.0.1:{server.port}"
log-enabled = false
[monitor]
store-enabled = false
"""
    )
    server.start()
    yield server
    server.kill()


@pytest.fixture
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A real InfluxDB 1.x, which speaks InfluxQL and checks every line."""
    with running_influxd(tmp_path_factory.mktemp("influxd")) as server:
        yield server


@dataclass
class Answer:
    """How a sink answers once. ``wait_s``: it has the request already, and is slow to say so.

    ``drop``: it hangs up without a word.
    """

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    wait_s: float = 0.0
    drop: bool = False


class Sink:
    """A real HTTP server that keeps what it gets, as (moment, path, body) in order.

    The next ``answers`` are given first, then ``usual``; a thread of its own serves them.
    """

    def __init__(self, port: int = 0) -> None:
        self.got: list[tuple[float, str, bytes]] = []
        self.answers: deque[Answer] = deque()
        self.usual = Answer()
        self._closing = threading.Event()
        sink = self

        class Handler(BaseHTTPRequestHandler):
            def answer(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                answer = sink.answers.popleft() if sink.answers else sink.usual
                sink.got.append((time.monotonic(), self.path, body))
                sink._closing.wait(answer.wait_s)
                if answer.drop:
                    self.close_connection = True
                    return
                with contextlib.suppress(OSError):
                    self.send_response(answer.status)
                    for name, text in answer.headers.items():
                        self.send_header(name, text)
                    self.send_header("Content-Length", "0")
                    self.end_headers()

            do_GET = do_POST = answer

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = False
        self.port: int = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self._thread.start()

    def pages(self) -> list[dict[str, Any]]:
        """What Apprise's json:// scheme sent: {version, title, message, type, ...}."""
        return [json.loads(body) for _, _, body in list(self.got)]

    def titles(self) -> list[str]:
        return [page["title"] for page in self.pages()]

    def texts(self) -> list[str]:
        """First line of every page: what stands on the lock screen."""
        return [page["message"].partition("\n")[0] for page in self.pages()]

    def ids(self) -> list[str]:
        """The id at the foot of every page."""
        return [page["message"].rpartition("id ")[2].strip() for page in self.pages()]

    async def until(self, count: int, within_s: float = PATIENCE_S) -> None:
        """Wait until that many requests are in; AssertionError with what there is if never."""
        deadline = time.monotonic() + within_s
        while len(self.got) < count:
            assert time.monotonic() < deadline, f"waited in vain for {count}: {self.texts()}"
            await asyncio.sleep(0.01)

    def close(self) -> None:
        self._closing.set()
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def make_sink() -> Iterator[Callable[..., Sink]]:
    """``make_sink(port=0)``: HTTP sinks on 127.0.0.1, closed at the end."""
    made: list[Sink] = []

    def make(port: int = 0) -> Sink:
        made.append(Sink(port))
        return made[-1]

    yield make
    for sink in made:
        sink.close()


@pytest.fixture
def sink(make_sink: Callable[..., Sink]) -> Sink:
    """An HTTP sink that says 200."""
    return make_sink()


@pytest.fixture
def answer() -> type[Answer]:
    """``answer(status, headers, wait_s, drop)``: one answer of a sink."""
    return Answer


@pytest.fixture
def free_port() -> Callable[[], int]:
    """Gives TCP ports of 127.0.0.1 on which nothing listens and that no other test is given."""
    return ports.free_port


@pytest.fixture
def make_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., Broker]]:
    """Makes started mosquittos: ``make_broker(settings, folder=...)``; all are stopped at the end.

    A broker has ``port``, ``start``, ``stop``, ``kill``, ``freeze`` and ``thaw``.
    """
    made: list[Broker] = []

    def make(settings: str = "allow_anonymous true", folder: Path | None = None) -> Broker:
        broker = Broker(folder or tmp_path_factory.mktemp("broker"), settings)
        made.append(broker)
        broker.start()
        return broker

    yield make
    for broker in made:
        broker.kill()


@pytest.fixture
def broker(make_broker: Callable[..., Broker]) -> Broker:
    """A real mosquitto that lets everyone in, on a free port, and keeps nothing on disk."""
    return make_broker()


@pytest.fixture
async def subscribe(tmp_path: Path) -> AsyncIterator[Callable[..., Any]]:
    """``await subscribe(port, *filters, options=[])``: a running, subscribed mosquitto_sub."""
    running: list[Subscriber] = []

    async def start(port: int, *filters: str, options: list[str] | None = None) -> Subscriber:
        # A message of our own on a side topic shows that the subscription stands.
        extra = options or []
        subscriber = Subscriber(tmp_path, port, (*filters, READY), extra)
        running.append(subscriber)
        mark = str(time.monotonic_ns())
        ready = [*("-p", str(port)), *extra, "-t", READY, "-m", mark, "-q", "1"]
        deadline = time.monotonic() + PATIENCE_S
        while mark not in subscriber.payloads(READY):
            assert time.monotonic() < deadline, "mosquitto_sub did not subscribe"
            publisher = await asyncio.create_subprocess_exec(
                "mosquitto_pub", "-h", "127.0.0.1", *ready
            )
            await publisher.wait()
            await asyncio.sleep(0.02)
        return subscriber

    yield start
    for subscriber in running:
        subscriber.stop()


@pytest.fixture
async def make_gate() -> AsyncIterator[Callable[[int], Any]]:
    """``await make_gate(port)``: an open ``Gate`` to that port, closed at the end."""
    made: list[Gate] = []

    async def make(port: int) -> Gate:
        gate = Gate(port)
        made.append(gate)
        await gate.open()
        return gate

    yield make
    for gate in made:
        await gate.cut()
