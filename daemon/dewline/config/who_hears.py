"""Who is paged at which hours of a week, and what may hold a page back: what ``check`` says of it.

Found by the same ``duty`` as the watch asks, over one week and one holiday by the clock of the
site, cut wherever hours begin or end.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from dewline.duty import Duty
from dewline.events import PRIORITIES, Priority
from dewline.hours import DAYS, HOLIDAY, Calendar, Hours, LocalTime, Span
from dewline.watch_plan import DAEMON, Mode, RulePlan, WatchPlan

DAY_MIN = 24 * 60
WEEK_MIN = 7 * DAY_MIN
_MONDAY, _HOLIDAY = date(2024, 1, 1), date(2024, 1, 10)  # any week, and any day of another


class Stretch(NamedTuple):
    """Minutes [start, end) of a day of ``DAYS``, in which all hours stay as they are."""

    day: int
    start: int
    end: int

    @property
    def at_ms(self) -> int:
        """A moment in it."""
        day = _HOLIDAY if self.day == HOLIDAY else _MONDAY + timedelta(self.day)
        midnight = datetime(day.year, day.month, day.day, tzinfo=UTC)
        return round((midnight + timedelta(minutes=self.start)).timestamp() * 1000)


@dataclass(frozen=True, slots=True)
class Paged:
    """Who is paged at once for alarms of some places and priorities: the hours, and the contacts.

    No contacts: nobody hears by then; what comes is told when somebody's hours begin.
    """

    places: tuple[str, ...]
    priorities: tuple[Priority, ...]
    who: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What may hold back the page of an alarm.

    ``parents``: each with the hours in which it does, since everybody concerned hears of it;
    ``modes``: each with its longest time in ms.
    """

    alarm: str
    parents: tuple[tuple[str, str], ...]
    modes: tuple[tuple[Mode, int], ...]


class Week:
    """The hours of one plan over a week."""

    def __init__(self, plan: WatchPlan) -> None:
        self._plan = plan
        self._duty = Duty(plan, LocalTime(Calendar(UTC, frozenset({_HOLIDAY}))))
        ends = (m for hours in _all_hours(plan) for span in hours for m in (span.start, span.end))
        cuts = sorted({0, DAY_MIN, *ends})
        days = range(HOLIDAY + 1 if plan.holidays else HOLIDAY)
        edges = list(pairwise(cuts))
        self._stretches = [Stretch(day, *edge) for day in days for edge in edges]

    def paged(self) -> list[Paged]:
        """Who is paged, the places with the same answer together, the most urgent first."""
        answers: dict[tuple[tuple[str, tuple[str, ...]], ...], dict[str, list[Priority]]] = {}
        for place in (*self._plan.boxes, *self._plan.purifiers, *self._plan.services, DAEMON):
            for priority in PRIORITIES:
                of_place = answers.setdefault(self._who(place, priority), {})
                of_place.setdefault(place, []).append(priority)
        rows = []
        for who, of_place in answers.items():
            alike: dict[tuple[Priority, ...], list[str]] = {}
            for place, priorities in of_place.items():
                alike.setdefault(tuple(priorities), []).append(place)
            rows += [Paged(tuple(places), prios, who) for prios, places in alike.items()]
        return sorted(rows, key=lambda row: PRIORITIES.index(row.priorities[0]))

    def _who(self, place: str, priority: Priority) -> tuple[tuple[str, tuple[str, ...]], ...]:
        of_who: dict[frozenset[str], list[Stretch]] = {}
        for stretch in self._stretches:
            told = self._duty.told(place, priority, stretch.at_ms)
            of_who.setdefault(told, []).append(stretch)
        rows = [(_text(hours, self._stretches), tuple(sorted(w))) for w, hours in of_who.items()]
        return tuple(sorted(rows, key=lambda row: (not row[1], row[1])))

    def held_back(self) -> Iterator[HeldBack]:
        """The alarms that page somebody and may be held back, in the order of the plan."""
        for rule in self._plan.rules.values():
            if rule.priority == "critical" or rule.latch or not any(self._calls(rule)):
                continue
            parents = [(p, self._spoken_for(rule, self._plan.rules.get(p))) for p in rule.under]
            held = tuple((p, hours) for p, hours in parents if hours != "never")
            if held or rule.suppress_while:
                yield HeldBack(rule.alarm, held, rule.suppress_while)

    def _calls(self, rule: RulePlan) -> Iterator[frozenset[str]]:
        return (self._called(rule, stretch.at_ms) for stretch in self._stretches)

    def _called(self, rule: RulePlan, at_ms: int) -> frozenset[str]:
        return self._duty.told(rule.place, self._duty.priority(rule, at_ms), at_ms)

    def _spoken_for(self, rule: RulePlan, parent: RulePlan | None) -> str:
        """The hours in which all whom ``rule`` would call hear of its parent."""
        if parent is None:
            return "never"
        calling = [s for s in self._stretches if self._called(rule, s.at_ms)]
        spoken = [
            s for s in calling if self._called(rule, s.at_ms) <= self._called(parent, s.at_ms)
        ]
        return _text(spoken, calling)


def _all_hours(plan: WatchPlan) -> Iterator[Hours]:
    named = [plan.staffed, *(who.hours for who in plan.on_call)]
    for escalation in plan.escalations:
        named += [escalation.hours, escalation.then_hours]
    yield from (hours for hours in named if hours)


def _text(stretches: list[Stretch], of: list[Stretch]) -> str:
    """Stretches as hours are written; ``always`` where they are all there are of them."""
    if not stretches:
        return "never"
    if len(stretches) == len(of):
        return "always"
    of_week = _runs((s for s in stretches if s.day != HOLIDAY), WEEK_MIN)
    spans: dict[tuple[int, int], list[int]] = {}
    for first, last in of_week:
        if last - first <= DAY_MIN:
            spans.setdefault((first % DAY_MIN, last % DAY_MIN), []).append(first // DAY_MIN)
    for first, last in _runs((s._replace(day=0) for s in stretches if s.day == HOLIDAY), DAY_MIN):
        spans.setdefault((first, last % DAY_MIN), []).append(HOLIDAY)
    every = {s.day for s in of}
    short = [
        Span(*minutes, () if every <= set(days) else tuple(days)).text
        for minutes, days in spans.items()
    ]
    return ", ".join([*short, *(_long(*run) for run in of_week if run[1] - run[0] > DAY_MIN)])


def _runs(stretches: Iterable[Stretch], all_min: int) -> list[tuple[int, int]]:
    """Stretches that touch as one, in minutes, also the last and the first of ``all_min``."""
    runs: list[tuple[int, int]] = []
    for day, start, end in stretches:
        first, last = day * DAY_MIN + start, day * DAY_MIN + end
        if runs and runs[-1][1] == first:
            first = runs.pop()[0]
        runs.append((first, last))
    if len(runs) > 1 and (runs[0][0], runs[-1][1]) == (0, all_min):
        runs = [*runs[1:-1], (runs[-1][0], all_min + runs[0][1])]
    return runs


def _long(first: int, last: int) -> str:
    """A run of more than a day: ``fri 18:00 to mon 08:00``."""
    ends = [(minute % WEEK_MIN // DAY_MIN, minute % DAY_MIN) for minute in (first, last)]
    return " to ".join(f"{DAYS[day]} {m // 60:02d}:{m % 60:02d}" for day, m in ends)
