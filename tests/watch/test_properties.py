"""Random nights: laws that hold whatever comes in."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from dewline.events import Entry
from dewline.hours import Span
from dewline.readings import Command, CommandName, Quality, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import (
    Above,
    AntechamberPlan,
    Below,
    BoxPlan,
    Count,
    Escalation,
    FalseFor,
    Guard,
    OnCall,
    Outside,
    Rising,
    RulePlan,
    SignalPlan,
    StaleAfter,
    TrueFor,
    UnchangedFor,
    WatchPlan,
)
from tests.watch.state_diagram import LEGAL, REMARKS

pytestmark = pytest.mark.long

START_MS = 1_772_417_640_000
BITS = ("purging", "circulating", "analyzer_on", "large_inner_door", "large_evacuating")
ROLES = ("oxygen", "moisture", "pressure", "pressure_high", "blower_speed", *BITS)
LATCH = "heron.latching"
LATCH_LIMIT = 10.0


def a_rule(name: str, role: str, condition: Any, **more: Any) -> RulePlan:
    return RulePlan(
        alarm=f"heron.{name}",
        place="heron",
        rule=name,
        signal=f"heron.{role}",
        condition=condition,
        unit="",
        **more,
    )


def a_plan(*, fewer: bool = False) -> WatchPlan:
    """A box with a rule of every kind; ``fewer`` is the plan after a reload."""
    rules = [
        a_rule("high", "oxygen", Above(10.0), deadband=2.0, on_delay_ms=3000, off_delay_ms=4000),
        a_rule("very-high", "oxygen", Above(50.0), priority="critical", remind_every_ms=60_000),
        a_rule("milder", "oxygen", Above(9.9), deadband=1.0, under=("heron.very-high",)),
        a_rule("waits", "pressure", Above(9.0), priority="high", night="low"),
        a_rule("latching", "moisture", Above(LATCH_LIMIT), latch=True, priority="high"),
        a_rule("auto", "oxygen", Above(5.0), acknowledge="auto", under=("heron.stopped",)),
        a_rule("stopped", "circulating", FalseFor(20_000), off_delay_ms=5000),
        a_rule("child", "moisture", Above(5.0), under=("heron.stopped", "heron.stale")),
        a_rule("stale", "moisture", StaleAfter(15_000), on_delay_ms=5000),
        a_rule("frozen", "pressure", UnchangedFor(30_000, 0.5)),
        a_rule("range", "pressure", Outside(-5.0, "heron.pressure_high"), deadband=1.0),
        a_rule("dips", "pressure", Count(3, 60_000, Below(0.0))),
        a_rule("muted", "oxygen", Above(8.0), suppress_while=(("purging", 40_000),)),
        a_rule("purge-long", "purging", TrueFor(30_000)),
        a_rule("climbing", "oxygen", Rising(100.0, 60_000, 0.9), off_delay_ms=5000),
        a_rule(
            "guarded", "oxygen", Above(9.0), only_while=Guard("heron.circulating", "above", 0.5)
        ),
        a_rule(
            "guarded-stale",
            "oxygen",
            StaleAfter(10_000),
            only_while=Guard("heron.analyzer_on", "above", 0.5),
        ),
    ]
    flood = RulePlan(
        alarm="daemon.alarm-flood",
        place="daemon",
        rule="alarm-flood",
        signal="daemon.alarm-rate",
        condition=Above(10.0),
        unit="",
        deadband=5.0,
    )
    if fewer:
        rules = [r for r in rules if r.rule not in ("auto", "child", "dips")]
    signals = {f"heron.{r}": SignalPlan(f"heron.{r}", "heron", r, "ppm", "i", "b") for r in ROLES}
    signals["daemon.alarm-rate"] = SignalPlan("daemon.alarm-rate", "daemon", "alarm-rate", "")
    chamber = AntechamberPlan("large", 0.06, 3, 5.0)
    return WatchPlan(
        site="saltmarsh",
        boxes={"heron": BoxPlan(name="heron", antechambers=(chamber,))},
        signals=signals,
        rules={r.alarm: r for r in [*rules, flood]},
        # It is 02:14; half the desks are off duty for 16 minutes more.
        staffed=(Span(150, 600),),
        escalations=(
            Escalation("desk", "head", 50_000, "medium", ("heron",)),
            Escalation("late", "head", 50_000, "low", ("heron",), (Span(150, 600),)),
            Escalation("head", "chief", 20_000, "low", ("heron",), (Span(150, 600),)),
        ),
        on_call=(
            OnCall("desk", "medium", ("heron",)),
            OnCall("late", "low", ("heron",), (Span(150, 600),)),
        ),
    )


PLANS = {"full": a_plan(), "fewer": a_plan(fewer=True)}
ALARMS = sorted(PLANS["full"].rules)

VALUES = st.sampled_from([0.0, 0.4, 1.0, 4.0, 5.5, 7.9, 9.5, 11.0, 60.0, -1.0, -7.0, 60_000.0])
QUALITIES = st.sampled_from(
    [Quality.GOOD] * 8
    + [Quality.LOW, Quality.OVER_RANGE, Quality.UNDER_RANGE, Quality.WARMING_UP]
    + [Quality.UNPROVEN, Quality.NO_ANSWER, Quality.NOT_A_NUMBER]
)


@st.composite
def readings(draw: st.DrawFn) -> dict[str, Reading]:
    """Some of the box's signals, most of them good."""
    roles = draw(st.lists(st.sampled_from(ROLES), min_size=1, max_size=4, unique=True))
    out = {}
    for role in roles:
        quality = draw(QUALITIES)
        values = st.sampled_from([0.0, 1.0]) if role in BITS else VALUES
        value = draw(values) if quality < 20 else None
        out[f"heron.{role}"] = Reading(value, quality)
    return out


