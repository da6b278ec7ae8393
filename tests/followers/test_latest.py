"""When a reading is shown again."""

from __future__ import annotations

import math

from dewline.followers.mqtt.latest import LatestReadings
from dewline.readings import Quality, Reading, Verdict
from dewline.typed_json import Json


def good(value: float) -> dict[str, Reading]:
    return {"heron.moisture": Reading(value, Quality.GOOD)}


def shown(latest: LatestReadings, now_s: float) -> list[tuple[str, Json]]:
    return [(signal, document["value"]) for signal, document in latest.due(now_s)]


def test_the_first_reading_is_due_at_once() -> None:
    """What was never shown is due now."""
    latest = LatestReadings({}, 10.0)
    latest.update(good(1.0), 0)
    assert shown(latest, 0.0) == [("heron.moisture", 1.0)]


def test_of_many_within_the_interval_only_the_last_is_shown() -> None:
    """At most one a signal every ``every_s``, and then the newest."""
    latest = LatestReadings({}, 10.0)
    seen = []
    for second in range(31):
        latest.update(good(float(second)), second)
        seen += shown(latest, float(second))
    assert seen == [("heron.moisture", float(s)) for s in (0, 10, 20, 30)]


def test_a_change_of_quality_is_due_at_once() -> None:
    """A value going bad, and good again, is shown without waiting."""
    latest = LatestReadings({}, 10.0)
    latest.update(good(1.0), 0)
    latest.due(0.0)
    latest.update({"heron.moisture": Reading(None, Quality.NO_ANSWER)}, 1)
    assert latest.next_due_s() == -math.inf
    ((_, document),) = latest.due(1.0)
    assert (document["value"], document["quality"]) == (None, "bad/no-answer")
    latest.update(good(2.0), 2)
    assert shown(latest, 2.0) == [("heron.moisture", 2.0)]


def test_a_reading_that_came_once_is_shown_when_its_time_comes() -> None:
    """``next_due_s`` tells when to come back, so that nothing fresh is left unsaid."""
    latest = LatestReadings({}, 10.0)
    latest.update(good(1.0), 0)
    latest.due(0.0)
    assert latest.next_due_s() == math.inf
    latest.update(good(2.0), 1)
    assert latest.next_due_s() == 10.0
    assert shown(latest, 9.9) == []
    assert shown(latest, 10.0) == [("heron.moisture", 2.0)]


def test_restating_makes_all_due() -> None:
    """After a reconnect everything known is due, once."""
    latest = LatestReadings({}, 10.0)
    latest.update(good(1.0), 0)
    latest.due(0.0)
    latest.restate()
    assert shown(latest, 0.1) == [("heron.moisture", 1.0)]
    assert shown(latest, 0.1) == []


def test_what_json_cannot_say_is_null() -> None:
    """NaN and infinity have no JSON form: the value is null, the quality still says why."""
    latest = LatestReadings({"heron.moisture": "ppm"}, 10.0)
    latest.update({"heron.moisture": Reading(math.inf, Quality.OVER_RANGE)}, 0)
    ((_, document),) = latest.due(0.0)
    assert document == {
        "value": None,
        "unit": "ppm",
        "quality": "uncertain/over-range",
        "raw": "uncertain/over-range",
        "since": None,
        "time": "1970-01-01T00:00:00.000Z",
    }


def test_known_is_what_the_plan_names_or_what_came() -> None:
    """A signal is known by its unit in the plan or by a reading."""
    latest = LatestReadings({"heron.pressure": "mbar"}, 10.0)
    latest.update(good(1.0), 0)
    assert latest.knows("heron.pressure")
    assert latest.knows("heron.moisture")
    assert not latest.knows("heron.oxygen")


def test_a_verdict_is_due_at_once_with_its_beginning_and_the_word_of_the_bus() -> None:
    """What the watch calls frozen is published as frozen, and as good again when that is over."""
    latest = LatestReadings({}, 10.0)
    latest.update(good(1.0), 0)
    latest.due(0.0)
    frozen = Verdict("heron.moisture", Quality.FROZEN, 0, 1_772_417_640_000)
    latest.judge([frozen])
    ((_, document),) = latest.due(0.1)
    assert (document["value"], document["quality"], document["raw"]) == (1.0, "bad/frozen", "good")
    assert document["since"] == "2026-03-02T02:14:00.000Z"
    latest.update(good(1.0), 1)
    assert latest.due(1.0) == []
    latest.judge([frozen._replace(until_ms=2000)])
    ((_, document),) = latest.due(2.0)
    assert (document["quality"], document["since"]) == ("good", None)


def test_what_stands_at_the_start_judges_the_first_reading() -> None:
    """A follower that begins while an analyzer is off never publishes its readings as good."""
    latest = LatestReadings({}, 10.0, [Verdict("heron.moisture", Quality.OFF, 0, 0)])
    latest.update(good(1.0), 0)
    ((_, document),) = latest.due(0.0)
    assert document["quality"] == "bad/off"


def test_a_panel_of_zeros_is_published_without_its_zeros() -> None:
    """Zero ppm of a panel that has just started is no clean box, for no reader."""
    latest = LatestReadings({}, 10.0, [Verdict("heron.moisture", Quality.INSTRUMENT_FAULT, 0, 0)])
    latest.update(good(0.0), 0)
    ((_, document),) = latest.due(0.0)
    assert (document["value"], document["raw"]) == (None, "good")
