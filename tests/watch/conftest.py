"""A watch on a bench: one box of an invented lab, times in seconds, items fed through Drive."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import pytest

from dewline.events import Entry, Event, Outcome
from dewline.readings import Command, Quality, Reading, Resumed, Scan, Verdict
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline.watch_plan import (
    AntechamberPlan,
    BoxPlan,
    ConditionPlan,
    Escalation,
    PurifierPlan,
    RulePlan,
    SignalPlan,
    WatchPlan,
)

START_MS = 1_772_417_640_000  # 2026-03-02T02:14:00Z, a whole second
UNITS = {
    "oxygen": "ppm",
    "moisture": "ppm",
    "pressure": "mbar",
    "pressure_low": "mbar",
    "pressure_high": "mbar",
    "temperature": "degC",
    "blower_speed": "%",
}
BITS = (
    *("purging", "circulating", "regenerating", "analyzer_on", "fill_valve"),
    *("large_inner_door", "large_outer_door", "large_evacuating", "large_refilling"),
)


def signal(name: str, unit: str, every_ms: int = 1000) -> SignalPlan:
    """A measured signal ``place.role``."""
    place, role = name.split(".")
    return SignalPlan(name, place, role, unit, instrument="panel", bus="one", every_ms=every_ms)


def rule(alarm: str, role: str, condition: ConditionPlan, **more: Any) -> RulePlan:
    """A rule of ``heron``; ``on_s`` and ``off_s`` are its delays in seconds."""
    place = more.pop("place", "heron")
    return RulePlan(
        alarm=f"{place}.{alarm}",
        place=place,
        rule=alarm,
        signal=f"{place}.{role}",
        condition=condition,
        unit=more.pop("unit", ""),
        on_delay_ms=round(more.pop("on_s", 0) * 1000),
        off_delay_ms=round(more.pop("off_s", 0) * 1000),
        **more,
    )


def plan_of(
    rules: Iterable[RulePlan],
    escalations: Iterable[Escalation] = (),
    extra: Iterable[SignalPlan] = (),
    **more: Any,
) -> WatchPlan:
    """Box heron with all its signals, its purifier p1 and the reserved box daemon."""
    signals = [signal(f"heron.{role}", unit) for role, unit in UNITS.items()]
    signals += [signal(f"heron.{bit}", "") for bit in BITS]
    signals += [signal("p1.regenerating", ""), signal("daemon.one-link", ""), *extra]
    chamber = AntechamberPlan("large", 0.062, 3, 5.0)
    return WatchPlan(
        site="saltmarsh",
        boxes={"heron": BoxPlan(name="heron", purifier="p1", antechambers=(chamber,))},
        purifiers={"p1": PurifierPlan(name="p1")},
        signals={s.name: s for s in signals},
        rules={r.alarm: r for r in rules},
        escalations=tuple(escalations),
        **more,
    )


class Bench:
    """Feeds a watch by the second and keeps what it said."""

    def __init__(self, plan: WatchPlan) -> None:
        self.plans = {"plan": plan}
        self.events: list[Event] = []
        self.verdicts: list[Verdict] = []
        self.derived: list[tuple[float, str, float | None]] = []
        self.drive = Drive(Watch(plan), "plan", self._record, self.plans.get)
        self.now_s = 0.0

    @property
    def watch(self) -> Watch:
        return self.drive.watch

    def _record(self, entry: Entry) -> None:
        self.events += entry.outcome.events
        self.verdicts += entry.outcome.verdicts
        at_s = 0.0 if self.drive.at_ms is None else (self.drive.at_ms - START_MS) / 1000
        self.derived += [(at_s, name, r.value) for name, r in entry.outcome.readings.items()]

    def at(
        self, seconds: float, box: str = "heron", /, **values: float | Reading | None
    ) -> Outcome:
        """A scan of ``role=value`` pairs; None is no answer."""
        return self.scan(seconds, {f"{box}.{role}": value for role, value in values.items()})

    def scan(self, seconds: float, values: Mapping[str, float | Reading | None]) -> Outcome:
        self.now_s = seconds
        at_ms = START_MS + round(seconds * 1000)
        readings = {name: _reading(value) for name, value in values.items()}
        return self.drive.feed(Scan(at_ms, at_ms, "panel", readings))

    def hold(self, start_s: int, stop_s: int, **values: float | Reading | None) -> None:
        """The same scan once a second in [start, stop)."""
        for second in range(start_s, stop_s):
            self.at(second, **values)

    def wait(self, until_s: float) -> None:
        """Only ticks until then."""
        self.now_s = until_s
        self.drive.tick_to(START_MS + round(until_s * 1000))

    def say(self, command: Any, alarm: str | None = None, **more: Any) -> Any:
        """A command now; gives its reply."""
        at_ms = START_MS + round(self.now_s * 1000)
        by = more.pop("by", "mara")
        if alarm is not None:
            alarm = alarm if "." in alarm else f"heron.{alarm}"
        item = Command(at_ms, at_ms, "socket", command, by, alarm, **more)
        return self.drive.feed(item).reply

    def resume(
        self, seconds: float, reason: Any, gap_s: float = 0, plan: WatchPlan | None = None
    ) -> Outcome:
        """Go on after a start, restart or reload, under a new plan if one is given."""
        self.now_s = seconds
        name = self.drive.plan_hash
        if plan is not None:
            name = f"plan{len(self.plans)}"
            self.plans[name] = plan
        at_ms = START_MS + round(seconds * 1000)
        return self.drive.feed(Resumed(at_ms, at_ms, reason, round(gap_s * 1000), name))

    def freeze(self) -> None:
        """Put the watch through save, JSON and restore, as a snapshot does."""
        state = json.loads(json.dumps(self.watch.save(), allow_nan=False))
        self.drive.watch = Watch(self.watch.plan)
        self.drive.watch.restore(state)

    def told(self, alarm: str | None = None) -> list[tuple[float, str, str]]:
        """(second, transition, state) of every move so far, of one alarm or all.

        A cause judged anew moves no alarm.
        """
        full = alarm if alarm is None or "." in alarm else f"heron.{alarm}"
        return [
            ((e.at_ms - START_MS) / 1000, e.transition, e.state)
            for e in self.events
            if (full is None or e.alarm == full) and e.transition != "cause-changed"
        ]


def _reading(value: float | Reading | None) -> Reading:
    if isinstance(value, Reading):
        return value
    return Reading(value, Quality.GOOD if value is not None else Quality.NO_ANSWER)


@pytest.fixture
def make_rule() -> Callable[..., RulePlan]:
    """Builds a rule of heron."""
    return rule


@pytest.fixture
def make_plan() -> Callable[..., WatchPlan]:
    """Builds a plan for the given rules."""
    return plan_of


@pytest.fixture
def make_signal() -> Callable[..., SignalPlan]:
    """Builds a measured signal."""
    return signal


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """Builds a bench on the given rules."""

    def build(*rules: RulePlan, **more: Any) -> Bench:
        return Bench(plan_of(rules, **more))

    return build
