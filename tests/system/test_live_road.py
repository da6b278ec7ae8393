"""The main job on real sockets: instruments to alarms at an MQTT subscriber, and back."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.config import load
from dewline.config.read_with import read_with
from dewline.journal import Reader
from dewline.live.control_socket import ask
from dewline.readings import Resumed

pytestmark = pytest.mark.long

TOPIC = re.compile(
    r"dewline/saltmarsh/(state|heartbeat|event|command|command/result"
    r"|[a-z0-9-]+/reading/[a-z0-9_-]+|[a-z0-9-]+/alarm/[a-z0-9_-]+|[a-z0-9-]+/ledger/[a-z-]+)"
)


async def test_a_limit_crossed_reaches_a_subscriber_with_every_key_of_the_document(
    road: Any, lab: Any, broker: Any, subscribe: Any
) -> None:
    """Moisture rises on the RTU line; the event arrives on MQTT, whole, and its topic is kept."""
    ear = await subscribe(broker.port, "dewline/#")
    lab.add("heron-trace", "h2o", 9.0)
    await ear.until(lambda s: s.documents("dewline/saltmarsh/heron/alarm/moisture-quick"))
    event = ear.documents("dewline/saltmarsh/event")[-1]
    assert (event["alarm"], event["transition"]) == ("heron.moisture-quick", "raised")
    assert event["value"] > 5
    assert (event["unit"], event["limit"], event["limit_unit"]) == ("ppm", 5.0, "ppm")
    assert list(event) == [
        *("id", "seq", "time", "at_ms", "site", "box", "alarm", "transition", "state", "priority"),
        *("signal", "value", "unit", "quality", "limit", "limit_unit", "since"),
        *("occurrence", "by", "to", "off_duty", "why", "until", "under", "clock", "mode", "cause"),
        *("outlook", "advice", "when_over", "caution", "stopped_at", "stands", "last_good"),
    ]
    assert list(event["cause"]) == ["name", "or", "confidence", "evidence", "tell_apart"]


async def test_the_topics_are_those_that_are_promised_and_no_others(
    road: Any, lab: Any, broker: Any, subscribe: Any
) -> None:
    """mosquitto_sub on dewline/# sees state, readings, alarms, events; all names as documented."""
    ear = await subscribe(broker.port, "dewline/#")
    lab.add("heron-trace", "h2o", 9.0)
    await ear.until(lambda s: s.documents("dewline/saltmarsh/event"))
    await ear.until(lambda s: s.documents("dewline/saltmarsh/egret/reading/oxygen"))
    topics = {topic for topic, *_ in ear.messages()}
    assert not [topic for topic in topics if not TOPIC.fullmatch(topic)]
    state = ear.documents("dewline/saltmarsh/state")[-1]
    assert state["state"] == "running"
    assert {"started", "version"} <= set(state)
    reading = ear.documents("dewline/saltmarsh/egret/reading/oxygen")[-1]
    assert set(reading) >= {"value", "unit", "quality", "time"}


async def test_kill_leaves_lost_and_a_clean_stop_says_stopped(
    road: Any, broker: Any, subscribe: Any
) -> None:
    """A killed daemon is ``lost`` by its last will; one that stops publishes ``stopped``."""
    ear = await subscribe(broker.port, "dewline/saltmarsh/state")

    def state(s: Any) -> str:
        found = s.documents("dewline/saltmarsh/state")
        return found[-1]["state"] if found else ""

    await ear.until(lambda s: state(s) == "running")
    road.kill()
    await ear.until(lambda s: state(s) == "lost")
    await asyncio.to_thread(road.start)
    await ear.until(lambda s: state(s) == "running")
    assert await asyncio.to_thread(road.stop) == 0
    await ear.until(lambda s: state(s) == "stopped")


