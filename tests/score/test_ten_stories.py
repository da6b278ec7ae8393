"""The ten stories a lab tells each other, and what the watch has to say in each.

Every story runs through the real watch with the complete inert-box set, on seed 0. Numbers the
tests hold the watch to are what the stories themselves bring about: the truth of the simulator,
or times and shares of common practice (no source) where no other is named.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import pytest

from dewline.events import Event, LedgerRow
from dewline.watch.watch import Watch
from dewline.watch_plan import WatchPlan
from tests.score.bench import Told
from tests.score.conftest import Telling
from tests.score.marks import pages, standing

pytestmark = pytest.mark.long

BED = {"bed-spent-water", "bed-spent-oxygen", "bed-warm", "bed-not-reduced", "bed-poisoned"}
FIRST_DAY, SECOND_DAY = "2026-03-02", "2026-03-03"


def ms(day: str, clock: str) -> int:
    """UTC epoch in ms of a moment of a story."""
    return round(datetime.fromisoformat(f"{day}T{clock}Z").timestamp() * 1000)


def named(events: Iterable[Event]) -> set[str]:
    """Every cause told, alone or in a set."""
    return {name for e in events for name in (e.cause.name, *e.cause.also)} - {"unknown"}


def brief(events: Iterable[Event]) -> list[tuple[str, str, str]]:
    """Alarm, transition and cause, for the message of an assertion."""
    return [(e.alarm, e.transition, e.cause.name) for e in events]


def rows(told: Told, kind: str, box: str = "heron") -> list[LedgerRow]:
    return [r for r in told.ledger if (r.kind, r.box) == (kind, box)]


def within(event: Event, began_ms: int, most_s: float) -> bool:
    """Whether it came after what began then, by so much at most."""
    return began_ms <= event.time_ms <= began_ms + 1000 * most_s


def test_story_0_an_ordinary_week_pages_nobody(telling: Telling, long_runs: bool) -> None:
    """Work, transfers, lights and a slow blower by night are no reason to call anybody."""
    told = telling("ordinary", hours=168 if long_runs else 20)
    assert rows(told, "transfer")  # there was work
    assert pages(told) == [], brief(pages(told))


def test_story_1_a_bed_that_wears_out_is_one_page_long_before_the_limit(
    telling: Telling, long_runs: bool
) -> None:
    """One page names the bed long before 5 ppm; oxygen stays flat and out of it.

    In short the bed is a third as large, so that its end comes within a day.
    """
    follow = (("heron", "moisture"),)
    if long_runs:
        told = telling("bed-water", follow=follow)
    else:
        small = {"lab": {"purifiers": {"p1": {"water_capacity_g": 0.45, "water_units": "$units"}}}}
        told = telling("bed-water", follow=follow, hours=26, change=small)
    (page,) = pages(told)
    assert page.alarm == "heron.moisture-soon"
    assert (page.cause.name, page.cause.also) == ("bed-spent-water", ())
    assert page.outlook is not None
    assert page.outlook.limit == 5.0
    truth = told.truths["heron", "moisture"]
    assert 0.5 < next(ppm for at_ms, ppm in truth if at_ms >= page.time_ms) < 2.2
    if long_runs:
        crossed_ms = next(at_ms for at_ms, ppm in truth if ppm > 5.0)
        assert crossed_ms - page.time_ms > 10 * 3_600_000
    assert not [e for e in told.events if e.alarm.startswith("heron.oxygen")], brief(told.events)
    assert named(told.events) == {"bed-spent-water"}


def test_story_1_the_nights_tell_a_worn_bed_two_days_ahead(
    telling: Telling, long_runs: bool
) -> None:
    """A box that has learned its own nights tells of the bed by day -2, and pages once, hours
    before 5 ppm; the time it gives at 1 ppm holds the truth.

    In short its instruments are read every 20 s: nothing happens in these eleven days.
    """
    told = telling(
        "bed-slow",
        hours=285 if long_runs else 272,
        quiet_ms=5_000 if long_runs else 20_000,
        follow=(("heron", "moisture"),),
    )
    truth = told.truths["heron", "moisture"]
    crossed_ms = next(at_ms for at_ms, ppm in truth if ppm > 5.0)
    notice = next(e for e in standing(told) if e.signal.startswith("heron.moisture"))
    assert notice.alarm == "heron.moisture-wearing", brief(standing(told))
    assert notice.priority == "low"
    assert crossed_ms - notice.time_ms > 48 * 3_600_000
    (page,) = pages(told)
    assert page.alarm == "heron.moisture-soon"
    assert crossed_ms - page.time_ms > 3 * 3_600_000
    assert page.cause.name == "bed-spent-water"
    told_at_one = standing(told, "moisture-raised")[0]
    assert told_at_one.outlook is not None
    left_s = (crossed_ms - told_at_one.time_ms) / 1000
    outlook = told_at_one.outlook
    assert outlook.low_s is not None
    assert outlook.high_s is not None
    assert outlook.low_s < left_s < outlook.high_s


def test_story_2_a_pinhole_loses_gas_first_and_lets_air_in_below_the_room(
    telling: Telling, long_runs: bool
) -> None:
    """Gas use of the night tells it first; at -1 mbar a leak is named; the bed never is.

    In short the box is left at -1 mbar right after the first night, and nobody works meanwhile.
    """
    if long_runs:
        told = telling("pinhole", hours=26.75)
    else:
        timeline = [
            {
                "at": "01:35",
                "place": "heron",
                "do": "hole",
                "with": {"diameter_mm": "$hole_mm"},
                "wrong": {"cause": "gas-loss", "place": "heron"},
            },
            {
                "at": "05:30",
                "place": "heron",
                "do": "set_band",
                "with": {"low_mbar": -1.3, "high_mbar": -0.7},
            },
        ]
        told = telling("pinhole", start="2026-03-03T01:30:00Z", hours=4.75, timeline=timeline)
    left_low_ms = next(h.at_ms for h in told.story.happenings if h.do == "set_band")
    loss, leak, *_ = standing(told)
    assert loss.alarm == "heron.gas-escaping"
    assert loss.cause.name == "gas-loss"
    assert any("lost in the quiet night" in line for line in loss.cause.evidence)
    assert loss.at_ms < left_low_ms
    assert loss.value is not None
    assert 1.0 < loss.value < 2.5, "L/h; a tight box fills 0.2"
    assert within(leak, left_low_ms, 1200), brief(standing(told))
    assert leak.cause.name == "leak-at-low-pressure"
    assert not named(told.events) & BED, brief(told.events)


def test_story_3_a_leak_before_the_blower_is_named_after_the_first_stop(
    telling: Telling, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Shell or loop cannot be told until the loop stands; the slope of that stop decides it.

    In argon the air leaves its nitrogen behind, which is shown as an interval: it holds the truth,
    and both its ends are within a factor 1.5 of it.
    """
    argon = {
        "lab": {
            "boxes": {"heron": {"gas": "argon", "supply": "house-argon"}},
            "services": {"house-argon": {"gas": "argon"}, "house-nitrogen": None},
        },
        "instruments": {"heron-panel": {"wiring": {"supply": "house-argon.pressure"}}},
        "services": {
            "house-argon": {"kind": "house", "signals": {"pressure": "heron-panel.supply"}},
            "house-nitrogen": None,
        },
        "boxes": {"heron": {"gas": "argon", "supply": "house-argon"}},
    }
    watches: list[Watch] = []

    def kept(plan: WatchPlan) -> Watch:
        watches.append(Watch(plan))
        return watches[-1]

    monkeypatch.setattr("tests.score.bench.Watch", kept)
    told = telling("suction-leak", hours=10, change=argon, follow=(("heron", "nitrogen_in_argon"),))
    stop_ms = ms(SECOND_DAY, "03:00:00")
    before = [e for e in told.events if e.alarm == "heron.oxygen-raised" and e.time_ms < stop_ms]
    assert {"air-leak", "loop-suction-leak"} <= named(before), brief(before)
    assert before[-1].cause.tell_apart is not None
    assert "10 min" in before[-1].cause.tell_apart
    after = [e for e in told.events if e.alarm == "heron.oxygen-raised" and e.time_ms > stop_ms]
    assert within(after[0], stop_ms, 2400)
    assert (after[0].cause.name, after[0].cause.also) == ("loop-suction-leak", ())
    truth = told.truths["heron", "nitrogen_in_argon"]
    nitrogen = watches[0].outlook_table()["heron"]["nitrogen"]
    assert nitrogen is not None
    grown_ppm = truth[-1][1] - truth[0][1]
    assert grown_ppm > 2000  # else nothing is shown
    assert grown_ppm / 1.5 < nitrogen["low_ppm"] < grown_ppm
    assert grown_ppm < nitrogen["high_ppm"] < 1.5 * grown_ppm


