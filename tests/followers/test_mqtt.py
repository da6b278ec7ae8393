"""The MQTT follower against a real mosquitto, heard through mosquitto_sub."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from dewline.errors import JournalError
from dewline.events import Entry, LedgerRow, Outcome
from dewline.followers.mqtt.follower import MqttFollower
from dewline.readings import Command, Quality, Reading, Scan
from tests.conftest import Broker
from tests.followers.conftest import House
from tests.patience import PATIENCE_S

SITE = "dewline/saltmarsh"
EVENT = f"{SITE}/event"
STATE = f"{SITE}/state"
ALARM = f"{SITE}/heron/alarm/moisture-high"
MOISTURE = f"{SITE}/heron/reading/moisture"


def scan(
    seq: int, value: float | None, quality: Quality = Quality.GOOD, signal: str = "heron.moisture"
) -> Entry:
    reading = Reading(value, quality)
    return Entry(seq, Scan(1_772_417_650_000 + seq, 0, "panel", {signal: reading}), Outcome())


async def test_state_is_running_and_retained(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any]
) -> None:
    """A connected daemon says so on a retained topic, QoS 1, with its start and version."""
    await running(broker.port)
    late = await subscribe(broker.port, f"{SITE}/#")
    await late.until(lambda s: s.messages(STATE))
    topic, retained, qos, payload = late.messages(STATE)[0]
    assert (topic, retained, qos) == (STATE, True, 1)
    assert json.loads(payload) == {
        "state": "running",
        "started": "2026-03-02T02:14:09.250Z",
        "version": "0.1.0",
    }


async def test_an_event_goes_to_its_two_topics(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """An event is told on ``event`` (not retained) and kept on its alarm's topic, both QoS 1."""
    early = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    event = house.happen()
    await early.until(lambda s: s.messages(EVENT) and s.messages(ALARM))
    late = await subscribe(broker.port, f"{SITE}/#")
    await late.until(lambda s: s.messages(ALARM))
    shown = {**event.document(), "now": None}  # nothing was read
    assert (early.documents(EVENT), early.documents(ALARM)) == ([event.document()], [shown])
    assert early.messages(EVENT)[0][2] == early.messages(ALARM)[0][2] == 1
    assert late.messages(ALARM)[0][1]
    assert late.documents(ALARM) == [shown]
    assert not late.messages(EVENT)