STEPS_MS = st.sampled_from([0, 300, 1000, 1000, 1000, 2500, 7000, 20_000, 45_000])
COMMANDS = st.sampled_from(
    ["acknowledge", "shelve", "unshelve", "out-of-service", "return-to-service", "reset"]
)


class Night(RuleBasedStateMachine):
    """A night with its own record of states, shelves and the latch, made from the events."""

    @initialize()
    def open(self) -> None:
        self.drive = Drive(Watch(PLANS["full"]), "full", self.record, PLANS.get)
        self.at_ms = START_MS
        self.states: dict[str, str] = dict.fromkeys(ALARMS, "normal")
        self.shelves: dict[str, int] = {}
        self.latch_set = False
        self.off = False
        self.warm_ms = 0
        self.seq = 0
        self.ids: set[str] = set()

    def record(self, entry: Entry) -> None:
        for event in entry.outcome.events:
            self.seq += 1
            assert event.seq == self.seq
            assert event.id not in self.ids
            self.ids.add(event.id)
            move = (self.states[event.alarm], event.transition, event.state)
            if event.transition in REMARKS:
                assert move[0] == move[2]
            else:
                assert move in LEGAL, f"{event.alarm}: {move}"
            self.states[event.alarm] = event.state
            self.book(event)
            json.dumps(event.document(), allow_nan=False)

    def book(self, event: Any) -> None:
        if event.transition == "shelved":
            self.shelves[event.alarm] = event.until_ms
        elif event.transition == "unshelved" or event.why == "rule removed":
            self.shelves.pop(event.alarm, None)
        if event.alarm == LATCH and event.transition == "reset":
            self.latch_set = False

    @rule(values=readings(), step_ms=STEPS_MS)
    def scan(self, values: dict[str, Reading], step_ms: int) -> None:
        self.at_ms += step_ms
        moisture = values.get("heron.moisture")
        open_gate = self.gate_open(values)
        if open_gate and moisture is not None and moisture.value is not None:
            counts = moisture.quality < 10 or moisture.quality == Quality.OVER_RANGE
            self.latch_set = self.latch_set or (counts and moisture.value > LATCH_LIMIT)
        self.drive.feed(Scan(self.at_ms, self.at_ms, "panel", values))

    def gate_open(self, values: dict[str, Reading]) -> bool:
        """Its own view of analyzer_on: off, then 15 min of warming up."""
        switch = values.get("heron.analyzer_on")
        if switch is not None and switch.value is not None and switch.quality < 10:
            if switch.value < 0.5:
                self.off = True
            elif self.off:
                self.off = False
                self.warm_ms = self.at_ms + 900_000
        return not self.off and self.at_ms >= self.warm_ms

    @rule(value=VALUES, count=st.integers(2, 40))
    def steady(self, value: float, count: int) -> None:
        """The same oxygen, once a second."""
        for n in range(count):
            self.scan({"heron.oxygen": Reading(value + n % 3 / 100, Quality.GOOD)}, 1000)

    @rule(step_ms=STEPS_MS)
    def wait(self, step_ms: int) -> None:
        self.at_ms += step_ms
        self.drive.tick_to(self.at_ms)

    @rule(
        name=COMMANDS,
        alarm=st.sampled_from(ALARMS),
        for_s=st.sampled_from([None, 5.0, 60.0, 1e6]),
        why=st.sampled_from([None, "work"]),
    )
    def command(self, name: Any, alarm: str, for_s: float | None, why: str | None) -> None:
        item = Command(self.at_ms, self.at_ms, "socket", name, "mara", alarm, for_s, why)
        reply = self.drive.feed(item).reply
        assert reply is not None
        assert reply.ok == (reply.event_id is not None)
        assert reply.message

    @rule(kind=st.sampled_from(["opened", "solvent", "gloves", "filter"]))
    def note(self, kind: str) -> None:
        item = Command(
            self.at_ms, self.at_ms, "socket", "note", "mara", box="heron", kind=kind, why="x"
        )
        reply = self.drive.feed(item).reply
        assert reply is not None
        assert reply.ok

    @rule(kind=st.sampled_from(["opened", "maintenance"]), for_s=st.sampled_from([60.0, 3600.0]))
    def plan_work(self, kind: str, for_s: float) -> None:
        """Announce work, and perhaps end it before its time."""
        names: tuple[CommandName, ...] = ("planned", "planned-end")
        for name in names if for_s > 60.0 else names[:1]:
            item = Command(
                self.at_ms,
                self.at_ms,
                "socket",
                name,
                "mara",
                box="heron",
                kind=kind,
                for_s=for_s,
            )
            reply = self.drive.feed(item).reply
            assert reply is not None
            assert reply.ok

    @rule(alarm=st.sampled_from(ALARMS))
    def see(self, alarm: str) -> None:
        """Acknowledge and reset, as often as it takes."""
        self.command("acknowledge", alarm, None, None)
        self.command("reset", alarm, None, None)

    @rule(gap_ms=st.sampled_from([0, 1500, 70_000, 900_000]))
    def restart(self, gap_ms: int) -> None:
        self.freeze()
        self.at_ms += gap_ms
        plan = self.drive.plan_hash
        self.drive.feed(Resumed(self.at_ms, self.at_ms, "restart", gap_ms, plan))

    @rule()
    def reload(self) -> None:
        other = "fewer" if self.drive.plan_hash == "full" else "full"
        self.drive.feed(Resumed(self.at_ms, self.at_ms, "reload", 0, other))

    @precondition(lambda self: hasattr(self, "drive"))
    @rule()
    def freeze(self) -> None:
        state = json.loads(json.dumps(self.drive.watch.save(), allow_nan=False))
        watch = Watch(self.drive.watch.plan)
        watch.restore(state)
        assert json.dumps(watch.save()) == json.dumps(state)
        self.drive.watch = watch

    @invariant()
    def shelves_end(self) -> None:
        """No shelf lasts longer than to the first tick after its end."""
        for alarm, until_ms in self.shelves.items():
            assert until_ms > self.at_ms - 1000, alarm

    @invariant()
    def latch_is_kept(self) -> None:
        """Once set, the latching alarm is never normal until somebody has reset it."""
        if self.latch_set:
            assert self.states[LATCH] != "normal"

    @invariant()
    def table_agrees_with_the_events(self) -> None:
        """alarm_table agrees with the events."""
        table = {row["alarm"]: row["state"] for row in self.drive.watch.alarm_table()}
        assert table == {a: s for a, s in self.states.items() if s != "normal"}


