"""Finds the causes of alarms: when an alarm is raised, and again while it is active.

Every box is sampled every ten seconds for it. An alarm keeps the cause of its last event; a new
one is published once, as ``cause-changed``, when it was judged twice in a row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from dewline.events import ACTIVE_STATES, UNKNOWN_CAUSE, Cause, Outlook, Transition, Trend
from dewline.readings import Quality, Reading
from dewline.watch.alarms.alarm import Alarm
from dewline.watch.causes import chamber_facts, gas_facts, loop_facts, plant_facts
from dewline.watch.causes.facts import Fact, Facts, Neighbour, Note, View
from dewline.watch.causes.family import (
    BED_ROLES,
    GASES,
    ROOM_ROLES,
    SUPPLY_ROLES,
    Family,
    family_of,
)
from dewline.watch.causes.gas_outlook import gas_outlook
from dewline.watch.causes.history import SAMPLE_MS, History
from dewline.watch.causes.judge import judge
from dewline.watch.causes.names import fact_name
from dewline.watch.causes.shape import Rise, rise_of
from dewline.watch.causes.signs import dose_facts, long_facts, plain_signs, straight_facts
from dewline.watch.causes.standing import MINUTE_MS, Standing, cause_of
from dewline.watch.causes.table import FAMILIES
from dewline.watch.conditions.over_time import Foreseen
from dewline.watch.derived.derive import Derive, DerivedReadings
from dewline.watch.saved import Kept
from dewline.watch.sensors.doubt import Doubt
from dewline.watch.sensors.plausibility import Sensors
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD, FIRST_UNCERTAIN, SignalState
from dewline.watch_plan import DAEMON, WatchPlan

NOTES_KEPT = 20
FEWEST_NIGHTS, LOW_OF_NIGHTS = 3, 14
SURE = 0.8
RAISING: frozenset[Transition] = frozenset({"raised", "unsuppressed", "unshelved"})
LEAST_SILENT_MS = 20_000
DOSE_NEWS_MS = 150_000  # a name has to lead twice, so a dose that is over is looked at twice
FINDERS = (
    *gas_facts.FINDERS,
    *loop_facts.FINDERS,
    *plant_facts.FINDERS,
    *chamber_facts.FINDERS,
    long_facts,
    straight_facts,
)
ANSWER_RULES = ("-silent", "-lost")  # endings of the rules about instruments and buses


class Explain(Kept):
    """The causes of the alarms of a watch. All times are watch times.

    ``due_ms``: when to call ``sample`` next; ``again_ms``: when to call ``rejudge`` next.
    ``_solvent_ms``: by box when solvent was last judged the cause. ``_resumed_ms``: when the
    watch last came back after a gap.
    """

    due_ms: int = 0
    again_ms: int = 0
    _resumed_ms: int | None = None
    _solvent_ms: dict[str, int]
    _notes: dict[str, list[Note]]
    _standing: dict[str, Standing]
    _histories: dict[str, History]

    def __init__(
        self,
        plan: WatchPlan,
        signals: Mapping[str, SignalState],
        modes: Mapping[str, BoxModes],
        derive: Derive,
        sensors: Sensors,
    ) -> None:
        self._plan, self._signals, self._modes = plan, signals, modes
        self._derive, self._sensors = derive, sensors
        self._solvent_ms = {}
        self._notes = {}
        self._standing = {}
        self._histories = {box: History(tracks_of(plan, box, signals)) for box in plan.boxes}
        self._rises: dict[str, dict[str, Rise]] | None = None  # of all boxes, of this item
        self._pending: DerivedReadings = []

    # ---------------------------------------------------------------- time

    def start_item(self) -> None:
        """Drop the rises of the last item.

        They are not kept longer, because a restored watch starts without them and must give the
        same causes.
        """
        self._rises = None

    def sample(self, at_ms: int) -> None:
        """Every ten seconds: sample all boxes."""
        self.due_ms = (at_ms // SAMPLE_MS + 1) * SAMPLE_MS
        for box, history in self._histories.items():
            history.sample(at_ms)
            if history.number % 6 == 0:
                self._add_nights(box, history)

    def _add_nights(self, box: str, history: History) -> None:
        """Take over idle baselines that are new, and publish the lowest of the last ones."""
        for gas in GASES:
            value = self._value(f"{box}.{gas}_idle")
            if value is None:
                continue
            nights = history.nights.get(gas, [])
            if nights and abs(nights[-1] - value) <= 1e-5 * max(1.0, abs(value)):
                continue
            history.add_night(gas, value)
            low = self._signals.get(f"{box}.{gas}_idle_low")
            if low is not None and len(nights) >= FEWEST_NIGHTS:
                lowest = min(nights[-LOW_OF_NIGHTS:])
                self._pending.append((low, Reading(lowest, Quality.GOOD)))

    def fetch_readings(self) -> DerivedReadings:
        """The derived readings since the last call."""
        pending, self._pending = self._pending, []
        return pending

    def resume(self, at_ms: int) -> None:
        """The watch came back after a gap."""
        self._resumed_ms = at_ms
        self.due_ms = 0

    def note(self, box: str, kind: str, at_ms: int) -> None:
        """Take in a note of a person."""
        self._notes[box] = [*self._notes.get(box, []), Note(kind, at_ms)][-NOTES_KEPT:]

    def rejudge(self, at_ms: int, alarms: Mapping[str, Alarm]) -> list[tuple[str, str]]:
        """Every minute: judge active alarms again, as far as they are due.

        Gives the alarms whose new cause is to be published, and its name. An alarm in its off-delay
        or at its end keeps its cause, unless a dose was seen whole that had only begun when the
        alarm was judged before.
        """
        self.again_ms = (at_ms // MINUTE_MS + 1) * MINUTE_MS
        changed = []
        for name, standing in list(self._standing.items()):
            alarm = alarms.get(name)
            if alarm is None or (alarm.state == "normal" and not alarm.active):
                del self._standing[name]
            elif self._is_due(alarm, standing, at_ms):
                cause = self._judge(alarm, at_ms, standing.cause["name"])
                if standing.update(cause):
                    changed.append((name, cause.name))
        return changed

    def trend(self, signal: str) -> Trend | None:
        """Where a signal of a box went in the last minutes; None where it stays or is not known."""
        box, _, role = signal.partition(".")
        history = self._histories.get(box)
        return None if history is None else history.trend(role)

    def _is_due(self, alarm: Alarm, standing: Standing, at_ms: int) -> bool:
        if alarm.state in ACTIVE_STATES and _condition_holds(alarm) and standing.is_due(at_ms):
            return True
        since_ms = self._derive.clock.label(at_ms) - DOSE_NEWS_MS
        return alarm.state in (*ACTIVE_STATES, "returned") and any(
            row.box == alarm.plan.place
            and chamber_facts.is_dose(row)
            and (row.ended_ms or 0) >= since_ms
            for row in self._derive.rows.recent
        )

    # ---------------------------------------------------------------- judging

    def explain(
        self, alarm: Alarm, transition: Transition, at_ms: int
    ) -> tuple[Cause, Outlook | None]:
        """The cause, as last published, and the outlook, as of now, for an event of an alarm.

        The cause of a raise is found at once; an alarm for which none was found has ``unknown``.
        """
        name = alarm.plan.alarm
        if transition in RAISING and alarm.active:
            cause = self._judge(alarm, at_ms)
            self._standing[name] = Standing(at_ms, cause.document(), [cause.name])
        standing = self._standing.get(name)
        if standing is None:
            return UNKNOWN_CAUSE, None
        return cause_of(standing.cause), self._outlook(alarm) if alarm.active else None

    def _judge(self, alarm: Alarm, at_ms: int, previous: str = "") -> Cause:
        family, gas = family_of(alarm.plan)
        box = alarm.plan.place
        if box not in self._histories:
            return self._judge_beyond_boxes(alarm, family, at_ms)
        view = replace(self._view(box, at_ms), about=gas)
        cause = judge(FAMILIES[family], facts_of(view), previous)
        if cause.name == "solvent" and cause.confidence >= SURE:
            self._solvent_ms[box] = at_ms
        return cause

    def _judge_beyond_boxes(self, alarm: Alarm, family: Family, at_ms: int) -> Cause:
        """Judge an alarm of a service or of dewline itself, by the box that draws most gas."""
        place = alarm.plan.place
        if place == DAEMON and not alarm.plan.rule.endswith(ANSWER_RULES):
            return UNKNOWN_CAUSE
        fed = [b.name for b in self._plan.boxes.values() if place in (b.supply, b.purifier)]
        boxes = sorted(fed or self._histories, key=lambda box: -self._drawn(box))
        facts = facts_of(self._view(boxes[0], at_ms)) if boxes else {}
        return judge(FAMILIES[family], facts)

    def _drawn(self, box: str) -> float:
        """Share of the last four hours in which the box's fill was open."""
        return self._histories[box].share_on("fill_valve", 239.0) or 0.0

    def _view(self, box: str, at_ms: int) -> View:
        plan = self._plan.boxes[box]
        rises = self._all_rises()
        return View(
            at_ms,
            plan,
            self._plan.purifiers.get(plan.purifier or ""),
            self._histories[box],
            self._modes[box],
            rises[box],
            neighbours_of(self._plan, box, rises),
            self._notes.get(box, ()),
            [row for row in self._derive.rows.recent if row.box == box],
            [row for row in self._derive.open_rows() if row.box == box],
            self._resumed_ms,
            silent_in(self._plan, self._histories[box], at_ms),
            self._sensors.standing(box),
            solvent_ms=self._solvent_ms.get(box),
            night_loss_l_h=self._value(f"{box}.gas_idle"),
            purges=self._derive.boxes[box].parts.purge_limit,
            wall_ms=self._derive.clock.label(at_ms),
        )

    def _value(self, name: str) -> float | None:
        signal = self._signals.get(name)
        return None if signal is None else signal.value

    def _all_rises(self) -> dict[str, dict[str, Rise]]:
        """The rises of all boxes, computed once an item."""
        if self._rises is None:
            self._rises = {box: rises_in(history) for box, history in self._histories.items()}
        return self._rises

    def _outlook(self, alarm: Alarm) -> Outlook | None:
        """The outlook of an alarm about a gas that rises, or of a rule that foresees its limit.

        None for any other alarm, and where the reading it would stand on is not to be trusted.
        """
        _, gas = family_of(alarm.plan)
        box = alarm.plan.place
        if alarm.signal.quality >= FIRST_UNCERTAIN or not self._believed(box, gas):
            return None
        rise = None if gas is None else self._all_rises().get(box, {}).get(gas)
        condition = alarm.evaluator.condition
        of_rise = rise is not None and alarm.plan.signal == f"{box}.{gas}"
        if isinstance(condition, Foreseen) and not (of_rise and condition.rising):
            return condition.outlook()
        if rise is None:
            return None
        return gas_outlook(alarm.plan, self._plan, self._histories[box], rise)

    def _believed(self, box: str, gas: str | None) -> bool:
        """Whether a gas is read well, and nothing worse than time speaks against its sensor."""
        signal = None if gas is None else self._signals.get(f"{box}.{gas}")
        if gas is None or signal is None:
            return True
        doubt = self._sensors.standing(box).get(gas, Doubt.NONE)
        return signal.quality < FIRST_UNCERTAIN and doubt <= Doubt.NOT_PROVEN


