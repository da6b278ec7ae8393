"""A rule whose delay runs is evaluated at every reading, the others only outside the band."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dewline.events import Entry
from dewline.readings import Quality, Reading, Scan
from dewline.replay.drive import Drive
from dewline.watch.conditions.evaluator import RuleEvaluator
from dewline.watch.watch import Watch
from dewline.watch_plan import (
    Above,
    Below,
    Count,
    Guard,
    Outside,
    Reaches,
    Rising,
    RulePlan,
    UnchangedFor,
    WatchPlan,
)
from tests.watch.conftest import Bench

START_MS = 1_772_417_640_000
DELAYED = 10


def a_plan(make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan]) -> WatchPlan:
    """Delays of every length on one signal, one of them guarded, and one that guards another."""
    dry = Guard("heron.moisture", "below", 5.0)
    return make_plan(
        [
            make_rule("plain", "oxygen", Above(8.0)),
            make_rule("slow", "oxygen", Above(4.0), on_s=DELAYED, off_s=7, deadband=1.0),
            make_rule("slower", "oxygen", Above(1.0), on_s=25, off_s=40, deadband=0.2),
            make_rule("band", "oxygen", Outside(0.5, 9.0), on_s=4, off_s=4),
            make_rule("guarded", "oxygen", Above(2.0), on_s=6, off_s=6, only_while=dry),
            make_rule("often", "oxygen", Count(3, 60_000, Above(6.0)), off_s=5),
            make_rule("frozen", "oxygen", UnchangedFor(30_000, None), on_s=5),
            make_rule("climbs", "oxygen", Rising(1.0, 600_000, 0.9), on_s=15),
            make_rule("soon", "oxygen", Reaches(9.5, 3_600_000), on_s=15),
            make_rule("damp", "moisture", Above(3.0), on_s=12, off_s=12),
            make_rule("low", "moisture", Below(0.5), on_s=8),
        ]
    )


LEVELS = st.sampled_from([0.1, 0.6, 0.9, 1.1, 2.5, 3.2, 4.0, 4.5, 6.5, 7.9, 8.1, 9.2])
SPELL = st.tuples(
    LEVELS,
    st.sampled_from([0.3, 0.9, 2.7, 3.1, 4.9, 5.1]),  # moisture
    st.sampled_from([Quality.GOOD] * 9 + [Quality.LOW, Quality.OVER_RANGE, Quality.NO_ANSWER]),
    st.sampled_from([1000] * 8 + [300, 5000, 14_999, 15_000, 20_000]),
    st.integers(1, 30),
)


def told(plan: WatchPlan, spells: Any, *, shut: bool) -> list[Any]:
    """All events and derived readings; ``shut``: every rule is evaluated at every reading."""
    out: list[Any] = []

    def record(entry: Entry) -> None:
        outcome = entry.outcome
        if outcome.events or outcome.readings:
            out.append((entry.seq, [e.document() for e in outcome.events], dict(outcome.readings)))

    drive = Drive(Watch(plan), "full", record)
    if shut:
        for signal in drive.watch._parts.signals.values():
            signal.add_band(lambda: (1.0, 0.0))
    at_ms = START_MS
    for oxygen, moisture, quality, step_ms, scans in spells:
        for n in range(scans):
            at_ms += step_ms
            value = None if quality >= Quality.NO_ANSWER else oxygen + n % 3 / 1000
            readings = {
                "heron.oxygen": Reading(value, quality),
                "heron.moisture": Reading(moisture + n % 4 / 1000, Quality.GOOD),
            }
            drive.feed(Scan(at_ms, at_ms, "panel", readings))
    return out


@pytest.mark.long
@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(spells=st.lists(SPELL, min_size=2, max_size=20))
def test_rules_without_a_running_delay_miss_nothing(
    make_plan: Callable[..., WatchPlan], make_rule: Callable[..., RulePlan], spells: list[Any]
) -> None:
    """The same events follow as if every rule were evaluated at every reading."""
    plan = a_plan(make_plan, make_rule)
    assert told(plan, spells, shut=False) == told(plan, spells, shut=True)


def test_while_one_delay_runs_the_other_rules_are_not_evaluated(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The delay of one rule of three runs: it alone is evaluated at every reading."""
    b = bench(
        make_rule("waits", "oxygen", Above(1.0), on_s=DELAYED),
        make_rule("idle", "oxygen", Above(8.0)),
        make_rule("stands", "oxygen", Above(0.5)),
    )
    b.at(0, oxygen=2.0)
    asked: list[str] = []
    evaluate = RuleEvaluator.evaluate

    def noting(evaluator: RuleEvaluator, at_ms: int) -> bool:
        asked.append(evaluator.kind)
        return evaluate(evaluator, at_ms)

    monkeypatch.setattr(RuleEvaluator, "evaluate", noting)
    for second in range(1, DELAYED):
        b.at(second, oxygen=2.0 + second / 100)
    assert len(asked) == DELAYED - 1
    b.at(DELAYED, oxygen=2.5)
    assert [e.alarm for e in b.events][-1] == "heron.waits"


def test_a_short_stillness_is_raised_in_time_after_a_dip_into_what_is_ignored(
    bench: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Ignored at the minute, above the limit again soon after: due before the next minute."""
    b = bench(make_rule("frozen", "temperature", UnchangedFor(20_000, 1.0)))
    for second in range(70):
        b.at(second, temperature=(2.0 if second < 30 else 0.5) + second / 1000)
    b.hold(70, 110, temperature=2.0)
    assert b.told("frozen") == [(90.0, "raised", "unacknowledged")]
