"""The MQTT follower when the broker is away, frozen, guarded or forgetful."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import ssl
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from dewline.clock import RealClock, StepClock
from dewline.config.plan import MqttPlan
from dewline.events import Entry, Outcome
from dewline.followers.mqtt.connection import connection
from dewline.followers.mqtt.follower import MqttFollower
from dewline.readings import Quality, Reading, Scan
from tests.conftest import Broker
from tests.followers.conftest import House
from tests.patience import PATIENCE_S

SITE = "dewline/saltmarsh"
EVENT = f"{SITE}/event"
STATE = f"{SITE}/state"
ALARM = f"{SITE}/heron/alarm/moisture-high"
PASSWORD = "canary-marsh-41"


async def until(condition: Callable[[], object], within_s: float = PATIENCE_S) -> None:
    deadline = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        await asyncio.sleep(0.02)


def open_files() -> int:
    return len(os.listdir("/proc/self/fd"))


async def test_all_is_said_again_after_the_broker_forgot(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """A broker killed with -9 forgets what it retained; state, alarms and readings come back."""
    follower = await running(broker.port)
    reading = {"heron.moisture": Reading(0.5, Quality.GOOD)}
    house.commit(Entry(1, Scan(1000, 0, "panel", reading), Outcome()))
    house.happen()
    await until(lambda: house.record.cursors.get("mqtt") == 1)
    broker.kill()
    await until(lambda: not follower.statistics().connected)
    broker.start()
    await until(lambda: follower.statistics().connected)
    late = await subscribe(broker.port, f"{SITE}/#")
    await late.until(lambda s: s.messages(f"{SITE}/heron/reading/moisture"))
    assert {topic for topic, *_ in late.messages()} >= {STATE, ALARM}
    assert not late.messages(EVENT)


async def test_events_of_an_outage_arrive_once_it_is_over(
    broker: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    house: House,
    make_gate: Callable[[int], Any],
) -> None:
    """What happened while the broker could not be reached is delivered in order, none missing."""
    gate = await make_gate(broker.port)
    heard = await subscribe(broker.port, f"{SITE}/#")
    follower = await running(gate.port)
    house.happen()
    await until(lambda: house.record.cursors.get("mqtt") == 1)
    await gate.cut()
    for number in range(30):
        house.happen("heron.moisture-high", "cleared" if number % 2 == 0 else "raised")
    await until(lambda: follower.statistics().events_behind == 30)
    await gate.open()
    await heard.until(lambda s: len(s.messages(EVENT)) == 31)
    assert [d["seq"] for d in heard.documents(EVENT)] == list(range(1, 32))
    await until(lambda: follower.statistics().events_behind == 0)
    assert follower.statistics().seconds_behind == 0
    assert house.record.advances == sorted(house.record.advances)


async def test_a_lost_connection_leaves_the_will(
    broker: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    make_gate: Callable[[int], Any],
) -> None:
    """When the line breaks, the broker itself says ``lost``; after reconnecting: running."""
    gate = await make_gate(broker.port)
    heard = await subscribe(broker.port, STATE)
    await running(gate.port)
    await heard.until(lambda s: s.messages(STATE))
    await gate.cut()
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "lost")
    await gate.open()
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "running")


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Waits for answers that will not come are cut short."""
    monkeypatch.setattr("dewline.followers.mqtt.connection.ANSWER_TIMEOUT_S", 1.0)
    monkeypatch.setattr("dewline.followers.mqtt.connection.CONNECT_TIMEOUT_S", 0.5)


async def test_the_cursor_waits_for_a_frozen_broker(
    impatient: None, broker: Broker, running: Callable[..., Any], house: House
) -> None:
    """Without PUBACK nothing counts as delivered; once the broker thaws, all of it arrives."""
    follower = await running(broker.port)
    house.happen()
    await until(lambda: house.record.cursors.get("mqtt") == 1)
    broker.freeze()
    try:
        house.happen("heron.moisture-high", "cleared")
        await until(lambda: not follower.statistics().connected)
        assert house.record.cursors["mqtt"] == 1
        assert follower.statistics().events_behind == 1
    finally:
        broker.thaw()
    await until(lambda: house.record.cursors.get("mqtt") == 2)


async def test_a_connection_that_got_no_answer_leaves_nothing_behind(
    impatient: None, broker: Broker, subscribe: Callable[..., Any]
) -> None:
    """A frozen broker answers no CONNECT: the half-made connection is closed, no ghost lives on.

    A ghost would hold a file and, once the broker thaws, die as ``lost`` of a healthy daemon.
    """
    heard = await subscribe(broker.port, STATE)
    plan, will = MqttPlan(port=broker.port), aiomqtt.Will(STATE, '{"state":"lost"}', 1, True)
    broker.freeze()
    try:
        before = open_files()
        with pytest.raises(aiomqtt.MqttError):
            async with connection(plan, "dewlineghost", will, RealClock()):
                pass
        assert open_files() == before
        entering = asyncio.ensure_future(
            connection(plan, "dewlineghost2", will, RealClock()).__aenter__()
        )
        await asyncio.sleep(0.1)
        entering.cancel()
        with pytest.raises(asyncio.CancelledError):
            await entering
        assert open_files() == before
    finally:
        broker.thaw()
    await asyncio.sleep(0.3)
    assert not heard.messages(STATE)