def test_story_4_a_torn_glove_calls_within_a_hundred_seconds(telling: Telling) -> None:
    """One page names the glove at once and says how long the gas lasts, where the cylinder's own
    pressure is read; near 1000 ppm another says to save the bed.
    """
    cylinder = {
        "lab": {"services": {"house-nitrogen": {"kind": "cylinder", "cylinders": 1}}},
        "services": {"house-nitrogen": {"kind": "cylinder"}},
        "instruments": {"heron-panel": {"wiring": {"supply": "house-nitrogen.cylinder_1"}}},
    }
    told = telling(
        "torn-glove",
        start="2026-03-03T00:30:00Z",
        hours=3.25,
        change=cylinder,
        follow=(("house-nitrogen", "cylinder_1"),),
    )
    torn_ms = ms(SECOND_DAY, "02:14:00")
    first = pages(told)[0]
    assert within(first, torn_ms, 100), brief(pages(told))
    assert first.cause.name == "glove-torn"
    assert "Plug an open port or glove" in (first.advice or "")
    assert "isolate the bed before oxygen nears 1000 ppm" in (first.advice or "")
    assert first.caution is not None
    store = told.truths["house-nitrogen", "cylinder_1"]
    empty_ms = next(at_ms for at_ms, bar in store if at_ms > torn_ms and bar < 4.0)
    (lasts,) = (line for line in first.cause.evidence if line.startswith("gas for "))
    minutes = [float(number) for number in re.findall(r"(\d+) min", lasts)]
    left_min = (empty_ms - first.time_ms) / 60_000
    assert minutes[0] == pytest.approx(left_min, rel=0.2)
    assert minutes[1] - 1 <= left_min <= minutes[2] + 1, (lasts, left_min)
    bed = next(e for e in pages(told) if e.alarm == "heron.oxygen-into-bed")
    assert bed.priority == "critical"
    assert "isolate the bed" in (bed.advice or "")
    assert bed.value is not None
    assert bed.value < 2000  # told on the way up, not after


