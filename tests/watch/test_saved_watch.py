"""Saved states of the whole watch: version 1 opens without loss, other versions are refused.

``power_cut_by_version_1.json`` holds a plan and a state that commit 5bd6980 recorded in the
story ``power-cut``: one box, 20 of its alarms, and the alarm of a rule that the plan lacks.
Histories and windows are cut to a few values.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dewline.config import watch_plan_from_json
from dewline.errors import DewlineError
from dewline.events import Event, EventDocument
from dewline.readings import Resumed
from dewline.watch.watch import Watch
from dewline.watch_plan import Above, Below, Count, Escalation, Rising, RulePlan
from tests.watch.conftest import Bench

RECORDED: dict[str, Any] = json.loads(
    (Path(__file__).parent / "data" / "power_cut_by_version_1.json").read_text(encoding="utf-8")
)
# What version 1 called otherwise, by the part of the watch.
RENAMED = {
    "": {"scribe": "writer", "slots": "signals"},
    "alarms": {
        "judge": "evaluator",
        "told": "last_event",
        "seen_by": "acknowledged_by",
        "seen_ms": "acknowledged_ms",
        "unseen_since_ms": "unacknowledged_since_ms",
    },
    "scribe": {"told": "written", "told_at_ms": "written_at_ms"},
    "slots": {"windows": "windows_by_span"},
    "derive": {"_told": "forecasts", "_retell": "republish"},
    "sensors": {"level": "doubt", "sunk": "sudden_zero", "doubts": "gases"},
}
NOT_KEPT = {"_missed", "starts"}  # counted once, and never read by anything
GONE = "heron.circulation-stopped"  # an alarm whose rule is not in the plan


def leaves(value: Any, part: str = "", path: tuple[str, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every number, text and list of a state of version 1, with the keys of today before it."""
    if not isinstance(value, dict) or not value:
        yield *path, value
        return
    for key, inner in value.items():
        if key not in NOT_KEPT:
            name = RENAMED.get(part, {}).get(key) or key.lstrip("_")
            yield from leaves(inner, part or key, (*path, name))


def at(value: Any, path: tuple[str, ...]) -> Any:
    """The value under a path of keys; KeyError where there is none."""
    for key in path:
        value = value[key]
    return value


def restored(state: Any) -> Watch:
    """A watch by the recorded plan that has taken over a state."""
    watch = Watch(watch_plan_from_json(json.dumps(RECORDED["plan"])))
    watch.restore(state)
    return watch


def saved(watch: Watch) -> Any:
    """The state of a watch, as a snapshot holds it."""
    return json.loads(json.dumps(watch.save(), allow_nan=False))


def test_a_watch_of_version_1_is_restored_without_loss() -> None:
    """Saved again, every value stands under its key of today."""
    state = RECORDED["state"]
    again = saved(restored(state))
    found = 0
    for *path, value in leaves(state):
        if path[0] in ("version", "rate", "rate_told", "orphans") or path[:2] == ["alarms", GONE]:
            continue
        if value == {}:
            continue  # a part that kept nothing at that time
        if path[-1] == "rise_from":
            value = value or [0, 0.0]  # none was written as []
        assert at(again, tuple(path)) == value, path
        found += 1
    assert found > 1000
    assert again["orphans"].keys() == {GONE}
    assert again["rate"] == {"times_ms": state["rate"], "published": state["rate_told"]}


def test_events_of_version_1_are_completed_in_a_restored_watch() -> None:
    """Every key is there; nothing says to which occurrence an alarm that stands belongs."""
    table = restored(RECORDED["state"]).alarm_table()
    assert len(table) == 11
    for document in table:
        assert document.keys() == EventDocument.__annotations__.keys()
        assert document["occurrence"] is None
    mains = next(d for d in table if d["alarm"] == "room.mains-lost")
    assert mains["when_over"] is not None
    assert mains["when_over"] == mains["advice"]


