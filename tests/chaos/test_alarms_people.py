"""Alarms and the people they are for: silence, providers that fail, shelves that end."""

from __future__ import annotations

import asyncio
import json
import signal
import sqlite3
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.readings import parse_iso_utc
from tests.chaos.conftest import Plant
from tests.conftest import Answer, Broker, Sink

pytestmark = pytest.mark.long

SITE = "dewline/saltmarsh"
QUICK = Path(__file__).with_name("quick_daemon.py")
CLEAN, WET = 1.0, 9.0  # ppm
CANARY = "canary-sedge-5b1e"


def heartbeat(plant: Plant, sink: Sink) -> dict[str, str]:
    (plant.folder / "ping.url").write_text(f"http://127.0.0.1:{sink.port}/{CANARY}")
    return {"url_file": "ping.url", "every": "1 s"}


class Standing:
    """``with Standing(plant, part) as toggle``: toggle makes a part stand, then lets it go on."""

    def __init__(self, plant: Plant, part: str) -> None:
        self._plant, self._part = plant, part
        self._lock: sqlite3.Connection | None = None
        self._stood = False

    def __enter__(self) -> Callable[[], None]:
        return self._toggle

    def _toggle(self) -> None:
        self._stood = not self._stood
        if self._part == "journal":
            self._hold_file()
        else:
            numbers = {
                "pollers": (signal.SIGUSR1, signal.SIGUSR1),
                "ticks": (signal.SIGUSR2, signal.SIGUSR2),
                "process": (signal.SIGSTOP, signal.SIGCONT),
            }
            self._plant.poke(numbers[self._part][not self._stood])

    def _hold_file(self) -> None:
        """Another program holds the record locked, as a backup gone wrong would."""
        if self._stood:
            self._lock = sqlite3.connect(self._plant.journal, isolation_level=None)
            self._lock.execute("BEGIN IMMEDIATE")
        elif self._lock is not None:
            self._lock.execute("ROLLBACK")
            self._lock.close()

    def __exit__(self, *_: object) -> None:
        if self._stood:
            self._toggle()


@pytest.mark.timeout(900)
@pytest.mark.parametrize("part", ["pollers", "ticks", "journal", "process"])
async def test_a6_silence_is_not_read_as_health(
    plant: Plant,
    broker: Broker,
    subscribe: Callable[..., Any],
    sink: Sink,
    size: Callable[[str], int],
    dump: Callable[..., None],
    part: str,
) -> None:
    """A poller hangs, the watch hangs, the disk takes nothing, the process is frozen:

    neither the heartbeat nor the ping outside goes on, and both come back afterwards.
    """
    rules = {"r0": {"signal": "s0", "above": "5 ppm"}}
    plant.write(
        rules,
        mqtt={"host": "127.0.0.1", "port": broker.port},
        heartbeat=heartbeat(plant, sink),
    )
    heard = await subscribe(broker.port, f"{SITE}/heartbeat")
    await plant.start(QUICK)
    await sink.until(2)
    await heard.until(lambda s: len(s.messages()) >= 5)

    with Standing(plant, part) as toggle:
        toggle()
        await asyncio.sleep(5.0)  # what stands is known by now, and what was under way is over
        pings, beats = len(sink.got), len(heard.messages())
        await asyncio.sleep(size("A6"))
        during = (len(sink.got) - pings, len(heard.messages()) - beats)
        toggle()
    pings, beats = len(sink.got), len(heard.messages())
    await sink.until(pings + 2)
    await heard.until(lambda s: len(s.messages()) >= beats + 2)
    await plant.end()
    dump("A6", part=part, pings_while_it_stood=during[0], heartbeats_while_it_stood=during[1])
    assert during == (0, 0)
    assert CANARY not in plant.log.read_text()


