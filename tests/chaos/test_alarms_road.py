"""Alarms on their way out: a broker away, an old truth retained, a flap, a restart, one cause."""

from __future__ import annotations

import asyncio
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from signal import Signals
from typing import Any

import pytest

from dewline.events import EventDocument
from dewline.readings import parse_iso_utc
from tests.bus.conftest import FarTcp
from tests.chaos.conftest import Plant
from tests.conftest import Broker, Sink

pytestmark = pytest.mark.long

SITE = "dewline/saltmarsh"
EVENT = f"{SITE}/event"
KEEPALIVE_S = 20  # of the daemon
CLEAN, WET = 1.0, 9.0  # ppm


def over_limit(count: int = 50, **more: Any) -> dict[str, Any]:
    """Rules r0... : each on its own signal, above 5 ppm, at once."""
    return {
        f"r{n}": {"signal": f"s{n}", "above": "5 ppm", "priority": "high", **more}
        for n in range(count)
    }


def mqtt(port: int) -> dict[str, Any]:
    return {"host": "127.0.0.1", "port": port, "readings_every": "60 s"}


def ids(documents: Iterable[Mapping[str, Any]]) -> list[str]:
    return [d["id"] for d in documents]


async def flip(plant: Plant, steps: int, pace_s: float) -> None:
    """One signal after the other over its limit and back: ``steps`` changes."""
    for step in range(steps):
        index = step % len(plant.values)
        plant.values[index] = CLEAN if plant.values[index] == WET else WET
        await asyncio.sleep(pace_s)


