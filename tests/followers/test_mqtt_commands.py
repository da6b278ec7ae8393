"""Commands over a real broker."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.followers.mqtt.follower import MqttFollower
from tests.conftest import Broker, Subscriber
from tests.followers.conftest import House

SITE = "dewline/saltmarsh"
COMMAND = f"{SITE}/command"
RESULT = f"{COMMAND}/result"
GOOD = {"command": "acknowledge", "alarm": "heron.moisture-high", "by": "mira", "ref": 12}


async def say(port: int, document: object, *options: str) -> None:
    payload = document if isinstance(document, str) else json.dumps(document)
    where = ["-p", str(port), "-t", COMMAND, "-q", "1", *options]
    publisher = await asyncio.create_subprocess_exec("mosquitto_pub", *where, "-m", payload)
    assert await publisher.wait() == 0


@pytest.fixture
def token_file(tmp_path: Path) -> Path:
    path = tmp_path / "command.token"
    path.write_text("s3cret-reed\n")
    return path


async def connected_with_commands(
    heard: Subscriber, broker: Broker, running: Callable[..., Any], **plan: Any
) -> MqttFollower:
    """A follower that has subscribed to commands: its heartbeat comes after that."""
    follower: MqttFollower = await running(broker.port, **plan)
    await heard.until(lambda s: s.messages(f"{SITE}/heartbeat"))
    return follower


async def test_a_command_is_answered_on_its_result_topic(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """The result bears the ref and the event id, QoS 1, not retained."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    await connected_with_commands(heard, broker, running, commands="trust-broker")
    await say(broker.port, GOOD)
    await heard.until(lambda s: s.messages(RESULT))
    assert heard.documents(RESULT) == [
        {
            "ref": 12,
            "command": "acknowledge",
            "alarm": "heron.moisture-high",
            "ok": True,
            "message": "acknowledged",
            "event_id": "00c0ffee00c0ffee",
        }
    ]
    assert heard.messages(RESULT)[0][1:3] == (False, 1)
    assert house.commands == [
        {
            "command": "acknowledge",
            "alarm": "heron.moisture-high",
            "by": "mira",
            "for_s": None,
            "why": None,
        }
    ]


async def test_only_the_token_opens(
    broker: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    house: House,
    token_file: Path,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """No token and a wrong one are refused, the right one is taken; none of them is logged."""
    caplog.set_level(0)
    heard = await subscribe(broker.port, f"{SITE}/#")
    await connected_with_commands(heard, broker, running, commands="token", token_file=token_file)
    await say(broker.port, GOOD)
    await say(broker.port, {**GOOD, "token": "guessed-rush"})
    await say(broker.port, {**GOOD, "token": "s3cret-reed"})
    await heard.until(lambda s: len(s.messages(RESULT)) == 3)
    answers = heard.documents(RESULT)
    assert [a["ok"] for a in answers] == [False, False, True]
    assert {a["message"] for a in answers[:2]} == {"token refused"}
    assert len(house.commands) == 1
    told = caplog.text + "".join(p for t, _, _, p in heard.messages() if t != COMMAND)
    assert "s3cret-reed" not in told
    assert "guessed-rush" not in told


async def test_junk_is_refused_and_following_goes_on(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Broken JSON, reset and an oversized command are answered; alarms go out as before."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    await connected_with_commands(heard, broker, running, commands="trust-broker")
    await say(broker.port, "{acknowledge")
    await say(broker.port, {**GOOD, "command": "reset"})
    await say(broker.port, {**GOOD, "why": "x" * 5000})
    await heard.until(lambda s: len(s.messages(RESULT)) == 3)
    assert [a["ok"] for a in heard.documents(RESULT)] == [False] * 3
    assert house.commands == []
    house.happen()
    await heard.until(lambda s: s.messages(f"{SITE}/event"))
    assert len([d for d in heard.documents(f"{SITE}/state") if d["state"] == "lost"]) == 0


async def test_a_retained_command_is_ignored(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """A command left on the broker is of yesterday: it is neither taken nor answered."""
    await say(broker.port, {**GOOD, "ref": "old"}, "-r")
    heard = await subscribe(broker.port, f"{SITE}/#")
    await connected_with_commands(heard, broker, running, commands="trust-broker")
    await say(broker.port, {**GOOD, "ref": "new"})
    await heard.until(lambda s: s.messages(RESULT))
    await asyncio.sleep(0.1)
    assert [a["ref"] for a in heard.documents(RESULT)] == ["new"]
    assert len(house.commands) == 1


async def test_off_means_not_even_heard(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Without commands in the config nothing is subscribed, so nothing is answered."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    await connected_with_commands(heard, broker, running)
    await say(broker.port, GOOD)
    house.happen()
    await heard.until(lambda s: s.messages(f"{SITE}/event"))
    await asyncio.sleep(0.1)
    assert house.commands == []
    assert not heard.messages(RESULT)