def test_story_5_a_circulator_trip_is_one_page_and_a_row(telling: Telling) -> None:
    """Three minutes after the trip an alarm for the record; within a quarter of an hour one page,
    since the loop's own slope says that 5 ppm come before staff do. Every level stands under it,
    and the stop is measured.
    """
    told = telling("circulator-trip", hours=11, follow=(("heron", "oxygen"),))
    trip_ms = ms(SECOND_DAY, "01:42:00")
    stop, page = standing(told)
    assert stop.alarm == "heron.circulation-stopped"
    assert within(stop, trip_ms, 185)
    assert pages(told) == [page], brief(standing(told))
    assert (page.alarm, page.cause.name) == ("heron.oxygen-soon-stopped", "circulation-stopped")
    assert within(page, trip_ms, 900)
    assert page.outlook is not None
    assert page.outlook.in_s is not None
    reached_ms = next(at for at, ppm in told.truths["heron", "oxygen"] if ppm > 5.0)
    assert page.outlook.in_s == pytest.approx((reached_ms - page.time_ms) / 1000, rel=0.25)
    (isolation,) = rows(told, "isolation")
    assert abs(isolation.started_ms - ms(SECOND_DAY, "01:42:00")) <= 10_000
    assert isolation.ended_ms is not None
    assert abs(isolation.ended_ms - ms(SECOND_DAY, "06:00:00")) <= 10_000
    assert 1.0 < isolation.document["oxygen_ppm_h"] < 2.0


def test_story_8_a_dip_of_the_house_gas_is_one_alarm_above_five_boxes(telling: Telling) -> None:
    """The line is named and paged once; whatever the boxes suffer from it stands under it.

    But for the box that is just purged with this gas: it fills with oxygen, and a person can end
    the purge.
    """
    told = telling("nitrogen-dip", start="2026-03-02T23:00:00Z", hours=6.25)
    dirty, low = pages(told)
    assert (dirty.alarm, dirty.cause.name) == ("dunlin.oxygen-dirty-gas", "supply-impure")
    assert low.alarm == "house-nitrogen.supply-very-low"
    assert low.cause.name in ("supply-low", "valves-unpowered")
    boxes = ("heron", "egret", "dunlin", "curlew", "avocet")
    under = {e.box for e in told.events if (e.under or "").startswith("house-nitrogen.")}
    assert under >= set(boxes)
    of_purge = ("purge-long", "oxygen-dirty-gas")
    alone = [e for e in standing(told) if e.box in boxes and not e.alarm.endswith(of_purge)]
    assert alone == [], brief(alone)