@pytest.mark.timeout(600)
async def test_a7_a_storm_on_a_provider_that_fails(
    plant: Plant,
    sink: Sink,
    answer: type[Answer],
    size: Callable[[str], int],
    dump: Callable[..., None],
) -> None:
    """500 alarms at once; the provider says 429, then takes a page and answers too late.

    Retry-After is kept, critical goes first, the rest is one digest, the unknown
    outcome is said again with its id and marked.
    """
    number = size("A7")
    rules = {
        f"r{n}": {
            "signal": f"s{n % 50}",
            "above": "5 ppm",
            "priority": "critical" if n % 100 == 50 else "high",
            "acknowledge": "auto",
        }
        for n in range(number)
    }
    plant.write(rules, push={"contacts": plant.contact("night-desk", sink)})
    sink.answers.extend([answer(429, {"Retry-After": "3"}), answer(wait_s=2.0)])
    await plant.start()
    plant.values[:] = [WET] * 50
    await plant.until_events(number)
    await plant.until("told", lambda: plant.told_up_to("push.night-desk") >= number, 60)
    await plant.end()
    (first_s, *_), (second_s, *_) = sink.got[:2]
    titles, sent = sink.titles(), list(dict.fromkeys(sink.ids()))
    digests = [text for text in sink.texts() if "FLOOD" in text]
    dump(
        "A7", alarms=number, requests=len(sink.got), pages=len(sent),
        waited_s=round(second_s - first_s, 2), retry_after_s=3,
        critical_pages=len([t for t in titles if t.startswith("CRITICAL")]), digests=len(digests),
    )  # fmt: skip
    assert second_s - first_s >= 3.0
    assert sink.ids()[1] == sink.ids()[2]
    assert titles[2].endswith("(again?)")
    assert [title.split()[0] for title in titles[3:7]] == ["CRITICAL"] * 4
    assert len(sent) == 6
    assert len(digests) == 1
    assert f"{number - 5} high" in digests[0]


@pytest.mark.timeout(600)
async def test_a7_one_provider_stalls_and_the_loop_does_not(
    plant: Plant,
    make_sink: Callable[..., Sink],
    answer: type[Answer],
    broker: Broker,
    subscribe: Callable[..., Any],
    dump: Callable[..., None],
) -> None:
    """While one contact's provider hangs for 200 s each time, MQTT has its events meanwhile."""
    slow = make_sink()
    slow.usual = answer(wait_s=200.0)
    (plant.folder / "slow.url").write_text(f"json://127.0.0.1:{slow.port}/?rto=200&cto=200")
    plant.write(
        {f"r{n}": {"signal": f"s{n}", "above": "5 ppm", "priority": "critical"} for n in range(50)},
        every="20 ms",
        mqtt={"host": "127.0.0.1", "port": broker.port, "readings_every": "60 s"},
        push={"contacts": {"slow": {"url_file": "slow.url"}}},
    )
    heard = await subscribe(broker.port, f"{SITE}/event")
    await plant.start()
    plant.values[0] = WET
    await slow.until(1)
    late_ms = []
    for index in range(1, 41):
        began = time.monotonic()
        plant.values[index] = WET
        await heard.until(lambda s, n=index: len(s.messages()) > n)
        late_ms.append((time.monotonic() - began) * 1000)
    await plant.end(signal.SIGKILL)
    late_ms.sort()
    dump("A7", events=len(late_ms), median_ms=round(late_ms[20]), worst_ms=round(late_ms[-1]))
    assert late_ms[-1] < 100_000


@pytest.mark.timeout(900)
async def test_a8_a_shelf_ends_by_itself_and_is_listed(
    plant: Plant, sink: Sink, size: Callable[[str], int], dump: Callable[..., None]
) -> None:
    """Shelved with a reason; the daemon dies under the shelf; it ends all the same, is paged

    as what still stands, and ``dewline alarms`` lists who, why and how long.
    """
    count = size("A8")
    rules = {f"r{n}": {"signal": f"s{n}", "above": "5 ppm", "priority": "high"} for n in range(30)}
    plant.write(rules, push={"contacts": plant.contact("night-desk", sink)})
    await plant.start()
    plant.values[:count] = [WET] * count
    await plant.until_events(count)
    await sink.until(1)
    for number in range(count):
        reply = await plant.say(
            "shelve", f"heron.r{number}", by=f"person-{number}", why="new gloves", for_s=6.0
        )
        assert reply["ok"], reply
    await plant.until("told", lambda: plant.told_up_to("push.night-desk") >= 2 * count)
    await plant.end(signal.SIGKILL)
    pages = len(sink.got)
    await plant.start()
    await plant.until(
        "shelves end",
        lambda: sum(e["transition"] == "unshelved" for e in plant.events()) == count,
    )
    await sink.until(pages + 1)
    ended = [e for e in plant.events() if e["transition"] == "unshelved"]
    await plant.end()
    command = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "dewline", "alarms", "--config", str(plant.config), "--json"),
        stdout=asyncio.subprocess.PIPE,
    )
    said, _ = await command.communicate()
    listed = json.loads(said)["shelved"]
    dump(
        "A8", shelved=count, ended_by_themselves=len(ended), listed=len(listed),
        longest_s=max(row["seconds"] for row in listed), paged_again=len(sink.got) - pages,
    )  # fmt: skip
    assert {e["why"] for e in ended} == {"time is up"}
    assert sorted(row["by"] for row in listed) == sorted(f"person-{n}" for n in range(count))
    assert {row["why"] for row in listed} == {"new gloves"}
    assert all(row["seconds"] >= 5 for row in listed)


