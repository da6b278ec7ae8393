"""The shipped broker: set up by its script, started by Debian's own main file, spoken to by TLS."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.service

DEPLOY = Path(__file__).parents[2] / "deploy"


def set_up(root: Path, *sites: str) -> str:
    """Run the script as a person would, into a folder instead of ``/``."""
    done = subprocess.run(
        [DEPLOY / "mosquitto" / "setup.sh", "marsh.example", *sites],
        env={**os.environ, "DESTDIR": str(root), "PATH": f"{os.environ['PATH']}:/usr/sbin"},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert done.stderr == ""
    return done.stdout


def contents(folder: Path) -> dict[str, bytes]:
    """Every file under a folder with its bytes."""
    return {str(p): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Keys take a second to find, so they are made once."""
    root = tmp_path_factory.mktemp("made")
    set_up(root, "saltmarsh", "fen")
    return root


@pytest.fixture
def root(made: Path, tmp_path: Path) -> Path:
    """A root set up for the sites saltmarsh and fen."""
    return Path(shutil.copytree(made, tmp_path / "root"))


class Port:
    """The running broker's TLS port, and its users with the passwords that the script drew."""

    def __init__(self, root: Path, port: int) -> None:
        self._etc = root / "etc" / "mosquitto"
        self._port = port

    def words(self, user: str | None, topic: str) -> list[str]:
        """Options of mosquitto's clients to connect as a user (None: anonymous) for a topic."""
        found = ["-h", "localhost", "-p", str(self._port), "-t", topic, "-q", "1"]
        found += ["--cafile", str(self._etc / "certs" / "dewline-ca.pem")]
        if user is not None:
            password = (self._etc / "dewline-passwords" / user).read_text().strip()
            found += ["-u", user, "-P", password]
        return found

    def arrives(self, user: str | None, topic: str, within_s: int = 60) -> bool:
        """Whether what ``user`` publishes, retained, can be read by the reader in so long."""
        said = subprocess.run(
            ["mosquitto_pub", *self.words(user, topic), "-r", "-m", f"from {user}"],
            capture_output=True,
            check=False,
            timeout=120,
        )
        heard = subprocess.run(
            ["mosquitto_sub", *self.words("reader", topic), "-C", "1", "-W", f"{within_s}"],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        return said.returncode == 0 and heard.stdout.strip() == f"from {user}"


@pytest.fixture
def port(root: Path, make_broker: Callable[..., Any], free_port: Callable[[], int]) -> Port:
    """A mosquitto with the shipped file included as Debian's main file includes it."""
    etc, tls = root / "etc" / "mosquitto", free_port()
    shipped = etc / "conf.d" / "dewline.conf"
    text = shipped.read_text().replace("/etc/mosquitto", str(etc))
    text = text.replace("listener 8883", f"listener {tls}").replace(
        "listener 1883", f"listener {free_port()}"
    )
    shipped.write_text(text)
    # Debian 12's /etc/mosquitto/mosquitto.conf, its log and pid file left out.
    make_broker(
        f"persistence true\npersistence_location {root}/\ninclude_dir {etc}/conf.d", folder=root
    )
    return Port(root, tls)


def test_each_site_has_its_own_topics(port: Port) -> None:
    """Over TLS and with a password: a site writes under its own name and under no other's."""
    assert port.arrives("saltmarsh", "dewline/saltmarsh/state")
    assert port.arrives("fen", "dewline/fen/heron/alarm/moisture-high")
    assert not port.arrives("fen", "dewline/saltmarsh/event", 1)


def test_readers_only_read_and_the_desk_only_commands(port: Port) -> None:
    """What is not granted is not delivered, whatever the broker answers."""
    assert not port.arrives("reader", "dewline/saltmarsh/a", 1)
    assert not port.arrives("desk", "dewline/saltmarsh/b", 1)
    assert port.arrives("desk", "dewline/saltmarsh/command")


def test_nobody_comes_in_without_a_password(port: Port) -> None:
    """Anonymous is refused, on the port that the world can reach."""
    assert not port.arrives(None, "dewline/saltmarsh/state", 1)


def test_a_second_run_changes_nothing_and_a_new_site_is_added(root: Path) -> None:
    """Certificates and passwords stay; only the new user's line comes in."""
    before = contents(root)
    assert set_up(root, "saltmarsh", "fen") == "nothing to change\n"
    assert contents(root) == before
    set_up(root, "saltmarsh", "fen", "mere")
    users = re.findall(
        r"^(\w+):\$7\$", (root / "etc/mosquitto/dewline.passwd").read_text(), re.MULTILINE
    )
    assert users == ["saltmarsh", "fen", "reader", "desk", "mere"]


def test_what_is_secret_is_closed(root: Path) -> None:
    """Keys and drawn passwords are for root, and for the broker where it must read them."""
    etc = root / "etc" / "mosquitto"
    for path in [*etc.rglob("*.key"), *(etc / "dewline-passwords").iterdir()]:
        assert path.stat().st_mode & 0o037 == 0, path
    for name in contents(root):
        if "dewline-passwords" not in name:
            for drawn in (etc / "dewline-passwords").iterdir():
                assert drawn.read_bytes().strip() not in Path(name).read_bytes()
