"""The simulated lab, a mosquitto and the daemon as processes, over real sockets and ptys."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.live.control_socket import NoDaemon, ask_status
from dewline.live.requests import StatusDocument
from tests.patience import PATIENCE_S, wait_until


class Lab:
    """The simulator as a process of its own, steered over its control socket."""

    def __init__(self, folder: Path, story: str, port: int, *, speed: float = 1.0) -> None:
        self.folder = folder
        self.tcp_port = port
        self._control = folder / "lab.sock"
        words = [
            *(sys.executable, "-m", "dewline_sim", story, "--quiet", "--speed", str(speed)),
            *("--tcp", f"127.0.0.1:{port}", "--rtu", str(folder / "line")),
            *("--ascii", str(folder / "frost"), "--control", str(self._control)),
            *("--config", str(folder)),
        ]
        with (folder / "lab.log").open("wb") as log:
            self.process = subprocess.Popen(words, stdout=log, stderr=log)
        self.line = wait_until("the simulator", self._connected)
        self._stream = self.line.makefile("rb")

    def _connected(self) -> socket.socket | None:
        assert self.process.poll() is None, (self.folder / "lab.log").read_text()
        line = socket.socket(socket.AF_UNIX)
        try:
            line.connect(str(self._control))
        except OSError:
            line.close()
            return None
        return line

    def ask(self, **request: Any) -> dict[str, Any]:
        """One request on the control socket."""
        self.line.sendall(json.dumps(request).encode() + b"\n")
        answer: dict[str, Any] = json.loads(self._stream.readline())
        assert "error" not in answer, answer
        return answer

    def add(self, instrument: str, register: str, amount: float) -> None:
        """Let a sensor show that much more than it would, at once."""
        setting = {"register": register, "added": amount, "lag_up_s": 0.1, "lag_down_s": 0.1}
        self.ask(act={"do": "set", "instrument": instrument, "with": setting})

    def stop(self) -> None:
        self._stream.close()
        self.line.close()
        self.process.terminate()
        self.process.wait(PATIENCE_S)


class Daemon:
    """``dewline run`` as a process of its own, and the commands that speak to it."""

    def __init__(self, config: Path) -> None:
        self.config = config
        self.log = config.with_suffix(".log")
        plan = yaml.safe_load(config.read_text())
        self.journal = config.parent / plan["journal"]["path"]
        self.socket = Path(f"{self.journal}.sock")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dewline", "run", str(self.config)], stdout=log, stderr=log
            )
        wait_until("the daemon", self._answers)

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log.read_text()[-3000:]
        try:
            return bool(ask_status(self.socket)["state"] == "running")
        except NoDaemon:
            return False

    def status(self) -> StatusDocument:
        return ask_status(self.socket)

    def states(self) -> dict[str, str]:
        """State by alarm, of all that are not normal."""
        return {alarm["alarm"]: alarm["state"] for alarm in self.status()["alarms"]}

    def until(self, alarm: str, state: str | None, within_s: float = PATIENCE_S) -> None:
        """Wait for an alarm to be in a state (None: normal)."""
        wait_until(f"{alarm} {state}", lambda: self.states().get(alarm) == state, within_s)

    def cli(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A ``dewline`` command as a person would type it."""
        return subprocess.run(
            [sys.executable, "-m", "dewline", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            env={**os.environ, "DEWLINE_CONFIG": str(self.config)},
        )

    def send(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """As a power cut would."""
        self.send(signal.SIGKILL)
        assert self.process is not None
        self.process.wait(PATIENCE_S)
        self.process = None

    def stop(self) -> int:
        """A clean stop; returns the exit status."""
        if self.process is None:
            return 0
        self.send(signal.SIGTERM)
        status = self.process.wait(PATIENCE_S)
        self.process = None
        return status


QUICK_RULES: dict[str, Any] = {
    "moisture-quick": {
        "signal": "moisture",
        "above": "5 ppm",
        "deadband": "1 ppm",
        "priority": "high",
    },
    "oxygen-quick": {"signal": "oxygen", "above": "5 ppm", "deadband": "1 ppm", "priority": "high"},
    "moisture-gone": {"signal": "moisture", "stale_after": "6 s", "priority": "medium"},
}


def quick_config(folder: Path, mqtt_port: int, **more: Any) -> Path:
    """The lab's own config with quick polls, quick rules and a command token."""
    path = folder / "dewline.yaml"
    document = yaml.safe_load(path.read_text().replace("port: 1883", f"port: {mqtt_port}"))
    for instrument in document["instruments"].values():
        if "unit" in instrument:
            instrument["every"] = "200 ms"
    (folder / "command.token").write_text("marsh-reed-7\n")
    document["journal"]["commit_every"] = "200 ms"
    document["mqtt"] |= {"readings_every": "1 s", "commands": {"token_file": "command.token"}}
    document["rule_sets"] = []
    document["rules"] = dict(QUICK_RULES)
    document |= more
    path.write_text(yaml.safe_dump(document, sort_keys=False))
    return path


@pytest.fixture
def make_lab(tmp_path: Path, free_port: Callable[[], int]) -> Iterator[Callable[..., Lab]]:
    """Starts simulators; all are stopped at the end."""
    made: list[Lab] = []

    def make(story: str = "night", **more: Any) -> Lab:
        lab = Lab(tmp_path, story, free_port(), **more)
        made.append(lab)
        return lab

    yield make
    for lab in made:
        lab.stop()


@pytest.fixture
def lab(make_lab: Callable[..., Lab]) -> Lab:
    """The lab of the night story, served in real time."""
    return make_lab()


@pytest.fixture
def make_daemon() -> Iterator[Callable[[Path], Daemon]]:
    """Makes daemons that are not yet started; all are ended."""
    made: list[Daemon] = []

    def make(config: Path) -> Daemon:
        daemon = Daemon(config)
        made.append(daemon)
        return daemon

    yield make
    for daemon in made:
        if daemon.process is not None:
            daemon.kill()


@pytest.fixture
def road(lab: Lab, broker: Any, make_daemon: Callable[[Path], Daemon]) -> Daemon:
    """A running daemon on the served lab, publishing to a real mosquitto."""
    daemon = make_daemon(quick_config(lab.folder, broker.port))
    daemon.start()
    return daemon


@pytest.fixture
def configure() -> Callable[..., Path]:
    """``configure(folder, mqtt_port, **sections)``: writes the quick config."""
    return quick_config


@pytest.fixture
def waiting() -> Callable[..., Any]:
    """``waiting(what, ready, within_s)``."""
    return wait_until
