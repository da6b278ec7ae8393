"""A replay of the journal gives the events that were published, by id and word for word."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.long

KILLS = 200 if os.environ.get("DEWLINE_CHAOS") == "full" else 6
EVENT = "dewline/saltmarsh/event"


def replayed(daemon: Any, *words: str) -> list[dict[str, Any]]:
    """Events of ``dewline replay --json`` over the daemon's own journal."""
    found = daemon.cli("replay", "--json", *words)
    assert found.returncode == 0, found.stderr[-2000:]
    return [json.loads(line) for line in found.stdout.splitlines()]


def heard(ear: Any) -> list[dict[str, Any]]:
    """Published events, each id once, in order of ``seq``."""
    return sorted({e["id"]: e for e in ear.documents(EVENT)}.values(), key=lambda e: e["seq"])


def same(first: list[dict[str, Any]], second: list[dict[str, Any]]) -> None:
    """By id, in order, and in every word but ``seq``."""
    assert [e["id"] for e in first] == [e["id"] for e in second]
    for one, other in zip(first, second, strict=True):
        assert {**one, "seq": 0} == {**other, "seq": 0}


async def live_a_little(road: Any, lab: Any) -> None:
    """Alarms up and down, an acknowledge, a shelf, a silent unit, a reload, a restart."""
    until = road.until
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(until, "heron.moisture-quick", "unacknowledged")
    road.cli("ack", "heron.moisture-quick")
    lab.add("egret-trace", "h2o", 9.0)
    await asyncio.to_thread(until, "egret.moisture-quick", "unacknowledged")
    road.cli("shelve", "egret.moisture-quick", "--for", "2s", "--why", "known")
    await asyncio.to_thread(until, "egret.moisture-quick", "unacknowledged")  # the shelf ended
    fault = lab.ask(fault={"kind": "silence", "link": "analyzers", "unit": 11})["fault"]
    await asyncio.to_thread(until, "daemon.heron-trace-silent", "unacknowledged")
    road.config.write_text(road.config.read_text().replace("above: 5 ppm", "above: 4 ppm", 1))
    road.send(signal.SIGHUP)
    await asyncio.sleep(1.0)
    lab.ask(clear=fault)
    assert await asyncio.to_thread(road.stop) == 0
    await asyncio.to_thread(road.start)
    await asyncio.to_thread(until, "daemon.heron-trace-silent", "returned")
    lab.add("egret-trace", "h2o", 0.0)
    await asyncio.to_thread(until, "egret.moisture-quick", "returned")


async def test_replay_of_the_journal_is_what_was_published(
    road: Any, lab: Any, broker: Any, subscribe: Any
) -> None:
    """Through acknowledge, shelf, silence, reload and restart: the same events, word for word."""
    ear = await subscribe(broker.port, EVENT)
    await live_a_little(road, lab)
    assert await asyncio.to_thread(road.stop) == 0
    await asyncio.sleep(0.3)
    published = heard(ear)
    assert {e["transition"] for e in published} >= {
        *("raised", "acknowledged", "shelved", "unshelved", "returned"),
    }
    same(await asyncio.to_thread(replayed, road), published)


async def test_a_changed_threshold_changes_exactly_the_alarms_concerned(
    road: Any, lab: Any, tmp_path: Path
) -> None:
    """replay --compare names the alarm whose limit was moved out of reach, and no other."""
    for instrument in ("heron-trace", "egret-trace"):
        lab.add(instrument, "h2o", 9.0)
        lab.add(instrument, "o2", 9.0)
    for alarm in ("heron.moisture-quick", "egret.oxygen-quick"):
        await asyncio.to_thread(road.until, alarm, "unacknowledged")
    assert await asyncio.to_thread(road.stop) == 0
    other = road.config.with_name("other.yaml")
    other.write_text(
        road.config.read_text().replace(
            "  egret:\n", "  egret:\n    rules: {oxygen-quick: {above: 50 ppm}}\n", 1
        )
    )
    words = ("replay", "--compare", str(other), "--json")
    found = await asyncio.to_thread(road.cli, *words)
    assert found.returncode == 1, found.stderr
    answer = json.loads(found.stdout)
    assert answer["alarms"] == ["egret.oxygen-quick"]
    assert [e["transition"] for e in answer["only_first"]] == ["raised"]
    assert answer["only_second"] == []


def check(journal: Path) -> int:
    """What must hold in the file after any kill, by plain sqlite3; how many events it holds."""
    connection = sqlite3.connect(journal)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    last, count = connection.execute("SELECT coalesce(max(seq), 0), count(*) FROM item").fetchone()
    assert last == count, "an item is missing in the middle"
    events = connection.execute("SELECT seq, item_seq, document FROM event").fetchall()
    assert [seq for seq, _, _ in events] == list(range(1, len(events) + 1)), "an event is missing"
    led = """SELECT count(*) FROM sample JOIN signal ON signal.id = key & 65535
        WHERE key >> 16 BETWEEN ? AND ? AND name = ? AND value = ?"""
    for seq, item_seq, text in events[-30:]:
        assert item_seq <= last, f"event {seq} without its item"
        document = json.loads(text)
        if document["transition"] == "raised" and document["alarm"].endswith("-quick"):
            words = (item_seq - 500, item_seq, document["signal"], document["value"])
            assert connection.execute(led, words).fetchone()[0], f"event {seq} without its reading"
    connection.close()
    return len(events)


def start_and_kill(road: Any, after_s: float) -> None:
    """A daemon that dies while it comes up, or a moment later."""
    words = [sys.executable, "-m", "dewline", "run", str(road.config)]
    with road.log.open("ab") as log, subprocess.Popen(words, stdout=log, stderr=log) as process:
        try:
            process.wait(after_s)
        except subprocess.TimeoutExpired:
            process.kill()
    assert process.returncode == -signal.SIGKILL


async def test_replay_identity_holds_after_many_kills(
    road: Any, lab: Any, broker: Any, subscribe: Any
) -> None:
    """kill -9 at random moments, its start included, while alarms go up and down.

    Every time the record is whole and the next start is clean; in the end replay tells
    the same night, word for word, and no alarm was raised twice.
    """
    ear = await subscribe(broker.port, EVENT)
    draw = random.Random(50)
    for turn in range(KILLS):
        lab.add("heron-trace", "h2o", 9.0 * (turn % 2 == 0))
        lab.add("egret-trace", "o2", 9.0 * (turn % 3 == 0))
        await asyncio.sleep(draw.uniform(0.0, 1.2))
        await asyncio.to_thread(road.kill)
        check(road.journal)
        if turn % 3 == 2:
            await asyncio.to_thread(start_and_kill, road, draw.uniform(0.1, 0.9))
            check(road.journal)
        await asyncio.to_thread(road.start)
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")
    assert await asyncio.to_thread(road.stop) == 0
    await ear.until(lambda e: len(heard(e)) >= check(road.journal))
    published = heard(ear)
    told = await asyncio.to_thread(replayed, road)
    print(f"{KILLS + KILLS // 3} kills, {len(published)} published, {len(told)} replayed")
    same(told, published)
    raised = [e for e in published if e["transition"] == "raised"]
    assert len({(e["alarm"], e["at_ms"]) for e in raised}) == len(raised)
