"""What replay shows is what the night did: the same events, by id."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
from pathlib import Path
from typing import Any

KILLS = 50 if os.environ.get("DEWLINE_CHAOS") == "full" else 6
EVENT = "dewline/saltmarsh/event"


def replayed(daemon: Any, *words: str) -> list[dict[str, Any]]:
    """Events of ``dewline replay --json`` over the daemon's own journal."""
    found = daemon.cli("replay", str(daemon.config), "--json", *words)
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
    await asyncio.to_thread(until, "daemon.heron-trace-silent", "unacknowledged", 30)
    road.config.write_text(road.config.read_text().replace("above: 5 ppm", "above: 4 ppm", 1))
    road.send(signal.SIGHUP)
    await asyncio.sleep(1.0)
    lab.ask(clear=fault)
    assert await asyncio.to_thread(road.stop) == 0
    await asyncio.to_thread(road.start)
    await asyncio.to_thread(until, "daemon.heron-trace-silent", "returned", 30)
    lab.add("egret-trace", "h2o", 0.0)
    await asyncio.to_thread(until, "egret.moisture-quick", "returned")


async def test_replay_of_the_journal_is_what_was_published(
    road: Any, lab: Any, broker: Any, subscribe: Any
):
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
):
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
    words = ("replay", str(road.config), "--compare", str(other), "--json")
    found = await asyncio.to_thread(road.cli, *words)
    assert found.returncode == 1, found.stderr
    answer = json.loads(found.stdout)
    assert answer["alarms"] == ["egret.oxygen-quick"]
    assert [e["transition"] for e in answer["only_first"]] == ["raised"]
    assert answer["only_second"] == []


async def test_replay_identity_holds_after_many_kills(
    road: Any, lab: Any, broker: Any, subscribe: Any
):
    """kill -9 at random moments while alarms go up and down: replay still tells the same night."""
    ear = await subscribe(broker.port, EVENT)
    draw = random.Random(50)
    for turn in range(KILLS):
        lab.add("heron-trace", "h2o", 9.0 * (turn % 2 == 0))
        lab.add("egret-trace", "o2", 9.0 * (turn % 3 == 0))
        await asyncio.sleep(draw.uniform(0.0, 1.2))
        await asyncio.to_thread(road.kill)
        await asyncio.to_thread(road.start)
    lab.add("heron-trace", "h2o", 9.0)
    await asyncio.to_thread(road.until, "heron.moisture-quick", "unacknowledged")
    assert await asyncio.to_thread(road.stop) == 0
    await asyncio.sleep(0.3)
    published = heard(ear)
    told = await asyncio.to_thread(replayed, road)
    print(f"{KILLS} kills, {len(published)} events published, {len(told)} replayed")
    same(told, published)
    raised = [e for e in published if e["transition"] == "raised"]
    assert len({(e["alarm"], e["at_ms"]) for e in raised}) == len(raised)