async def test_a_broker_that_dies_and_returns_misses_no_event_and_keeps_the_order(
    road: Any, lab: Any, broker: Any, subscribe: Any, waiting: Any
) -> None:
    """Alarms go up and down while the broker is dead; afterwards all arrive, in seq order."""
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")
    broker.kill()
    for amount in (0.0, 9.0, 0.0, 9.0):
        lab.add("heron-trace", "h2o", amount)
        state = "unacknowledged" if amount else "returned"
        await asyncio.to_thread(road.until, "heron.moisture-quick", state)
    broker.start()
    ear = await subscribe(broker.port, "dewline/saltmarsh/event")
    lab.add("egret-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "egret.moisture-quick", "unacknowledged")

    def recorded() -> list[int]:
        with sqlite3.connect(f"file:{road.journal}?mode=ro", uri=True) as db:
            return [seq for (seq,) in db.execute("SELECT seq FROM event ORDER BY seq")]

    def heard(s: Any) -> list[int]:
        return list(dict.fromkeys(e["seq"] for e in s.documents("dewline/saltmarsh/event")))

    wanted = await asyncio.to_thread(waiting, "the record", recorded)
    assert wanted == list(range(1, len(wanted) + 1))
    # the first event went to the broker that died; every later one must come
    await ear.until(lambda s: set(wanted[1:]) <= set(heard(s)))
    assert heard(ear) == sorted(heard(ear))


async def test_an_acknowledge_over_mqtt_needs_the_token_and_names_who(
    road: Any, lab: Any, broker: Any, subscribe: Any
) -> None:
    """mosquitto_pub with the token changes the alarm; a wrong one, or none, changes nothing."""
    ear = await subscribe(
        broker.port, "dewline/saltmarsh/event", "dewline/saltmarsh/command/result"
    )
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")

    async def say(**words: Any) -> dict[str, Any]:
        document = {"command": "acknowledge", "alarm": "heron.moisture-quick", "by": "rail"} | words
        await asyncio.to_thread(
            subprocess.run,
            [
                *("mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1"),
                *("-t", "dewline/saltmarsh/command", "-m", json.dumps(document)),
            ],
            check=True,
        )

        def answer(s: Any) -> list[dict[str, Any]]:
            found = s.documents("dewline/saltmarsh/command/result")
            return [r for r in found if r["ref"] == words["ref"]]

        await ear.until(answer)
        return answer(ear)[0]

    for ref, token in (("a", "wrong"), ("b", None)):
        refused = await say(ref=ref, **({"token": token} if token else {}))
        assert refused["ok"] is False
        assert road.states()["heron.moisture-quick"] == "unacknowledged"
    done = await say(ref="c", token="marsh-reed-7")
    assert done["ok"] is True
    assert road.states()["heron.moisture-quick"] == "acknowledged"

    def published(s: Any) -> list[dict[str, Any]]:
        documents = s.documents("dewline/saltmarsh/event")
        return [event for event in documents if event["id"] == done["event_id"]]

    await ear.until(published)
    told = published(ear)
    assert (told[0]["transition"], told[0]["by"]) == ("acknowledged", "rail")


async def test_a_silent_instrument_is_one_alarm_and_what_hangs_on_it_keeps_quiet(
    road: Any, lab: Any
) -> None:
    """A silent analyzer raises daemon.heron-trace-silent alone; alarms under it are suppressed."""
    fault = lab.ask(fault={"kind": "silence", "link": "analyzers", "unit": 11})["fault"]
    await asyncio.to_thread(road.until, "daemon.heron-trace-silent", "unacknowledged")
    await asyncio.sleep(1.0)
    states = road.states()
    assert states.get("heron.moisture-gone") in (None, "suppressed")
    assert states.get("egret.moisture-gone") is None  # the neighbour on the same line is read
    lab.ask(clear=fault)
    await asyncio.to_thread(road.until, "daemon.heron-trace-silent", "returned")


async def test_commands_on_the_machine_change_the_alarm_and_say_so(road: Any, lab: Any) -> None:
    """Every command to the daemon: its effect, its message and its exit status."""
    assert road.cli("status").returncode == 0
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")
    status = road.cli("status", "--json")
    assert status.returncode == 1
    document = json.loads(status.stdout)
    assert set(document) >= {"site", "state", "alarms", "boxes", "followers"}
    assert [a["alarm"] for a in document["alarms"]] == ["heron.moisture-quick"]
    assert road.cli("ack", "heron.moisture-quick", "--by", "crake").returncode == 0
    assert road.cli("status").returncode == 0
    shelved = road.cli("shelve", "heron.moisture-quick", "--for", "2h", "--why", "outgassing")
    assert shelved.returncode == 0
    assert road.states()["heron.moisture-quick"] == "shelved"
    assert road.cli("unshelve", "heron.moisture-quick").returncode == 0
    assert road.states()["heron.moisture-quick"] == "unacknowledged"
    out = road.cli("out-of-service", "heron.moisture-quick", "--why", "sensor at calibration")
    assert out.returncode == 0
    assert road.states()["heron.moisture-quick"] == "out-of-service"
    assert road.cli("return-to-service", "heron.moisture-quick").returncode == 0
    refused = road.cli("ack", "heron.moisture-quik")
    assert refused.returncode == 1
    assert "heron.moisture-quick" in refused.stderr
    assert road.cli("note", "heron", "gloves", "left pair new").returncode == 0
    with sqlite3.connect(f"file:{road.journal}?mode=ro", uri=True) as db:
        assert ("gloves", "left pair new") in db.execute("SELECT kind, text FROM note").fetchall()
    planned = road.cli("planned", "heron", "maintenance", "--for", "3h", "--json")
    assert planned.returncode == 0
    assert "maintenance until" in json.loads(planned.stdout)["message"]
    assert road.cli("planned", "heron", "maintenance", "--end").returncode == 0
    assert road.cli("planned", "heron", "maintenance", "--end").returncode == 1
    assert road.cli("planned", "heron", "maintenance").returncode == 2
    assert road.cli("note", "heron", "gloves", "").returncode == 1


async def test_nobody_there_is_status_3(
    tmp_path: Path, make_daemon: Any, lab: Any, configure: Any
) -> None:
    """A command with no daemon to speak to says where it looked and ends with 3."""
    daemon = make_daemon(configure(lab.folder, 1))
    found = await asyncio.to_thread(daemon.cli, "status")
    assert found.returncode == 3
    assert str(daemon.socket) in found.stderr


async def test_reload_takes_a_good_config_and_refuses_a_bad_one(
    road: Any, lab: Any, waiting: Any
) -> None:
    """SIGHUP: a typo leaves the old rules running and is logged; a good file takes over."""
    good = road.config.read_text()
    road.config.write_text(good.replace("moisture-quick:", "moisture-quick:\n    abowe: 1 ppm", 1))
    road.send(signal.SIGHUP)
    await asyncio.to_thread(
        waiting, "the refusal", lambda: "old config runs on" in road.log.read_text()
    )
    assert "abowe" in road.log.read_text()
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")
    assert road.cli("ack", "heron.moisture-quick").returncode == 0
    road.config.write_text(good.replace("above: 5 ppm", "above: 4 ppm", 1))
    road.send(signal.SIGHUP)
    await asyncio.to_thread(waiting, "the reload", lambda: "reloaded" in road.log.read_text())
    assert road.states()["heron.moisture-quick"] == "acknowledged"  # nobody is woken again
    today = read_with(load(road.config).plan)
    with Reader(road.journal) as reader:
        await asyncio.to_thread(waiting, "the commit", lambda: len(reader.inputs()) == 3)
        resumed = [item for _, item in reader.inputs() if isinstance(item, Resumed)]
        assert [item.read_with for item in resumed] == [today.hash] * 2
        assert reader.reading_map(today.hash) == today.document


async def test_no_request_to_write_ever_reaches_an_instrument(
    road: Any, lab: Any, waiting: Any
) -> None:
    """By the function codes that the instruments counted: many reads and no write."""
    reads = await asyncio.to_thread(
        waiting, "reads", lambda: (c := lab.ask(counts=True)["counts"])["read"] > 50 and c
    )
    assert reads["write"] == 0


async def test_the_daemon_waits_for_what_is_missing_at_the_start(
    lab: Any, free_port: Callable[[], int], make_daemon: Any, configure: Any, make_broker: Any
) -> None:
    """No broker and a dead panel port: it runs, says so by alarms, and never exits."""
    config = configure(lab.folder, free_port())
    text = config.read_text()
    config.write_text(text.replace(f"port: {lab.tcp_port}", f"port: {free_port()}", 1))
    daemon = make_daemon(config)
    await asyncio.to_thread(daemon.start)
    await asyncio.to_thread(daemon.until, "daemon.panel-lost", "unacknowledged")
    assert daemon.status()["boxes"]["heron"]["readings"]["moisture"]["quality"].startswith("good")


async def test_a_leak_test_goes_into_the_ledger_by_way_of_the_daemon(road: Any, lab: Any) -> None:
    """The row of a judged test is in the record; nonsense is refused in words."""
    row = {
        "ask": "leak-test",
        "box": "heron",
        "started_ms": 1_772_480_000_000,
        "ended_ms": 1_772_487_200_000,
        "document": {"own_best": None},
    }
    answer = await asyncio.to_thread(ask, road.socket, row)
    assert answer == {"ok": True, "message": "written into the ledger of heron"}
    with sqlite3.connect(f"file:{road.journal}?mode=ro", uri=True) as db:
        kinds = [kind for (kind,) in db.execute("SELECT kind FROM ledger WHERE box = 'heron'")]
    assert "leak-test" in kinds
    refused = await asyncio.to_thread(ask, road.socket, {**row, "box": "gull"})
    assert refused["ok"] is False