@pytest.mark.timeout(1800)
async def test_a1_a_broker_away_and_a_daemon_killed(
    plant: Plant,
    broker: Broker,
    subscribe: Callable[..., Any],
    sink: Sink,
    size: Callable[[str], int],
    dump: Callable[..., None],
) -> None:
    """The broker is gone while 200 transitions happen, and the daemon dies (kill -9) half way.

    Every transition is heard, once after removing equal ids, in ``seq`` order.
    """
    steps, away_s = size("A1"), size("A1-away")
    contacts = plant.contact("night-desk", sink)
    # Two transitions a flip: raised, and cleared by itself.
    plant.write(over_limit(acknowledge="auto"), mqtt=mqtt(broker.port), push={"contacts": contacts})
    heard = await subscribe(broker.port, EVENT)
    await plant.start()
    await flip(plant, 2, 0.3)
    await heard.until(lambda s: len(s.messages(EVENT)) >= 2)
    early = ids(heard.documents(EVENT))
    heard.stop()
    broker.kill()
    before = len(plant.events())
    pace_s = max(0.06, away_s / steps)  # longer than a poll, so that none is missed
    await flip(plant, steps // 2, pace_s)
    await plant.until_events(before + steps // 2)
    await plant.end(signal.SIGKILL)
    await plant.start()
    await flip(plant, steps // 2, pace_s)
    await plant.until_events(before + steps)
    broker.start()
    again = await subscribe(broker.port, EVENT)
    recorded = plant.events()
    await again.until(lambda s: recorded[-1]["id"] in ids(s.documents(EVENT)))
    await plant.end()
    got = early + ids(again.documents(EVENT))
    once = list(dict.fromkeys(got))
    dump(
        "A1",
        transitions=len(recorded) - before,
        lost=len(set(ids(recorded)) - set(once)),
        doubled=len(once) - len(set(once)),
        repeats_removed=len(got) - len(once),
        in_order=once == ids(recorded),
        pages=len(sink.got),
    )
    assert len(recorded) - before >= steps
    assert once == ids(recorded)
    assert [d["seq"] for d in recorded] == list(range(1, len(recorded) + 1))
    raises = Counter(t for t in sink.ids() if "again" not in t)
    assert max(raises.values()) == 1, "a page was sent twice"


async def test_a2_what_the_broker_keeps_is_the_truth(
    plant: Plant, broker: Broker, subscribe: Callable[..., Any], dump: Callable[..., None]
) -> None:
    """Kill -9 is heard as ``lost`` in 1.5 keepalives; the next start says state, then the whole

    table, then clears what is retained of alarms that are no more; a clean stop says so.
    """
    plant.write(over_limit(3), mqtt=mqtt(broker.port))
    heard = await subscribe(broker.port, f"{SITE}/#")
    await plant.start()
    plant.values[0] = plant.values[1] = WET
    await heard.until(lambda s: len(s.messages(EVENT)) >= 2)
    await plant.end(signal.SIGKILL)
    began = time.monotonic()
    await heard.until(
        lambda s: s.documents(f"{SITE}/state")[-1]["state"] == "lost", 1.5 * KEEPALIVE_S
    )
    lost_after_s = time.monotonic() - began
    orphan = f"{SITE}/heron/alarm/of-old"
    publisher = await asyncio.create_subprocess_exec(
        "mosquitto_pub", "-p", str(broker.port), "-t", orphan, "-r", "-m", '{"alarm":"x"}'
    )
    await publisher.wait()
    await heard.until(lambda s: s.payloads(orphan))  # it is on its way still when that ends
    count = len(heard.messages())
    plant.values[0] = CLEAN
    await plant.start()
    await heard.until(lambda s: (s.payloads(orphan) or ["x"])[-1] == "")
    fresh = [topic for topic, *_ in heard.messages()[count:] if "/reading/" not in topic]
    order = list(dict.fromkeys(t for t in fresh if t.endswith("/state") or "/alarm/" in t))
    late = await subscribe(broker.port, f"{SITE}/heron/alarm/#")
    await plant.until("returned", lambda: plant.events()[-1]["transition"] == "returned")
    await late.until(lambda s: s.documents(f"{SITE}/heron/alarm/r0")[-1]["state"] == "returned")
    await plant.end()
    await heard.until(lambda s: s.documents(f"{SITE}/state")[-1]["state"] == "stopped")
    dump("A2", lost_heard_after_s=round(lost_after_s, 3), orphans_left=0, first=order[0])
    assert order[0] == f"{SITE}/state"
    assert order.index(orphan) == len(order) - 1
    truth = {e["alarm"]: e["state"] for e in plant.events()}
    shown = {t.rsplit("/", 1)[1]: late.documents(t)[-1]["state"] for t, *_ in late.messages()}
    assert {f"heron.{rule}": state for rule, state in shown.items()} == {
        alarm: state for alarm, state in truth.items() if alarm.startswith("heron.")
    }


@pytest.mark.timeout(5000)
async def test_a3_flapping_round_a_limit(
    plant: Plant, sink: Sink, size: Callable[[str], int], dump: Callable[..., None]
) -> None:
    """One digit up and down: with a deadband one raise and one return; without, one notice

    of chattering, and pages that stop at it.
    """
    seconds = size("A3")
    rules = {
        "calm": {"signal": "s0", "above": "5 ppm", "deadband": "0.5 ppm", "priority": "high"},
        "bare": {"signal": "s1", "above": "5 ppm", "priority": "high"},
    }
    plant.write(rules, push={"contacts": plant.contact("night-desk", sink)})
    await plant.start()
    began, flaps = time.monotonic(), 0
    while time.monotonic() - began < seconds:
        flaps += 1
        plant.values[:2] = [5.01, 5.01] if flaps % 2 else [4.99, 4.99]
        await asyncio.sleep(0.12)
    plant.values[:2] = [CLEAN, CLEAN]
    await plant.until(
        "calm returned", lambda: any(e["alarm"] == "heron.calm" and e["transition"] == "returned"
                                     for e in plant.events())
    )  # fmt: skip
    await asyncio.sleep(4.0)  # what there is to page goes out
    await plant.end()
    counts = Counter((e["alarm"].split(".")[1], e["transition"]) for e in plant.events())
    bare_pages = [t for t in sink.texts() if "s1" in t]
    dump(
        "A3", flaps=flaps, raised=counts["calm", "raised"], returned=counts["calm", "returned"],
        bare_raised=counts["bare", "raised"], notices=counts["bare", "chattering"],
        pages_of_the_bare_one=len(bare_pages),
    )  # fmt: skip
    assert (counts["calm", "raised"], counts["calm", "returned"]) == (1, 1)
    assert counts["bare", "raised"] > 10
    assert counts["bare", "chattering"] == 1 + (seconds - 1) // 3600  # one an hour
    assert len(bare_pages) <= 8 * (1 + seconds // 3600)


@pytest.mark.timeout(1800)
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
async def test_a4_a_restart_repeats_and_forgets_nothing(
    plant: Plant, sink: Sink, size: Callable[[str], int], dump: Callable[..., None], number: Signals
) -> None:
    """30 alarms stand: no page is repeated, ``since`` is kept, a return meanwhile is told once."""
    plant.write(over_limit(30), push={"contacts": plant.contact("night-desk", sink)})
    await plant.start()
    plant.values[:30] = [WET] * 30
    await plant.until_events(30)
    await plant.until("told", lambda: plant.told_up_to("push.night-desk") >= 30)
    since = {e["alarm"]: e["since"] for e in plant.events()}
    pages, restarts = len(sink.got), size("A4")
    returned = 0
    for restart in range(restarts):
        await plant.end(number)
        plant.values[restart] = CLEAN
        await plant.start()
        returned += 1
        await plant.until("a return", lambda: _count(plant, "returned") == returned)  # noqa: B023
        last = len(plant.events())
        await plant.until("told", lambda: plant.told_up_to("push.night-desk") >= last)  # noqa: B023
    table = {a["alarm"]: a["since"] for a in (await plant.status())["alarms"]}
    await plant.end()
    repeated = [page for page, n in Counter(sink.ids()).items() if n > 1]
    dump(
        "A4", alarms=30, restarts=restarts, pages_repeated=len(repeated),
        returns=returned, pages_of_returns=len(sink.got) - pages,
        since_apart_ms=max(_apart_ms(since[a], table[a]) for a in since if a in table),
    )  # fmt: skip
    assert repeated == []
    # Each end names the others that stand, and bears their urgency.
    assert sink.titles()[pages:] == ["high · saltmarsh"] * returned
    assert all(" is over" in page_text for page_text in sink.texts()[pages:])
    mine = {alarm: began for alarm, began in table.items() if alarm.startswith("heron.")}
    assert len(mine) == 30
    assert {alarm: since[alarm] for alarm in mine} == mine, "since as it was first told"


@pytest.mark.timeout(1800)
async def test_a5_one_cause_is_one_page(
    plant: Plant, far_tcp: FarTcp, sink: Sink, size: Callable[[str], int], dump: Callable[..., None]
) -> None:
    """The bus is lost behind 40 signals that each have a stale rule: one alarm, one page."""
    rules = {
        f"q{n}": {"signal": f"s{n}", "stale_after": "2 s", "priority": "high"} for n in range(40)
    }
    plant.write(rules, push={"contacts": plant.contact("night-desk", sink)})
    await plant.start()
    times = size("A5")
    for turn in range(times):
        before = len(plant.events())
        pages = len(sink.got)
        await far_tcp.stop()
        await plant.until("lost", lambda: any(
            e["alarm"] == "daemon.panel-lost" and e["transition"] == "raised"
            for e in plant.events()[before:]  # noqa: B023
        ))  # fmt: skip
        await sink.until(pages + 1)
        await asyncio.sleep(3.0)  # were there another page, it would come now
        assert len(sink.got) == pages + 1, sink.texts()[pages:]
        await far_tcp.start()
        await sink.until(pages + 2)
        await plant.until("let go", lambda: not any(
            a["state"] == "suppressed" for a in _table(plant)
        ), 90)  # fmt: skip
        await asyncio.sleep(2.5)
        counts = Counter(
            (e["alarm"].split(".")[0], e["transition"]) for e in plant.events()[before:]
        )
        dump(
            "A5", turn=turn + 1, signals=40, raised=counts["daemon", "raised"],
            children_raised=counts["heron", "raised"],
            suppressed_under_it=counts["heron", "suppressed"], pages=len(sink.got) - pages,
        )  # fmt: skip
        assert counts["heron", "raised"] == 0
        assert len(sink.got) == pages + 2, sink.texts()[pages:]
        await plant.say("acknowledge", "daemon.panel-lost")
        if turn % 4 == 3:  # more than ten moves in ten minutes would be told as chattering
            await plant.end()
            for file in plant.folder.glob(f"{plant.journal.name}*"):
                file.unlink()
            await plant.start()
    await plant.end()
    assert [t.split()[0] for t in sink.titles()] == ["high", "over"] * times


def _apart_ms(one: str | None, other: str | None) -> int:
    assert one is not None
    assert other is not None
    return abs(parse_iso_utc(one) - parse_iso_utc(other))


def _count(plant: Plant, transition: str) -> int:
    return sum(e["transition"] == transition for e in plant.events() if e["box"] == "heron")


def _table(plant: Plant) -> list[EventDocument]:
    last = {event["alarm"]: event for event in plant.events()}
    return list(last.values())