async def test_cancelling_at_any_moment_ends_it(
    broker: Broker, make_follower: Callable[..., MqttFollower], house: House
) -> None:
    """Whatever it is doing, a cancelled follower ends; no cancellation is swallowed."""
    for moment in range(25):
        task = asyncio.create_task(make_follower(broker.port).run())
        await asyncio.sleep(moment * 0.007)
        house.happen()
        task.cancel()
        done, _ = await asyncio.wait({task}, timeout=PATIENCE_S)
        assert done, f"still running after being cancelled at {moment * 7} ms"


async def test_stopping_while_the_broker_is_away_takes_no_time(
    running: Callable[..., Any],
    free_port: Callable[[], int],
    house: House,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """``stop`` ends the wait for a broker, and what is not delivered stays for later."""
    monkeypatch.setattr("dewline.followers.mqtt.follower.FIRST_RETRY_S", 3600.0)
    follower = await running(free_port(), connected=False)
    house.happen()
    await until(lambda: follower.statistics().errors >= 1)
    follower.stop()
    await asyncio.wait_for(follower.task, PATIENCE_S)
    assert house.record.cursors == {}


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    path = tmp_path / "mqtt.pass"
    path.write_text(f"{PASSWORD}\n")
    return path


@pytest.fixture
def guarded(make_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker with users ``dewline`` (may all of its site) and ``reader`` (may read)."""
    users, rights = tmp_path / "users", tmp_path / "rights"
    users.touch(mode=0o600)
    for user in ("dewline", "reader"):
        subprocess.run(["mosquitto_passwd", "-b", str(users), user, PASSWORD], check=True)
    rights.write_text(
        "user dewline\ntopic readwrite dewline/saltmarsh/#\n"
        "user reader\ntopic read dewline/#\ntopic readwrite ready/#\n"
    )
    return make_broker(f"password_file {users}\nacl_file {rights}")


READER = ["-u", "reader", "-P", PASSWORD]


async def test_password_and_access_list(
    guarded: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    house: House,
    password_file: Path,
) -> None:
    """With name and password from a file the daemon gets in and does all its work."""
    heard = await subscribe(guarded.port, f"{SITE}/#", options=READER)
    follower = await running(guarded.port, username="dewline", password_file=password_file)
    house.happen()
    await heard.until(lambda s: s.messages(EVENT) and s.messages(ALARM))
    assert follower.statistics().errors == 0


async def test_a_wrong_password_is_told_and_never_shown(
    guarded: Broker,
    running: Callable[..., Any],
    password_file: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A refused password is a line in the log that holds no password; the follower goes on."""
    caplog.set_level(0)
    password_file.write_text("canary-wrong-42")
    follower = await running(
        guarded.port, connected=False, username="dewline", password_file=password_file
    )
    await until(lambda: follower.statistics().errors >= 1)
    assert "Not authorized" in caplog.text
    assert "canary" not in caplog.text
    assert "Not authorized" in follower.statistics().barred["mqtt"]
    password_file.write_text(PASSWORD)  # put right without a restart
    await until(lambda: follower.statistics().connected)
    assert follower.statistics().barred == {"mqtt": None}


async def test_a_broker_that_is_away_bars_nothing(
    running: Callable[..., Any], free_port: Callable[[], int]
) -> None:
    """It comes back by itself; only the lag tells of it."""
    follower = await running(free_port(), connected=False)
    await until(lambda: follower.statistics().errors >= 1)
    assert follower.statistics().barred == {"mqtt": None}


async def test_an_unreadable_password_file_is_told_by_its_name(
    guarded: Broker, running: Callable[..., Any], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """A missing secret is named by its path, and waited for."""
    path = tmp_path / "nowhere.pass"
    follower = await running(guarded.port, connected=False, username="dewline", password_file=path)
    await until(lambda: follower.statistics().errors >= 1)
    assert "nowhere.pass" in caplog.text
    assert "nowhere.pass" in follower.statistics().barred["mqtt"]


async def test_a_broker_that_swallows_is_found_out(
    make_broker: Callable[..., Broker],
    running: Callable[..., Any],
    house: House,
    tmp_path: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A denied publish is acknowledged like any other (MQTT 3.1.1): reading back tells."""
    rights = tmp_path / "rights"
    rights.write_text("topic read #\ntopic readwrite dewline/saltmarsh/state\n")
    broker = make_broker(f"allow_anonymous true\nacl_file {rights}")
    house.happen()
    follower = await running(broker.port)
    await until(lambda: house.record.cursors.get("mqtt") == 1)
    assert "does not give back 1 of its 1 alarm topics" in caplog.text
    assert follower.statistics().errors == 1


def openssl(*words: str) -> None:
    subprocess.run(["openssl", *words], check=True, capture_output=True)


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A CA of our own, a server certificate for 127.0.0.1, and a CA that signed nothing."""
    folder = tmp_path_factory.mktemp("tls")
    for name in ("ca", "other"):
        openssl(
            *("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", f"/CN=saltmarsh {name}", "-addext", "keyUsage=critical,keyCertSign"),
            *("-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem"),
        )
    openssl(
        *("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=broker"),
        *("-keyout", f"{folder}/server.key", "-out", f"{folder}/server.csr"),
    )
    (folder / "names").write_text(
        "subjectAltName=IP:127.0.0.1\nauthorityKeyIdentifier=keyid\nsubjectKeyIdentifier=hash\n"
    )
    openssl(
        *("x509", "-req", "-days", "2", "-in", f"{folder}/server.csr", "-CAcreateserial"),
        *("-CA", f"{folder}/ca.pem", "-CAkey", f"{folder}/ca.key"),
        *("-extfile", f"{folder}/names", "-out", f"{folder}/server.pem"),
    )
    return folder


@pytest.fixture
def tls_broker(make_broker: Callable[..., Broker], certificates: Path) -> Broker:
    return make_broker(
        f"allow_anonymous true\ncafile {certificates}/ca.pem\n"
        f"certfile {certificates}/server.pem\nkeyfile {certificates}/server.key"
    )


async def test_tls(
    tls_broker: Broker,
    certificates: Path,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    house: House,
) -> None:
    """With the CA's certificate the follower works over TLS."""
    heard = await subscribe(
        tls_broker.port, f"{SITE}/#", options=["--cafile", f"{certificates}/ca.pem"]
    )
    follower = await running(tls_broker.port, tls_ca=certificates / "ca.pem")
    house.happen()
    await heard.until(lambda s: s.messages(EVENT))
    follower.stop()
    await asyncio.wait_for(follower.task, PATIENCE_S)
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "stopped")


# paho leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_a_broker_of_another_ca_is_refused(
    tls_broker: Broker,
    certificates: Path,
    running: Callable[..., Any],
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A broker that the CA did not sign for is not spoken to, and costs no open files."""
    before = open_files()
    follower = await running(tls_broker.port, connected=False, tls_ca=certificates / "other.pem")
    await until(lambda: follower.statistics().errors >= 1)
    assert "CERTIFICATE_VERIFY_FAILED" in caplog.text
    assert "CERTIFICATE_VERIFY_FAILED" in follower.statistics().barred["mqtt"]
    assert not follower.statistics().connected
    follower.stop()
    await follower.task
    # The thread that tried may let go of the socket a moment later.
    await until(lambda: gc.collect() >= 0 and open_files() == before)


def test_the_certificates_are_what_the_tests_think(certificates: Path) -> None:
    """The CA file loads; the test of the other CA would else pass for a wrong reason."""
    for name in ("ca", "other"):
        context = ssl.create_default_context(cafile=certificates / f"{name}.pem")
        assert context.cert_store_stats()["x509_ca"] == 1


async def test_a_stepping_clock_goes_on_without_a_broker(
    make_follower: Callable[..., MqttFollower], free_port: Callable[[], int], house: House
) -> None:
    """While the broker is away virtual time runs on: an hour passes in a moment."""
    clock = StepClock(1_772_417_649_250)
    follower = make_follower(free_port(), clock=clock)

    async def program() -> None:
        task = asyncio.create_task(follower.run())
        await clock.sleep(3600)
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task

    began = time.monotonic()
    await clock.run(program())
    assert time.monotonic() - began < 1800
    # 0.5 s doubling to 30 s with a fifth of jitter either way
    assert 95 <= follower.statistics().errors <= 160


async def test_a_stepping_clock_stands_still_while_we_speak(
    make_follower: Callable[..., MqttFollower],
    broker: Broker,
    subscribe: Callable[..., Any],
    house: House,
) -> None:
    """An hour of virtual time: every heartbeat goes out at its moment, every event arrives."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    start_ms = 1_772_417_640_000
    clock = StepClock(start_ms)
    follower = make_follower(broker.port, clock=clock)

    async def program() -> None:
        task = asyncio.create_task(follower.run())
        for _ in range(60):
            await clock.sleep(60)
            house.happen()
        follower.stop()
        await task

    await clock.run(program())
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "stopped")
    assert [d["seq"] for d in heard.documents(EVENT)] == list(range(1, 61))
    times = [d["time"] for d in heard.documents(f"{SITE}/heartbeat")]
    assert len(times) in (120, 121)
    assert {t[17:19] for t in times} == {"00", "30"}