def test_story_9_a_power_cut_is_one_page_and_a_list_of_what_differs(telling: Telling) -> None:
    """Nobody is called twice for one cut; what does not run again is listed; nothing is clean."""
    told = telling("power-cut", start="2026-03-03T00:00:00Z", hours=6)
    cut, *later = pages(told)
    assert (cut.alarm, cut.cause.name) == ("room.mains-lost", "power")
    assert {e.alarm for e in later} <= {f"{b}.oxygen-soon-stopped" for b in ("heron", "egret")}
    (over,) = [e for e in told.events if e.alarm == cut.alarm and e.transition == "returned"]
    assert over.stopped_at == ("heron", "egret")
    assert within(pages(told)[0], ms(SECOND_DAY, "02:10:00"), 15)
    differs: dict[str, Any] = {}
    for box in ("heron", "egret"):
        for gap in rows(told, "gap", box):
            differs |= {f"{box}.{k}": v for k, v in gap.document["differs"].items()}
            if gap.document["of"] == f"{box}-trace":  # warming up is not back
                assert set(gap.document["not_back"]) >= {"oxygen", "moisture"}
    assert differs["heron.circulating"] == [1.0, 0.0]
    assert differs["egret.regenerating"] == [1.0, 0.0]
    assert differs["heron.freezer_temperature"][1] > differs["heron.freezer_temperature"][0] + 2
    stopped = {e.box for e in standing(told, "circulation-stopped")}
    assert stopped == {"heron", "egret"}
    # The block of zeros with which a panel wakes up is no vacuum.
    floors = [
        r.document["floor_mbar"] for b in ("heron", "egret") for r in rows(told, "pump-down", b)
    ]
    assert floors
    assert min(floors) > 0.0


def test_story_7_a_regeneration_without_hydrogen_is_known_by_its_gas(telling: Telling) -> None:
    """The missing gas is told while it runs, the bed is named at the first dose, not before."""
    told = telling("regeneration-no-hydrogen", hours=18.5)
    began_ms = ms(FIRST_DAY, "18:00:00")
    gas = standing(told, "forming-gas-missing")[0]
    assert within(gas, began_ms, 4 * 3600)  # in the reducing step, hours before its end
    assert "do not rely on this bed" in (gas.advice or "")
    (row,) = rows(told, "regeneration")
    assert row.document["complete"] is True
    assert (row.document["hydrogen"], row.document["enough"]) == (False, False)
    dose_ms = ms(SECOND_DAY, "10:00:00")
    assert "bed-not-reduced" not in named(e for e in told.events if e.time_ms < dose_ms)
    first = next(e for e in standing(told) if e.time_ms >= dose_ms)
    assert within(first, dose_ms, 10)
    assert first.cause.name == "bed-not-reduced", brief(standing(told))
    assert any("forming gas" in line for line in first.cause.evidence)


def test_story_6_one_short_cycle_with_cardboard(telling: Telling) -> None:
    """The open door is told at once, then the air as a transfer and the card as a wet load."""
    told = telling("short-cycle", start="2026-03-02T11:30:00Z", hours=5)
    (transfer,) = rows(told, "transfer")
    opened_ms = transfer.started_ms + round(1000 * transfer.document["door_after_s"])
    (page,) = pages(told)
    assert page.alarm == "heron.dirty-transfer-large"
    assert within(page, opened_ms, 5)
    assert page.cause.name == "transfer"
    # Ideal gas at 22 degC, dry air 20.946 % oxygen (ISO 2533), counted at 0 degC and 1013.25 mbar.
    air_l = 62.0 * told.story.sizes["low_mbar"] / 1013.25 * 273.15 / 295.15
    assert abs(transfer.document["seen_cm3"] / (209.46 * air_l) - 1) < 0.2
    assert (transfer.document["cycles"], transfer.document["clean"]) == (1, False)
    wet = [e for e in told.events if e.alarm.startswith("heron.moisture") and e.cause.confidence]
    assert wet[0].cause.name == "transfer", brief(wet)
    assert wet[-1].cause.name == "wet-load", brief(wet)