def _condition_holds(alarm: Alarm) -> bool:
    return alarm.active and not alarm.in_off_delay


# ---------------------------------------------------------------- what causes are judged by


def facts_of(view: View) -> Facts:
    """All facts of a box; those made of other facts come last."""
    facts: Facts = {}
    for finder in FINDERS:
        facts.update(finder(view))
    if view.about is not None:
        facts[fact_name(f"about-{view.about}")] = Fact(1.0, f"the alarm is about {view.about}")
    facts.update(dose_facts(view, facts))
    facts.update(plain_signs(view, facts))
    return facts


def tracks_of(
    plan: WatchPlan, box: str, signals: Mapping[str, SignalState]
) -> dict[str, SignalState]:
    """The signals of a box's history: its own, its purifier's, its supply's and the room's.

    By role; those of the supply have ``supply.`` before it.
    """
    prefix = f"{box}."
    found = {
        name.removeprefix(prefix): signal
        for name, signal in signals.items()
        if name.startswith(prefix) and name in plan.signals
    }
    of = plan.boxes[box]
    around = [(of.purifier, BED_ROLES, ""), (of.supply, SUPPLY_ROLES, "supply.")]
    around += [(service, ROOM_ROLES, "") for service in plan.services]
    for place, roles, mark in around:
        for role in roles:
            signal = signals.get(f"{place}.{role}")
            if signal is not None:
                found.setdefault(mark + role, signal)
    return found