def test_an_alarm_of_version_1_whose_rule_is_gone_is_cleared() -> None:
    """With the next Resumed, as in the version that saved it."""
    watch = restored(RECORDED["state"])
    at_ms = watch.at_ms + 60_000
    events = watch.feed(Resumed(at_ms, at_ms, "restart", 60_000, "plan")).events
    assert [(e.alarm, e.transition, e.why) for e in events] == [(GONE, "cleared", "rule removed")]


@pytest.mark.parametrize("version", [0, 3, "2", None])
def test_other_versions_are_refused(version: object) -> None:
    """The message names the version; the caller reads the record from its beginning then."""
    with pytest.raises(DewlineError, match=f"version {version!r} cannot be read"):
        restored({**RECORDED["state"], "version": version})


def as_version_1(state: Any) -> Any:
    """A state of today, as version 1 would have saved it."""
    old = {name: renamed_back(part, RENAMED.get(name, {})) for name, part in state.items()}
    for name, new in RENAMED[""].items():
        old[name] = renamed_back(old.pop(new), RENAMED[name])
    rate = old.pop("rate")
    for alarm in old["alarms"].values():
        del alarm["occurrence"], alarm["unannounced"]
        for key in (
            "occurrence",
            "to",
            "off_duty",
            "when_over",
            "stopped_at",
            "stands",
            "last_good",
        ):
            (alarm["told"] or {}).pop(key, None)
    return {**old, "version": 1, "rate": rate["times_ms"], "rate_told": rate["published"]}


def renamed_back(value: Any, names: dict[str, str]) -> Any:
    """A part of a state with the keys of version 1."""
    if not isinstance(value, dict):
        return value
    old = {new: name for name, new in names.items()}
    return {old.get(key, key): renamed_back(inner, names) for key, inner in value.items()}


def story(b: Bench, at_second: Callable[[int], None]) -> list[Event]:
    """An hour with raises, returns, a parent, a shelf, an escalation and a chattering alarm."""
    for second in range(0, 3600, 5):
        at_second(second)
        oxygen = 12.0 if 300 <= second < 900 or second >= 1500 else 1.0
        moisture = 1.0 + second / 600 + (second // 5 % 2) * 3
        b.at(second, oxygen=oxygen, moisture=moisture, pressure=3.0)
        if second == 330:
            b.say("shelve", "low", why="work", for_s=1800)
        if second == 600:
            b.say("acknowledge", "high")
    return b.events


@pytest.mark.long
def test_a_story_goes_on_the_same_from_a_state_of_version_1(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Restored every few minutes from a state of version 1: the same events in every word.

    But for ``occurrence``, which version 1 did not know.
    """
    rules = (
        make_rule("high", "oxygen", Above(10.0), priority="high", on_s=30, off_s=30),
        make_rule("raised", "oxygen", Above(2.0), on_s=10, under=("heron.high",)),
        make_rule("low", "oxygen", Below(5.0)),
        make_rule("damp", "moisture", Above(5.0), deadband=0.5, remind_every_ms=600_000),
        make_rule("often", "moisture", Count(3, 120_000, Above(4.0))),
        make_rule("climbing", "moisture", Rising(2.0, 1_800_000, 0.9)),
    )
    more = {"escalations": (Escalation("desk", "head", 900_000, "high", ("heron",)),)}
    plain = story(bench(*rules, **more), lambda _: None)
    b = bench(*rules, **more)

    def restore(second: int) -> None:
        if second % 205 == 0 and second:
            state = as_version_1(saved(b.watch))
            b.drive.watch = Watch(b.watch.plan)
            b.watch.restore(state)

    assert {e.transition for e in plain} >= {
        *("raised", "returned", "suppressed", "unsuppressed", "shelved", "unshelved"),
        *("escalated", "reminded", "chattering", "acknowledged", "cleared"),
    }
    assert without_occurrence(story(b, restore)) == without_occurrence(plain)


def without_occurrence(events: list[Event]) -> list[dict[str, Any]]:
    """The documents of events, but for one key."""
    return [{k: v for k, v in e.document().items() if k != "occurrence"} for e in events]
