"""Plans in the journal outlive a change of the program: same rules, same document, same hash."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from pathlib import Path

import pytest

from dewline.config import (
    load,
    plan_hash,
    plan_json,
    same_plan,
    watch_plan_from_json,
    watch_plan_to_json,
)
from dewline.config.plan_json import KINDS
from dewline.hours import Span
from dewline.typed_json import TypedJson
from dewline.watch_plan import (
    Above,
    AnalyzerPlan,
    AntechamberPlan,
    BelowOwn,
    BoxPlan,
    Count,
    Escalation,
    Guard,
    OnCall,
    Outside,
    PurifierPlan,
    Reaches,
    RulePlan,
    ServicePlan,
    SignalLimit,
    SignalPlan,
    WatchPlan,
)

DATA = Path(__file__).parent / "data"
RECORDED_HASH = "9e06211d31b71ee7"


@pytest.fixture(name="plan", scope="module")
def plan_fixture() -> WatchPlan:
    """Today's plan of a config that has every kind of condition."""
    return load(DATA / "recorded_plan.yaml").plan.watch


def test_a_document_of_an_older_version_reads_to_the_same_plan(plan: WatchPlan) -> None:
    """It holds every field and was written before ``when_over`` was one; its hash was another.

    Today dewline watches more of itself, and its own alarms have parents more.
    """
    text = (DATA / "recorded_plan.json").read_text("utf-8").strip()
    recorded = watch_plan_from_json(text)
    own = {n: replace(plan.rules[n], under=r.under) for n, r in recorded.rules.items()}
    plan = replace(
        plan,
        signals={name: plan.signals[name] for name in recorded.signals},
        rules={n: own[n] if n.startswith("daemon.") else plan.rules[n] for n in recorded.rules},
    )
    assert recorded == plan
    assert same_plan(recorded, plan)
    assert plan_hash(recorded) == plan_hash(plan) != RECORDED_HASH
    later = {BelowOwn}
    known = {type(rule.condition) for rule in recorded.rules.values()}
    assert known == set(KINDS.values()) - later


def test_what_comes_back_is_what_was_written(plan: WatchPlan) -> None:
    """Order and types included: a journal's plan is used in the place of today's."""
    back = watch_plan_from_json(watch_plan_to_json(plan))
    assert back == plan
    assert watch_plan_to_json(back) == watch_plan_to_json(plan)
    assert {type(rule.under) for rule in back.rules.values()} == {tuple}


def test_a_limit_of_every_form_comes_back(plan: WatchPlan) -> None:
    """A number, a signal, a signal plus a step with what stands in for it; guards that join."""
    held = SignalLimit("heron.pressure_low", -2.0, -1.0)
    guards = (
        Guard("heron.circulating", "above", 0.5),
        Guard("heron.pressure", "between", 1.0, 2.0),
    )
    rule = replace(
        next(iter(plan.rules.values())),
        condition=Count(3, 60_000, Outside(held, "heron.pressure_high")),
        only_while=guards[0],
        and_while=guards[1:],
    )
    other = replace(rule, condition=Reaches(-20.0, 3_600_000, "falling"))
    own = replace(rule, condition=BelowOwn(0.7, "best"))
    changed = replace(plan, rules={"a": rule, "b": other, "c": own})
    assert watch_plan_from_json(watch_plan_to_json(changed)) == changed


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterRule(RulePlan):
    """The rule of a later version, with one more key."""

    snooze_ms: int | None = None


def later(rule: RulePlan, snooze_ms: int | None) -> LaterRule:
    """The same rule as a later version would hold it."""
    return LaterRule(**{f.name: getattr(rule, f.name) for f in fields(rule)}, snooze_ms=snooze_ms)


def test_a_new_field_changes_no_plan_that_does_not_use_it(plan: WatchPlan) -> None:
    """A field with a default is written only where it has another value."""
    wider = replace(plan, rules={name: later(rule, None) for name, rule in plan.rules.items()})
    assert watch_plan_to_json(wider) == watch_plan_to_json(plan)
    assert plan_hash(wider) == plan_hash(plan)
    used = replace(plan, rules={name: later(rule, 60_000) for name, rule in plan.rules.items()})
    assert plan_hash(used) != plan_hash(plan)


@dataclass(frozen=True, slots=True)
class Over:
    """``Above`` as a later version may call it."""

    limit: float | str