def test_a_dirty_chamber_is_told_within_five_seconds_of_its_door(telling: Telling) -> None:
    """Read every second, the inner door opened on a chamber full of air is an alarm in 5 s."""
    doors = [
        {"at": "09:00", "place": "heron", "do": "open_door", "with": {"door": "outer"}},
        {"at": "09:02", "place": "heron", "do": "close_door", "with": {"door": "outer"}},
        {"at": "09:05", "place": "heron", "do": "open_door", "with": {"door": "inner"}},
        {"at": "09:06", "place": "heron", "do": "close_door", "with": {"door": "inner"}},
    ]
    change = {"instruments": {"heron-panel": {"every": "1 s"}}}
    told = telling("short-cycle", hours=1.25, change=change, timeline=doors)
    (page,) = standing(told, "dirty-transfer-large")
    assert within(page, ms(FIRST_DAY, "09:05:00"), 5)
    assert page.priority == "high"
    assert "close the inner door" in (page.advice or "")


def test_a_regeneration_out_of_the_loop_raises_nothing(telling: Telling) -> None:
    """With two beds the box is cleaned all along: heat, hydrogen and cooling are no alarm."""
    two = {
        "lab": {"purifiers": {"p1": {"beds": 2}}},
        "purifiers": {"p1": {"beds": 2}},
    }
    told = telling("regeneration-good", hours=17, change=two)
    (row,) = rows(told, "regeneration")
    assert (row.document["complete"], row.document["hydrogen"]) == (True, True)  # it truly ran
    assert standing(told) == [], brief(standing(told))


HOT = {"analyzers": {"oxygen": {"kind": "zirconia"}}}
SENSED = {
    "instruments": {
        "heron-trace": {
            "sensors": {
                "o2": {"kind": "zirconia", "lag_up_s": 3.0, "lag_down_s": 3.0},
                "h2o": {"cross": 0.02},
            }
        }
    },
    "boxes": {
        "heron": {
            "analyzers": {"oxygen": {"kind": "zirconia"}},
            "signals": {"solvent_vapour": "heron-panel.solvent_vapour"},
        }
    },
}


def test_story_10_solvent_on_a_hot_sensor_makes_oxygen_unknown(telling: Telling) -> None:
    """Unknown since five past ten: it sank to nothing at once; no dose of the day proves it."""
    told = telling("solvent", hours=6)
    assert "solvent" in named(e for e in told.events if e.time_ms < ms(FIRST_DAY, "11:00:00"))
    unknown = standing(told, "oxygen-unknown")[0]
    assert within(unknown, ms(FIRST_DAY, "10:00:00"), 1200)
    assert unknown.cause.name == "solvent"
    began_ms = ms(FIRST_DAY, "10:00:00")
    proofs = [r for r in rows(told, "sensor-response") if r.started_ms >= began_ms]
    assert not [r for r in proofs if r.document["gas"] == "oxygen" and answered(r)]


def test_a_hot_sensor_in_a_clean_box_at_its_floor_is_believed(telling: Telling) -> None:
    """A day of work and a night with a stop make the oxygen of no zirconia cell unknown."""
    hot = {"instruments": SENSED["instruments"], "boxes": {"heron": HOT}}
    for name, hours in (("ordinary", 14), ("circulator-trip", 11)):
        told = telling(name, hours=hours, change=hot)
        assert told.readings > 0
        assert not [e for e in told.events if e.alarm == "heron.oxygen-unknown"], name


def answered(row: LedgerRow) -> bool:
    return bool(row.document["answered"])


def test_story_10_with_a_vapour_sensor_it_is_known_at_once(telling: Telling) -> None:
    """Unknown within ten minutes of the bottle; after the purge the slower bed is named."""
    told = telling("solvent", hours=9.25, change=SENSED)
    first = standing(told)[0]
    assert first.alarm == "heron.oxygen-unknown", brief(standing(told))
    assert within(first, ms(FIRST_DAY, "10:00:00"), 600)
    assert first.cause.name == "solvent"
    slow = next(
        r for r in rows(told, "clean-up") if r.ended_ms and r.ended_ms > ms(FIRST_DAY, "17:00:00")
    )
    assert slow.document["share_of_best"] < 0.75  # the morning's dose went faster
    dose_ms = ms(FIRST_DAY, "17:00:00")
    after = [e for e in standing(told) if e.time_ms >= dose_ms and e.alarm == "heron.oxygen-high"]
    assert "bed-poisoned" in named(after), brief(after)