async def test_readings_are_kept_with_unit_quality_and_time(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """The latest reading stands retained under its box, QoS 0, null where there is no number."""
    await running(broker.port)
    house.commit(scan(1, 0.5))
    house.commit(scan(2, None, Quality.NO_ANSWER, "heron.pressure"))
    heard = await subscribe(broker.port, f"{SITE}/heron/reading/+")
    await heard.until(lambda s: len(s.messages()) == 2)
    assert heard.documents(MOISTURE) == [
        {
            "value": 0.5,
            "unit": "ppm",
            "quality": "good",
            "raw": "good",
            "since": None,
            "time": "2026-03-02T02:14:10.001Z",
        }
    ]
    assert heard.documents(f"{SITE}/heron/reading/pressure") == [
        {
            "value": None,
            "unit": "mbar",
            "quality": "bad/no-answer",
            "raw": "bad/no-answer",
            "since": None,
            "time": "2026-03-02T02:14:10.002Z",
        }
    ]
    late = await subscribe(broker.port, f"{SITE}/heron/reading/+")
    await late.until(lambda s: len(s.messages()) == 2)
    assert {row[1:3] for row in late.messages()} == {(True, 0)}


async def test_derived_readings_and_ledger_rows_go_out(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Derived signals are readings like others; a ledger row is told when it is closed."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    transfer = LedgerRow("a1", "heron", "transfer", 1000, 61_000, {"dose_cm3": 1.5})
    still_open = LedgerRow("a2", "heron", "purge", 1000, None, {})
    derived = {"heron.oxygen_slope": Reading(0.25, Quality.GOOD)}
    house.commit(Entry(1, None, Outcome(readings=derived, ledger=(transfer, still_open))))
    topic = f"{SITE}/heron/ledger/transfer"
    await heard.until(lambda s: s.messages(topic))
    await heard.until(lambda s: s.messages(f"{SITE}/heron/reading/oxygen_slope"))
    assert heard.messages(topic)[0][1:3] == (False, 1)
    assert heard.documents(topic) == [
        {
            "id": "a1",
            "box": "heron",
            "kind": "transfer",
            "started": "1970-01-01T00:00:01.000Z",
            "ended": "1970-01-01T00:01:01.000Z",
            "dose_cm3": 1.5,
        }
    ]
    assert not heard.messages(f"{SITE}/heron/ledger/purge")


async def test_ledger_rows_outlast_a_restart(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """What closed while nobody followed is told by the next follower, and nothing twice."""
    heard = await subscribe(broker.port, f"{SITE}/heron/ledger/purge")
    first = await running(broker.port)
    house.commit(Entry(1, None, Outcome(ledger=(LedgerRow("a", "heron", "purge", 0, 1, {}),))))
    await heard.until(lambda s: s.messages())
    first.stop()
    await first.task
    house.follower = None
    rows = tuple(LedgerRow(f"b{n:03}", "heron", "purge", 0, 1, {}) for n in range(120))
    house.commit(Entry(2, None, Outcome(ledger=rows)))
    await running(broker.port)
    await heard.until(lambda s: len(s.messages()) >= 121)
    told = [d["id"] for d in heard.documents(f"{SITE}/heron/ledger/purge")]
    assert told == ["a", *(row.id for row in rows)]
    await heard.until(lambda _: house.record.cursors["mqtt-ledger"] == 121)


async def test_a_ledger_row_that_json_cannot_say_holds_nothing_up(
    broker: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    house: House,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """One bad ledger row is counted and left out; what follows goes out."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    follower = await running(broker.port)
    bad = LedgerRow("b1", "heron", "purge", 0, 1, {"volumes": float("nan")})
    good = LedgerRow("b2", "heron", "purge", 0, 1, {"volumes": 3.0})
    house.commit(Entry(1, None, Outcome(ledger=(bad, good))))
    await heard.until(lambda s: s.messages(f"{SITE}/heron/ledger/purge"))
    assert [d["id"] for d in heard.documents(f"{SITE}/heron/ledger/purge")] == ["b2"]
    assert follower.statistics().errors == 1
    assert "b1" in caplog.text


async def test_heartbeat_tells_time_and_facts(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """A heartbeat is not retained, QoS 0, and tells time and what the house says of itself."""
    house.facts = {"seq": 41, "worst": "high", "followers": {"mqtt": 1.5}}
    heard = await subscribe(broker.port, f"{SITE}/heartbeat")
    await running(broker.port)
    await heard.until(lambda s: s.messages(f"{SITE}/heartbeat"))
    assert heard.messages(f"{SITE}/heartbeat")[0][1:3] == (False, 0)
    (document,) = heard.documents(f"{SITE}/heartbeat")
    assert document.pop("time").endswith("Z")
    assert document == house.facts


async def test_no_progress_no_heartbeat(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Silence must not be read as health: no facts, no heartbeat, all else goes on."""
    house.facts = None
    heard = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    house.happen()
    await heard.until(lambda s: s.messages(EVENT))
    assert not heard.messages(f"{SITE}/heartbeat")


async def test_a_connection_begins_with_state_then_alarms_then_events(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """On connect: state, the whole alarm table, then the events not yet delivered, in order."""
    for number in range(3):
        house.happen("heron.moisture-high", "raised" if number % 2 == 0 else "cleared")
    house.happen("egret.oxygen-high")
    house.record.cursors["mqtt"] = 2
    heard = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    await heard.until(lambda s: len(s.messages(EVENT)) == 2)
    order = [topic for topic, *_ in heard.messages()]
    other = f"{SITE}/egret/alarm/oxygen-high"
    assert order[:3] == [STATE, ALARM, other]
    assert order.index(EVENT) > order.index(other)
    assert [d["seq"] for d in heard.documents(EVENT)] == [3, 4]
    await heard.until(lambda _: house.record.cursors["mqtt"] == 4)


async def test_catching_up_never_takes_an_alarm_topic_back(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """While old events are told, the retained alarm stays at its newest event."""
    for number in range(120):
        house.happen("heron.moisture-high", "raised" if number % 2 == 0 else "cleared")
    heard = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    await heard.until(lambda s: len(s.messages(EVENT)) == 120)
    assert [d["seq"] for d in heard.documents(EVENT)] == list(range(1, 121))
    assert {d["seq"] for d in heard.documents(ALARM)} == {120}


async def test_orphans_are_cleared_and_the_living_kept(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Retained topics of alarms and signals that are no more are emptied after connecting."""
    house.happen()
    dead = [f"{SITE}/heron/alarm/gone", f"{SITE}/gone/reading/oxygen", f"{SITE}/x/y/alarm/deep"]
    foreign = "dewline/elsewhere/heron/alarm/moisture-high"
    for topic in (*dead, foreign, ALARM, MOISTURE):
        publish = ["mosquitto_pub", "-p", str(broker.port), "-t", topic, "-m", "old", "-r"]
        assert await (await asyncio.create_subprocess_exec(*publish)).wait() == 0
    watching = await subscribe(broker.port, "dewline/#")
    await running(broker.port)
    await watching.until(lambda s: s.payloads(dead[0])[-1:] == [""])
    await watching.until(lambda s: s.payloads(dead[1])[-1:] == [""])
    await watching.until(lambda s: s.messages(EVENT))
    late = await subscribe(broker.port, "dewline/#")
    await late.until(lambda s: s.messages(STATE))
    kept = {topic for topic, retained, *_ in late.messages() if retained}
    assert kept == {STATE, ALARM, MOISTURE, foreign, dead[2]}


async def test_many_orphans(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any]
) -> None:
    """1 500 orphans at once are all found and cleared: more than a broker's default queue."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    for number in range(1500):
        info = client.publish(f"{SITE}/heron/alarm/gone-{number}", "old", 1, True)
    info.wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    watching = await subscribe(broker.port, f"{SITE}/heron/alarm/+", options=["-q", "0"])
    follower = await running(broker.port)
    await watching.until(lambda s: sum(1 for m in s.messages() if not m[3]) == 1500)
    late = await subscribe(broker.port, f"{SITE}/#")
    await late.until(lambda s: s.messages(STATE))
    # A heartbeat may pass by; of what is retained, only the state is left.
    assert {topic for topic, retained, *_ in late.messages() if retained} == {STATE}
    assert follower.statistics().errors == 0


async def test_clean_stop_says_stopped(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """``stop`` says stopping, delivers what is committed, says stopped; no ``lost`` follows."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    follower = await running(broker.port)
    await heard.until(lambda s: s.messages(STATE))
    house.happen()
    follower.stop()
    await asyncio.wait_for(follower.task, PATIENCE_S)
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "stopped")
    await asyncio.sleep(0.2)
    states = [d["state"] for d in heard.documents(STATE)]
    assert [s for s in states if s != "running"] == ["stopping", "stopped"]
    assert len(heard.documents(EVENT)) == 1
    late = await subscribe(broker.port, STATE)
    await late.until(lambda s: s.messages(STATE))
    assert late.documents(STATE)[0]["state"] == "stopped"


async def test_cancellation_says_stopped(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any]
) -> None:
    """A daemon taken down by cancellation has stopped in order and says so."""
    heard = await subscribe(broker.port, STATE)
    follower = await running(broker.port)
    await heard.until(lambda s: s.messages(STATE))
    follower.task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await follower.task
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "stopped")


async def test_a_late_will_is_corrected(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any]
) -> None:
    """The last will of an earlier, half-dead connection does not stand: running is said again."""
    heard = await subscribe(broker.port, STATE)
    await running(broker.port)
    await heard.until(lambda s: len(s.messages(STATE)) >= 2)
    will = '{"state":"lost","started":"2026-03-01T00:00:00.000Z","version":"0.0.9"}'
    publish = ["mosquitto_pub", "-p", str(broker.port), "-t", STATE, "-m", will, "-r", "-q", "1"]
    assert await (await asyncio.create_subprocess_exec(*publish)).wait() == 0
    await heard.until(lambda s: will in s.payloads(STATE) and s.payloads(STATE)[-1] != will)
    assert heard.documents(STATE)[-1]["state"] == "running"


async def test_a_failure_inside_a_live_connection_says_lost(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """When following fails while the broker is well, the will is held back: lost is said aloud."""
    heard = await subscribe(broker.port, STATE, EVENT)
    follower = await running(broker.port)
    await heard.until(lambda s: len(s.messages(STATE)) >= 2)
    house.record.damage = JournalError("the record cannot be read")
    house.happen()
    await heard.until(lambda s: "lost" in [d["state"] for d in s.documents(STATE)])
    house.record.damage = None
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "running")
    await heard.until(lambda s: s.messages(EVENT))
    assert follower.statistics().errors >= 1


async def test_statistics_tell_how_far_behind(
    running: Callable[..., Any], house: House, free_port: Callable[[], int]
) -> None:
    """While the broker is away, events behind are counted and the oldest gives the age."""
    follower = await running(free_port(), connected=False)
    house.happen()
    house.happen()
    await asyncio.sleep(0.05)
    now = follower.statistics()
    assert (now.connected, now.events_behind, now.published) == (False, 2, 0)
    assert now.seconds_behind > 0
    assert now.errors >= 1


@pytest.mark.long
async def test_a_day_without_a_broker_is_a_few_lines(
    running: Callable[..., Any], free_port: Callable[[], int], caplog: pytest.LogCaptureFixture
) -> None:
    """The same failure is told once an outage, however often it is tried."""
    caplog.set_level(logging.INFO)
    follower = await running(free_port(), connected=False)
    async with asyncio.timeout(PATIENCE_S):
        while follower.statistics().errors < 3:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
    assert len([r for r in caplog.records if r.name.startswith("dewline")]) == 1


async def test_events_that_the_disk_refuses_go_out_marked(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """With a full disk an alarm is told all the same, ``durable: false``; the same id follows."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    follower = await running(broker.port)
    event = house.event()
    follower.held([Entry(1, None, Outcome(events=(event,)))])
    await heard.until(lambda s: s.messages(EVENT))
    assert heard.documents(EVENT) == [{**event.document(), "durable": False}]
    assert house.record.cursors == {}
    assert house.happen() == event
    await heard.until(lambda s: len(s.messages(EVENT)) == 2)
    await heard.until(lambda s: len(s.messages(ALARM)) == 2)
    assert heard.documents(EVENT)[1] == event.document()
    assert heard.documents(ALARM)[1] == {**event.document(), "now": None}


async def test_the_farewell_of_a_replaced_follower_does_not_stand(
    broker: Broker,
    running: Callable[..., Any],
    subscribe: Callable[..., Any],
    make_follower: Callable[..., MqttFollower],
) -> None:
    """When a follower takes over while the old one stops, the state ends as running."""
    heard = await subscribe(broker.port, STATE)
    old = await running(broker.port)
    await heard.until(lambda s: len(s.messages(STATE)) >= 2)
    await running(broker.port)
    await heard.until(lambda s: len(s.messages(STATE)) >= 4)
    old.stop()
    await old.task
    await heard.until(lambda s: any("stopped" in p for p in s.payloads(STATE)))
    await heard.until(lambda s: s.documents(STATE)[-1]["state"] == "running")


async def test_commands_and_resumes_are_no_readings(
    broker: Broker, running: Callable[..., Any], subscribe: Callable[..., Any], house: House
) -> None:
    """Entries without readings publish nothing."""
    heard = await subscribe(broker.port, f"{SITE}/#")
    await running(broker.port)
    house.commit(Entry(1, Command(0, 0, "socket", "acknowledge", "mira"), Outcome()))
    house.happen()
    await heard.until(lambda s: s.messages(EVENT))
    assert not [t for t, *_ in heard.messages() if "/reading/" in t]