def test_a_renamed_class_changes_no_plan(plan: WatchPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    """The name in the document is that of the table of kinds, whatever the class is called."""
    rules = {
        name: replace(rule, condition=Over(rule.condition.limit))  # type: ignore[arg-type] # the later class
        if isinstance(rule.condition, Above)
        else rule
        for name, rule in plan.rules.items()
        if name != "heron.bursts"  # holds an Above of its own
    }
    before = plan_hash(replace(plan, rules={name: plan.rules[name] for name in rules}))
    later_kinds = {**KINDS, "Above": Over}
    monkeypatch.setattr(plan_json, "_JSON", TypedJson(later_kinds, omit_defaults=True))
    assert plan_hash(replace(plan, rules=rules)) == before


def test_every_condition_has_a_fixed_name() -> None:
    """Recorded plans bear these names: a renamed class is written under its old one."""
    names = "Above Below Outside Rising Falling StaleAfter UnchangedFor TrueFor FalseFor"
    assert set(KINDS) == {*names.split(), "Reaches", "AboveOwn", "BelowOwn", "Count"}


SHORTEST = """{"site": "s", "boxes": {"b": {"name": "b"}}, "purifiers": {"p": {"name": "p"}},
"signals": {"b.o": {"name": "b.o", "place": "b", "role": "o", "unit": "ppm"}},
"rules": {"b.r": {"alarm": "b.r", "place": "b", "rule": "r", "signal": "b.o", "unit": "ppm",
    "condition": {"kind": "Above", "limit": 1.5},
    "only_while": {"signal": "b.o", "side": "above", "limit": 0.5}}},
"escalations":
    [{"contact": "x", "then": "y", "after_ms": 1, "from_priority": "high", "places": []}],
"on_call": [{"contact": "x", "from_priority": "high", "places": ["b"]}]}"""


def test_a_field_left_out_means_what_it_meant_when_it_was_written() -> None:
    """Defaults stay for ever: a document that leaves a field out was written under them."""
    box = BoxPlan(
        name="b",
        title="",
        gas="nitrogen",
        regime="positive",
        volume_m3=None,
        purifier=None,
        supply=None,
        refill_from="box",
        antechambers=(),
        analyzers=(),
    )
    rule = RulePlan(
        alarm="b.r",
        place="b",
        rule="r",
        signal="b.o",
        condition=Above(1.5),
        unit="ppm",
        deadband=None,
        on_delay_ms=0,
        off_delay_ms=0,
        priority="medium",
        night=None,
        latch=False,
        acknowledge="required",
        suppress_while=(),
        under=(),
        only_while=Guard("b.o", "above", 0.5, high=None),
        remind_every_ms=None,
        advice=None,
        when_over=None,
        caution=None,
    )
    purifier = PurifierPlan(
        name="p", beds=1, flow_m3_h=None, oxygen_capacity_l=None, water_capacity_kg=None
    )
    signal = SignalPlan(
        "b.o", "b", "o", "ppm", instrument=None, bus=None, every_ms=1000, reference=None
    )
    assert watch_plan_from_json(SHORTEST) == WatchPlan(
        site="s",
        timezone="UTC",
        staffed=None,
        boxes={"b": box},
        services={},
        purifiers={"p": purifier},
        signals={"b.o": signal},
        rules={"b.r": rule},
        escalations=(Escalation("x", "y", 1, "high", (), hours=None),),
        on_call=(OnCall("x", "high", ("b",), hours=None),),
    )


def test_any_name_may_be_given_to_a_box() -> None:
    """A box, a purifier or a service may be called as a key of the document is."""
    plan = WatchPlan(
        site="kind",
        boxes={
            "kind": BoxPlan(
                name="kind",
                antechambers=(AntechamberPlan("kind", 0.1, 3, 5.0),),
                analyzers=(AnalyzerPlan("oxygen", "Above", "box", 0.2),),
            )
        },
        services={"kind": ServicePlan(name="kind", kind="Count")},
        purifiers={"kind": PurifierPlan(name="kind")},
    )
    assert watch_plan_from_json(watch_plan_to_json(plan)) == plan


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "1",
        "null",
        "[]",
        "{}",
        '{"site": "s", "rules": {"r": {}}}',
        SHORTEST.replace('"Above"', '"Beyond"'),
        SHORTEST.replace('"kind": "Above", ', ""),
    ],
)
def test_what_is_no_plan_is_refused(text: str) -> None:
    """A condition of an unknown kind included: it must not be read as another one."""
    with pytest.raises(ValueError, match=r"plan|kind|JSON|Expecting"):
        watch_plan_from_json(text)


def with_rule(plan: WatchPlan, rule: RulePlan) -> WatchPlan:
    return replace(plan, rules={**plan.rules, rule.alarm: rule})


def test_the_same_plan(plan: WatchPlan) -> None:
    """Another limit, another order or one rule less is another plan."""
    rule = plan.rules["heron.low"]
    assert same_plan(plan, replace(plan))
    assert not same_plan(plan, with_rule(plan, replace(rule, on_delay_ms=1)))
    assert not same_plan(plan, with_rule(plan, replace(rule, advice="Look.")))
    fewer = {name: rule for name, rule in plan.rules.items() if name != "heron.low"}
    assert not same_plan(plan, replace(plan, rules=fewer))
    assert not same_plan(replace(plan, rules=fewer), plan)
    turned = replace(plan, rules=dict(reversed(plan.rules.items())))
    assert turned == plan
    assert not same_plan(turned, plan)


def test_an_older_record_cannot_hold_what_remains_after_an_end(plan: WatchPlan) -> None:
    """``when_over`` in today's config alone leaves the plan the same; two of them must agree."""
    rule = plan.rules["heron.low"]
    today = with_rule(plan, replace(rule, when_over="When gas is back, fill the box."))
    assert same_plan(plan, today)
    assert same_plan(today, today)
    assert not same_plan(today, plan)
    assert not same_plan(with_rule(plan, replace(rule, when_over="Note it.")), today)


def test_hours_of_an_older_document_are_one_span_of_every_day() -> None:
    """Two minutes each, for the site, an escalation and a contact: the same plan as today's."""
    old = (
        '{"site":"s","staffed":[480,1080],'
        '"escalations":[{"contact":"x","then":"y","after_ms":1,"from_priority":"high","places":[],'
        '"hours":[1140,420]},{"contact":"y","then":"z","after_ms":1,"from_priority":"high",'
        '"places":[]}],"on_call":[{"contact":"x","from_priority":"high","places":["b"],'
        '"hours":[0,0]}]}'
    )
    plan = watch_plan_from_json(old)
    assert plan.staffed == (Span(480, 1080),)
    assert [e.hours for e in plan.escalations] == [(Span(1140, 420),), None]
    assert plan.on_call[0].hours == (Span(0, 0),)
    assert watch_plan_from_json(watch_plan_to_json(plan)) == plan
    days = replace(plan, staffed=(Span(480, 1080, (0, 4)),), holidays=("2026-12-25",))
    assert watch_plan_from_json(watch_plan_to_json(days)) == days
