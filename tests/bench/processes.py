"""Processes of a row: started on a core, asked over their pipes, ended; and what they cost."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from tests.bench.measured import FAR, NEAR
from tests.ports import free_port

HERE = Path(__file__).parent


@contextlib.contextmanager
def running(
    words: Sequence[str], core: int, log: Path, *, piped: bool = False
) -> Iterator[subprocess.Popen[str]]:
    """A process on ``core``, ended at the end; RuntimeError with its last words if it failed."""
    pipe = subprocess.PIPE if piped else None
    with log.open("a") as out:
        child = subprocess.Popen(
            words,
            stdin=pipe,
            stdout=pipe or out,
            stderr=out,
            text=True,
            preexec_fn=lambda: os.sched_setaffinity(0, {core}),
        )
    try:
        yield child
    except BaseException:
        if child.poll() is not None:
            raise RuntimeError(f"{words[:4]} ended: {log.read_text()[-500:]}") from None
        raise
    finally:
        child.send_signal(signal.SIGTERM)
        child.wait(60)
        for stream in (child.stdin, child.stdout):
            if stream is not None:
                stream.close()


class FarSide:
    """A server of ours in a process of its own that answers questions over its pipes."""

    def __init__(self, child: subprocess.Popen[str]) -> None:
        self._child = child
        self.said = self._answer()

    def ask(self, question: str) -> Any:
        """One line there, one JSON document back."""
        assert self._child.stdin is not None
        print(question, file=self._child.stdin, flush=True)
        return self._answer()

    def _answer(self) -> Any:
        assert self._child.stdout is not None
        return json.loads(self._child.stdout.readline())


@contextlib.contextmanager
def far_side(script: str, *words: str, log: Path) -> Iterator[FarSide]:
    """One of the instrument servers beside this file."""
    command = [sys.executable, str(HERE / script), *words]
    with running(command, FAR, log, piped=True) as child:
        yield FarSide(child)


@contextlib.contextmanager
def daemon(config: Path) -> Iterator[subprocess.Popen[str]]:
    """``dewline run CONFIG`` on the core of what is measured."""
    command = [sys.executable, "-m", "dewline", "run", str(config)]
    with running(command, NEAR, config.parent / "daemon.log") as child:
        yield child


@contextlib.contextmanager
def peer(name: str, *words: str, log: Path) -> Iterator[subprocess.Popen[str]]:
    """One of ``peers.py`` on the core of what is measured."""
    command = [sys.executable, str(HERE / "peers.py"), name, *words]
    with running(command, NEAR, log) as child:
        yield child


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[int]:
    """A real mosquitto on a free port that keeps nothing."""
    port = free_port()
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n")
    with running(["mosquitto", "-c", str(config)], FAR, folder / "mosquitto.log"):
        _listens(port)
        yield port


@contextlib.contextmanager
def store(folder: Path) -> Iterator[int]:
    """A real victoria-metrics, which speaks the v2 write API, on a free port."""
    port = free_port()
    words = ["victoria-metrics", f"-storageDataPath={folder}/store", "-loggerLevel=ERROR"]
    words += [f"-httpListenAddr=127.0.0.1:{port}", "-retentionPeriod=10y", "-selfScrapeInterval=0"]
    with running(words, FAR, folder / "store.log"):
        _listens(port)
        yield port


def _listens(port: int) -> None:
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.5):
            return
        time.sleep(0.02)
    raise RuntimeError(f"nothing listens on port {port}")


def cpu_s(pid: int) -> float:
    """Seconds of processor of all threads that live, to the nanosecond: proc(5), schedstat."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


def rss_mb(pid: int) -> tuple[float, float]:
    """Resident megabytes now, and at most so far: VmRSS and VmHWM of proc(5)."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    found = {name: words for name, _, words in (line.partition(":") for line in lines)}
    now, most = (int(found[name].split()[0]) * 1024 / 1e6 for name in ("VmRSS", "VmHWM"))
    return now, most
