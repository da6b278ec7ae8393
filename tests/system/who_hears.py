"""Who hears of each built-in rule, under each parent and in each mode: the table and its cells."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, TextIO

import yaml

from dewline.config import load
from dewline.config.profiles import BUILTIN
from dewline.duty import Duty
from dewline.events import Priority
from dewline.readings import parse_iso_utc
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.alarms.suppression import Suppression, duration
from dewline.watch.wiring import Wiring
from dewline.watch_plan import Mode, WatchPlan

NIGHT, NOON = "2026-03-03T03:00:00Z", "2026-03-07T12:00:00Z"  # a Tuesday, a Saturday
STAFF_BACK = {NIGHT: "2026-03-03T08:30:00Z", NOON: "2026-03-09T08:30:00Z"}
SETS = ("inert-box", "inert-box-battery", "inert-box-organometallic")
BUSES = {"a": 5020, "b": 5021}
WEEK = "mon-fri 08:00-18:00"
ONE_DESK: dict[str, Any] = {"desk": {"url_file": "d.url"}}
TWO_DESKS: dict[str, Any] = {
    "day": {"url_file": "a.url", "from_priority": "medium", "hours": WEEK},
    "night": {"url_file": "b.url", "from_priority": "high"},
}
MEDIUM_DESK: dict[str, Any] = {"desk": {"url_file": "d.url", "from_priority": "medium"}}


def plan_of(rule_set: str, contacts: dict[str, Any], folder: Path) -> WatchPlan:
    """A site in which every rule of the set has its signals: a box above the room, one below."""
    registers = yaml.safe_load((BUILTIN / "profiles" / "box-panel.yaml").read_text())["registers"]
    own = {"box_pressure": "pressure", "box_temperature": "temperature"}
    not_of_box = ("supply", "foreline_pressure")
    signals = {
        own.get(r["name"], r["name"]): f"panel.{r['name']}"
        for r in registers
        if r["name"] not in not_of_box
    }
    signals |= {"oxygen": "trace.o2", "moisture": "trace.h2o", "analyzer_on": "trace.analyzer_on"}
    room = ("room_oxygen", "barometer", "mains_present")
    document = {
        "site": "saltmarsh",
        "staffed": WEEK,
        "rule_sets": list(dict.fromkeys(["inert-box", rule_set])),
        "buses": {n: {"modbus_tcp": {"host": "127.0.0.1", "port": p}} for n, p in BUSES.items()},
        "instruments": {
            "panel": {"bus": "a", "profile": "box-panel"},
            "trace": {"bus": "b", "profile": "trace-gas"},
            "air": {"bus": "a", "profile": "room-air"},
        },
        "services": {
            "house": {
                "kind": "house",
                "signals": {"pressure": "panel.supply", "level": "air.room_humidity"},
            },
            "room": {"kind": "room", "signals": {name: f"air.{name}" for name in room}},
        },
        "boxes": {
            "heron": {
                "supply": "house",
                "antechambers": {"large": {"volume": "62 L"}, "small": {"volume": "3 L"}},
                "signals": signals,
            },
            "egret": {"regime": "negative", "signals": {"pressure": "panel.box_pressure"}},
        },
        "mqtt": {},
        "push": {"contacts": contacts},
    }
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document))
    return load(path).plan.watch


class Cell(NamedTuple):
    """Who hears of an alarm that is raised at a time while something may hold it back.

    ``holder``: the mode, the parent, or "" for nothing. ``told``: the contacts who hear at once,
    of it or of the parent that holds it. ``later``: those who hear when staff are back.
    ``longest_ms``: how long a mode holds it at most.
    """

    alarm: str
    priority: Priority
    holder: str
    held: bool
    told: tuple[str, ...]
    later: tuple[str, ...]
    longest_ms: int | None

    @property
    def text(self) -> str:
        """As the table shows it."""
        if self.longest_ms is not None:
            return f"quiet at most {duration(self.longest_ms)}"
        if self.told:
            return ", ".join(self.told) + (" (as the parent)" if self.held else "")
        if self.later:
            return f"{', '.join(self.later)} in the morning"
        return "the record" if self.priority == "low" else "nobody"


class Site:
    """A watch of one plan at one moment, in which alarms and modes are set by hand."""

    def __init__(self, plan: WatchPlan, when: str) -> None:
        self.parts = Wiring(plan)
        self.at_ms, self.back_ms = parse_iso_utc(when), parse_iso_utc(STAFF_BACK[when])
        self.duty = Duty(plan, self.parts.local_time)
        self.suppression = Suppression(self.parts.alarms, self.parts.modes, self.duty)

    def cells(self) -> Iterator[Cell]:
        """Each alarm alone, under each parent while it stands, and in each mode."""
        for alarm in self.parts.alarms.values():
            yield self._cell(alarm, "")
            for parent in alarm.plan.under:
                if parent in self.parts.alarms:
                    yield self._under(alarm, self.parts.alarms[parent])
            for mode, longest_ms in alarm.plan.suppress_while:
                yield self._in_mode(alarm, mode, longest_ms)

    def _under(self, alarm: Alarm, parent: Alarm) -> Cell:
        parent.evaluator.delay.active, parent.state = True, "unacknowledged"
        parent.priority = self.duty.priority(parent.plan, self.at_ms)
        try:
            return self._cell(alarm, parent.plan.alarm)
        finally:
            parent.evaluator.delay.active, parent.state = False, "normal"

    def _in_mode(self, alarm: Alarm, mode: Mode, longest_ms: int) -> Cell:
        box = self.parts.modes.get(alarm.plan.place)
        if box is None:
            return self._cell(alarm, mode)
        box.since[mode] = self.at_ms
        try:
            cell = self._cell(alarm, mode)
        finally:
            del box.since[mode]
        return cell._replace(longest_ms=longest_ms) if cell.held else cell

    def _cell(self, alarm: Alarm, holder: str) -> Cell:
        plan = alarm.plan
        priority = self.duty.priority(plan, self.at_ms)
        hold = self.suppression.hold_of(alarm, self.at_ms)
        speaker = plan if hold is None or hold.under is None else self.parts.plan.rules[hold.under]
        told = self.duty.told(speaker.place, self.duty.priority(speaker, self.at_ms), self.at_ms)
        by_day = self.duty.priority(speaker, self.back_ms)
        later = self.duty.told(speaker.place, by_day, self.back_ms)
        names = tuple(sorted(told)), tuple(sorted(later))
        return Cell(plan.alarm, priority, holder, hold is not None, *names, longest_ms=None)


def table(plan: WatchPlan) -> dict[str, dict[str, list[tuple[str, str]]]]:
    """By alarm and what it says at 03:00 and on Saturday noon: the holders that give that answer.

    ``{alarm: {answer: [(when, holder), ...]}}``.
    """
    found: dict[str, dict[str, list[tuple[str, str]]]] = {}
    for when, name in ((NIGHT, "03:00"), (NOON, "Sat 12:00")):
        for cell in Site(plan, when).cells():
            answers = found.setdefault(cell.alarm, {})
            answers.setdefault(cell.text, []).append((name, cell.holder or "alone"))
    return found


def show(plan: WatchPlan, out: TextIO) -> None:
    """One line an answer: who hears, when and under what."""
    for alarm, answers in table(plan).items():
        print(alarm, file=out)
        for answer, whens in answers.items():
            by: dict[str, list[str]] = {}
            for when, holder in whens:
                by.setdefault(holder.rpartition(".")[2], []).append(when)
            both = [holder for holder, times in by.items() if len(set(times)) == 2]
            one = [f"{holder} ({times[0]})" for holder, times in by.items() if holder not in both]
            print(f"  {answer}: {', '.join([*both, *one])}", file=out)