def rises_in(history: History) -> dict[str, Rise]:
    """The rises of the trace gases of a box, by gas."""
    found = {
        gas: rise_of(history, gas, history.nights.get(gas, ())) for gas in GASES if history.has(gas)
    }
    return {gas: rise for gas, rise in found.items() if rise is not None}


def neighbours_of(
    plan: WatchPlan, box: str, rises: Mapping[str, Mapping[str, Rise]]
) -> list[Neighbour]:
    """The other boxes of the site, and what they share with ``box``.

    ``rises``: by box and gas.
    """
    of = plan.boxes[box]
    return [
        Neighbour(
            name,
            rises[name],
            of.purifier is not None and of.purifier == other.purifier,
            of.supply is not None and of.supply == other.supply,
        )
        for name, other in plan.boxes.items()
        if name != box
    ]


def silent_in(plan: WatchPlan, history: History, at_ms: int) -> list[str]:
    """The instruments of which no signal of the box or of the room has a reading now.

    A reading counts for 20 s, or as long as its signal may go without one.
    """
    alive: dict[str, bool] = {}
    for track in history.tracks.values():
        signal = track.signal
        known = plan.signals.get(signal.name)
        if known is not None and known.instrument is not None:
            lives = signal.quality < FIRST_BAD and at_ms - signal.alive_ms < max(
                LEAST_SILENT_MS, signal.stale_ms
            )
            alive[known.instrument] = alive.get(known.instrument, False) or lives
    return [name for name, lives in alive.items() if not lives]