async def test_h7_a_reload_wakes_nobody_again(
    plant: Plant, make_sink: Callable[..., Sink], dump: Callable[..., None]
) -> None:
    """A contact is added under fresh alarms: who knows of them hears nothing twice, the new one

    hears of them once; a file with a mistake leaves all as it is.
    """
    night, day = make_sink(), make_sink()
    rules = {f"r{n}": {"signal": f"s{n}", "above": "5 ppm", "priority": "high"} for n in range(5)}
    contacts = plant.contact("night-desk", night)
    plant.write(rules, push={"contacts": contacts})
    await plant.start()
    plant.values[:3] = [WET] * 3
    await plant.until("told", lambda: plant.told_up_to("push.night-desk") >= 3)
    plant.write(rules, push={"contacts": {**contacts, **plant.contact("day-desk", day)}})
    reply = await plant.reload()
    assert reply["ok"], reply
    whole = plant.config.read_text()
    plant.config.write_text(whole.replace("high", "hgih"))
    assert not (await plant.reload())["ok"]
    plant.config.write_text(whole)
    plant.values[3] = WET
    await night.until(4)
    await plant.until("told", lambda: plant.told_up_to("push.day-desk") >= 4)
    await plant.end()
    dump("H7", pages_before=3, pages_after=len(night.got) - 3, repeated=0, new_contact=len(day.got))
    assert len(day.got) == len(set(day.ids()))
    assert len(night.got) == len(set(night.ids())) == 4
    assert "s3" in day.texts()[-1]


async def test_h7_a_reload_moves_the_ping_and_keeps_what_people_said(
    plant: Plant, sink: Sink, make_sink: Callable[..., Sink], dump: Callable[..., None]
) -> None:
    """A changed ``heartbeat`` holds at once; states, acknowledgements, shelves and delays stay.

    A bad file changes nothing, by SIGHUP too, and the log says so.
    """
    rules = {f"r{n}": {"signal": f"s{n}", "above": "5 ppm", "priority": "high"} for n in range(3)}
    late = {"late": {"signal": "s9", "above": "5 ppm", "on_delay": "6 s"}}
    plant.write({**rules, **late}, heartbeat=heartbeat(plant, sink))
    await plant.start()
    plant.values[:3] = [WET] * 3
    await plant.until_events(3)
    assert (await plant.say("acknowledge", "heron.r0", by="rui"))["ok"]
    assert (await plant.say("shelve", "heron.r1", by="rui", why="cell", for_s=600.0))["ok"]
    before = {a["alarm"]: a for a in (await plant.status())["alarms"]}
    plant.values[9] = WET
    began = time.monotonic()
    await sink.until(1)
    await asyncio.sleep(1)  # of the six seconds of the delay

    other = make_sink()
    (plant.folder / "other.url").write_text(f"http://127.0.0.1:{other.port}/{CANARY}")
    rules["r2"]["advice"] = "Look at it."
    plant.write({**rules, **late}, heartbeat={"url_file": "other.url", "every": "1 s"})
    reload_after_s = time.monotonic() - began
    reply = await plant.reload()
    assert reply["ok"], reply
    await other.until(2)
    pings = len(sink.got)
    whole = plant.config.read_text()
    plant.config.write_text(whole.replace("above", "abowe"))
    plant.poke(signal.SIGHUP)
    await plant.until("refused", lambda: "the old config runs on" in plant.log.read_text())
    plant.config.write_text(whole.replace("200 ms", "250 ms", 1))
    reply = await plant.reload()
    assert "from the next start on" in reply["message"]
    await plant.until("late", lambda: any(e["alarm"] == "heron.late" for e in plant.events()))
    (late_event,) = (e for e in plant.events() if e["alarm"] == "heron.late")
    took_s = (parse_iso_utc(late_event["time"]) - parse_iso_utc(str(late_event["since"]))) / 1000
    after = {a["alarm"]: a for a in (await plant.status())["alarms"]}
    count = len(other.got)
    await other.until(count + 1)
    await plant.end()
    dump("H7", pings_to_the_old=len(sink.got) - pings, delay_took_s=round(took_s, 2))
    assert len(sink.got) == pings, "the old address is pinged no more"
    # The event itself: what the signal shows ``now`` is another reading by then.
    assert {n: {**after[n], "now": None} for n in before} == {
        n: {**alarm, "now": None} for n, alarm in before.items()
    }
    assert after["heron.r0"]["state"] == "acknowledged"
    assert after["heron.r1"]["state"] == "shelved"
    assert 6.0 <= took_s < 6.0 + reload_after_s / 2, "a delay that runs goes on through a reload"