Night.TestCase.settings = settings(
    max_examples=40,
    stateful_step_count=60,
    suppress_health_check=list(HealthCheck),
)
TestNight = pytest.mark.filterwarnings("error")(Night.TestCase)


@st.composite
def programs(draw: st.DrawFn) -> list[tuple[str, Any, int]]:
    """A list of what happens, as data, so that it can be run twice."""
    step = st.one_of(
        st.tuples(st.just("scan"), readings(), STEPS_MS),
        st.tuples(st.just("steady"), VALUES, st.integers(2, 40)),
        st.tuples(st.just("wait"), st.none(), STEPS_MS),
        st.tuples(st.just("say"), st.tuples(COMMANDS, st.sampled_from(ALARMS)), STEPS_MS),
        st.tuples(st.just("restart"), st.none(), STEPS_MS),
        st.tuples(st.just("reload"), st.sampled_from(["full", "fewer"]), STEPS_MS),
    )
    return draw(st.lists(step, min_size=5, max_size=40))


class Run:
    """Runs a program; ``freezing`` saves and restores before every single item."""

    def __init__(self, freezing: bool) -> None:
        self.freezing = freezing
        self.out: list[Any] = []
        self.drive = Drive(Watch(PLANS["full"]), "full", self.record, PLANS.get)
        self.at_ms = START_MS

    def record(self, entry: Entry) -> None:
        outcome = entry.outcome
        self.out.append(([e.document() for e in outcome.events], dict(outcome.readings)))

    def feed(self, item: Scan | Command | Resumed) -> None:
        if self.freezing:
            self.freeze()
        self.drive.feed(item)

    def freeze(self) -> None:
        state = json.loads(json.dumps(self.drive.watch.save(), allow_nan=False))
        self.drive.watch = Watch(self.drive.watch.plan)
        self.drive.watch.restore(state)

    def step(self, kind: str, what: Any, number: int) -> None:
        if kind == "steady":
            for n in range(number):
                self.at_ms += 1000
                reading = {"heron.oxygen": Reading(what + n % 3 / 100, Quality.GOOD)}
                self.feed(Scan(self.at_ms, self.at_ms, "panel", reading))
            return
        self.at_ms += number
        at_ms = self.at_ms
        if kind == "scan":
            self.feed(Scan(at_ms + 7, at_ms, "panel", what))
        elif kind == "wait":
            for ms in range(self.drive.at_ms or at_ms, at_ms, 500):
                self.drive.tick_to(ms)
                if self.freezing:
                    self.freeze()
            self.drive.tick_to(at_ms)
        elif kind == "say":
            name, alarm = what
            self.feed(Command(at_ms, at_ms, "socket", name, "mara", alarm, 30.0, "work"))
        elif kind == "restart":
            self.feed(Resumed(at_ms, at_ms, "restart", number, self.drive.plan_hash))
        else:
            self.feed(Resumed(at_ms, at_ms, "reload", 0, what))


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(programs())
def test_saved_and_restored_at_every_point_gives_the_same_events(
    program: list[tuple[str, Any, int]],
) -> None:
    """save -> JSON -> restore before every item changes no event, no reading, no id."""
    straight, frozen = Run(False), Run(True)
    for step in program:
        straight.step(*step)
        frozen.step(*step)
    assert straight.out == frozen.out
    assert json.dumps(straight.drive.watch.save()) == json.dumps(frozen.drive.watch.save())


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(programs())
def test_bands_change_no_event(program: list[tuple[str, Any, int]]) -> None:
    """A band is only a short cut: with every band empty the same events follow."""
    fast, slow = Run(False), Run(False)
    for step in program:
        for signal in slow.drive.watch._parts.signals.values():
            signal.add_band(lambda: (1.0, 0.0))
            signal.update_band(slow.drive.watch.at_ms)
        fast.step(*step)
        slow.step(*step)
    assert fast.out == slow.out
