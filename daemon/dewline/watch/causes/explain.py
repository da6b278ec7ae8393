"""Explains alarms: samples every box, judges when an alarm is raised and again while it stands.

An alarm keeps the cause it was last told with. A new first name is told once,
as ``cause-changed``, when it has led for two looks in a row.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from dewline.events import UNKNOWN_CAUSE, Cause, Outlook, Transition
from dewline.readings import Quality, Reading
from dewline.watch.alarms.view import AlarmView
from dewline.watch.causes.facts import Fact, Facts, Neighbour, View, gather
from dewline.watch.causes.family import BED_ROLES, ROOM_ROLES, SUPPLY_ROLES, family_of, limit_of
from dewline.watch.causes.gas_facts import gas_facts, ratio_facts, source_facts
from dewline.watch.causes.history import SAMPLE_MS, History
from dewline.watch.causes.judge import UNKNOWN, judge
from dewline.watch.causes.loop_facts import bed_facts, loop_facts, speed_facts, stop_facts
from dewline.watch.causes.plant_facts import (
    chamber_facts,
    comb_facts,
    common_facts,
    night_facts,
    note_facts,
    pressure_facts,
    room_facts,
    supply_facts,
)
from dewline.watch.causes.shape import Rise, rise_of
from dewline.watch.causes.signs import dose_facts, long_facts, plain_signs
from dewline.watch.causes.table import FAMILIES
from dewline.watch.derived.derive import Derive, DerivedReadings
from dewline.watch.derived.forecast import clean, reach
from dewline.watch.signals.modes import BoxModes
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState
from dewline.watch_plan import DAEMON, WatchPlan

MINUTE_MS = 60_000
# How long after a raise a cause is looked at anew every so many minutes; then every 15.
OFTEN = ((12 * MINUTE_MS, 1), (120 * MINUTE_MS, 5))
SELDOM = 15
NOTES_KEPT = 20
FEWEST_NIGHTS = 3
SURE = 0.8
FINDERS = (
    gas_facts, ratio_facts, source_facts, loop_facts, stop_facts, speed_facts, bed_facts,
    pressure_facts, supply_facts, comb_facts, chamber_facts, room_facts, note_facts,
    night_facts, common_facts, long_facts,
)  # fmt: skip
ANEW: frozenset[Transition] = frozenset({"raised", "unsuppressed", "unshelved"})
STANDS = frozenset({"unacknowledged", "acknowledged"})


class Standing:
    """What is held of one alarm's cause."""

    __slots__ = ("cause", "led", "raised_ms", "told")

    def __init__(self, at_ms: int) -> None:
        self.cause: Cause = UNKNOWN_CAUSE
        self.raised_ms = at_ms
        self.told: list[str] = []  # first names told so far
        self.led = 0  # looks in a row in which another name led

    def save(self) -> dict[str, Any]:
        return {
            "cause": self.cause.document(),
            "raised_ms": self.raised_ms,
            "told": list(self.told),
            "led": self.led,
        }

    @classmethod
    def restored(cls, state: Mapping[str, Any]) -> Standing:
        self = cls(state["raised_ms"])
        cause = state["cause"]
        self.cause = Cause(
            cause["name"],
            cause["confidence"],
            tuple(cause["or"]),
            tuple(cause["evidence"]),
            cause["tell_apart"],
        )
        self.told, self.led = list(state["told"]), state["led"]
        return self


class Explain:
    """One for a watch. ``sample`` every ten seconds, ``rejudge`` every minute."""

    def __init__(
        self,
        plan: WatchPlan,
        signals: Mapping[str, SignalState],
        modes: Mapping[str, BoxModes],
        derive: Derive,
    ) -> None:
        self._plan, self._signals, self._modes, self._derive = plan, signals, modes, derive
        self._histories = {box: History(self._tracks(box)) for box in plan.boxes}
        self._standing: dict[str, Standing] = {}
        self._notes: dict[str, list[list[Any]]] = {}
        self._solvent_ms: dict[str, int] = {}  # when solvent was last named first, by box
        self._resumed_ms: int | None = None
        self.doubts: Mapping[str, Mapping[str, str]] = {}  # box, gas -> why its reading is doubted
        self._rises: dict[str, dict[str, Rise]] | None = None  # of the item at hand
        self._told: DerivedReadings = []
        self.due_ms = 0
        self.again_ms = 0  # when alarms that stand are looked at again

    def _tracks(self, box: str) -> dict[str, SignalState]:
        """Roles of the box, its purifier, its supply (``supply.``) and the room."""
        plan = self._plan.boxes[box]
        found: dict[str, SignalState] = {}
        prefix = f"{box}."
        for name, signal in self._signals.items():
            if name.startswith(prefix) and name in self._plan.signals:
                found[name.removeprefix(prefix)] = signal
        around = [(plan.purifier, BED_ROLES, ""), (plan.supply, SUPPLY_ROLES, "supply.")]
        around += [(service, ROOM_ROLES, "") for service in self._plan.services]
        for place, roles, mark in around:
            for role in roles:
                slot_ = self._signals.get(f"{place}.{role}")
                if slot_ is not None:
                    found.setdefault(mark + role, slot_)
        return found

    # ---------------------------------------------------------------- time

    def sample(self, at_ms: int) -> None:
        """Ten seconds passed."""
        self.due_ms = (at_ms // SAMPLE_MS + 1) * SAMPLE_MS
        for box, history in self._histories.items():
            history.sample(at_ms)
            if history.number % 6 == 0:
                self._nights(box, history)

    def _nights(self, box: str, history: History) -> None:
        """Take over an idle baseline when a new one is told."""
        for gas in ("oxygen", "moisture"):
            signal = self._signals.get(f"{box}.{gas}_idle")
            value = None if signal is None else signal.value
            if value is None:
                continue
            nights = history.nights.get(gas, [])
            if nights and abs(nights[-1] - value) <= 1e-5 * max(1.0, abs(value)):
                continue
            history.night(gas, value)
            low = self._signals.get(f"{box}.{gas}_idle_low")
            if low is not None and len(nights) >= FEWEST_NIGHTS:
                self._told.append((low, Reading(min(nights[-14:]), Quality.GOOD)))

    def take_doubts(self) -> DerivedReadings:
        """Signals written from here since the last call."""
        told, self._told = self._told, []
        return told

    def resume(self, at_ms: int) -> None:
        """The watch came back after a gap."""
        self._resumed_ms = at_ms
        self.due_ms = 0

    def note(self, box: str, kind: str, at_ms: int) -> None:
        """A person noted something."""
        self._notes[box] = [*self._notes.get(box, []), [kind, at_ms]][-NOTES_KEPT:]

    def rejudge(
        self, at_ms: int, view_of: Callable[[str], AlarmView | None]
    ) -> list[tuple[str, str]]:
        """Judge again every alarm that stands; gives those with another cause, and its name."""
        self.again_ms = (at_ms // MINUTE_MS + 1) * MINUTE_MS
        changed = []
        for name in list(self._standing):
            alarm = view_of(name)
            if alarm is None or (alarm.state == "normal" and not alarm.active):
                del self._standing[name]
            elif alarm.state in STANDS and self._is_time(name, at_ms) and _goes_on(alarm):
                cause = self._again(alarm, at_ms)
                if cause is not None:
                    changed.append((name, cause))
        return changed

    def _is_time(self, name: str, at_ms: int) -> bool:
        """By the minutes of the watch, so that alarms that stand together are looked at in one."""
        held = self._standing[name]
        if held.led == 1:  # another name leads: a minute later it is sure or gone
            return True
        age_ms = at_ms - held.raised_ms
        every = next((minutes for until_ms, minutes in OFTEN if age_ms < until_ms), SELDOM)
        return at_ms // MINUTE_MS % every == 0

    def _again(self, alarm: AlarmView, at_ms: int) -> str | None:
        """The name of the cause, if it is another one than was told, and has been for two looks."""
        held = self._standing[alarm.plan.alarm]
        cause = self._judge(alarm, at_ms, held.cause.name)
        if cause.name == held.cause.name:
            held.cause, held.led = cause, 0
            return None
        held.led += 1
        news = cause.name != UNKNOWN and cause.name not in held.told
        if held.led >= 2 and news:
            held.cause, held.led = cause, 0
            held.told.append(cause.name)
            return cause.name
        return None

    # ---------------------------------------------------------------- judging

    def explain(
        self, alarm: AlarmView, transition: Transition, at_ms: int
    ) -> tuple[Cause, Outlook | None]:
        """Cause, as last judged, and outlook, as of now, of an event that is being written."""
        name = alarm.plan.alarm
        if transition in ANEW and alarm.active:
            held = self._standing[name] = Standing(at_ms)
            held.cause = self._judge(alarm, at_ms)
            held.told = [held.cause.name]
        known = self._standing.get(name)
        if known is None:
            return UNKNOWN_CAUSE, None
        return known.cause, self._outlook(alarm) if alarm.active else None

    def _judge(self, alarm: AlarmView, at_ms: int, told: str = "") -> Cause:
        family, gas = family_of(alarm.plan)
        box = alarm.plan.place if alarm.plan.place in self._histories else None
        if box is None:
            return self._beyond_boxes(alarm, family, at_ms)
        view = replace(self._view(box, at_ms), about=gas)
        cause = judge(FAMILIES[family], self._facts(view, gas), told)
        if cause.name == "solvent" and cause.confidence >= SURE:
            self._solvent_ms[box] = at_ms
        return cause

    def _beyond_boxes(self, alarm: AlarmView, family: str, at_ms: int) -> Cause:
        """An alarm of a service or of the watcher itself: seen from the box that draws most."""
        place = alarm.plan.place
        fed = [b.name for b in self._plan.boxes.values() if place in (b.supply, b.purifier)]
        boxes = sorted(fed or self._histories, key=lambda box: -self._drawn(box))
        if place == DAEMON and "silent" not in alarm.plan.rule and "lost" not in alarm.plan.rule:
            return UNKNOWN_CAUSE
        facts = self._facts(self._view(boxes[0], at_ms)) if boxes else {}
        return judge(FAMILIES[family], facts)

    def _drawn(self, box: str) -> float:
        """Share of four hours its fill stood open."""
        return self._histories[box].share_on("fill_valve", 239.0) or 0.0

    def _facts(self, view: View, gas: str | None = None) -> Facts:
        facts = gather(view, FINDERS)
        if gas is not None:
            facts[f"about-{gas}"] = Fact(1.0, f"the alarm is about {gas}")
        facts.update(dose_facts(view, facts))
        facts.update(plain_signs(view, facts))
        return facts

    def _view(self, box: str, at_ms: int) -> View:
        plan = self._plan.boxes[box]
        rises = self._all_rises()
        rows = self._derive.ledger_table()
        return View(
            at_ms,
            plan,
            self._plan.purifiers.get(plan.purifier or ""),
            self._histories[box],
            self._modes[box],
            rises[box],
            [self._neighbour(box, other, rises) for other in self._plan.boxes if other != box],
            [(kind, at) for kind, at in self._notes.get(box, ())],
            [row for row in rows["recent"] if row["box"] == box],
            [row for row in rows["open"] if row["box"] == box],
            self._resumed_ms,
            self._silent(box, at_ms),
            self.doubts.get(box, {}),
            solvent_ms=self._solvent_ms.get(box),
            night_loss_l_h=self._night_loss(box),
        )

    def _night_loss(self, box: str) -> float | None:
        signal = self._signals.get(f"{box}.gas_idle")
        return None if signal is None else signal.value

    def turn(self) -> None:
        """A new item: what was found for the last one may not hold.

        Not kept any longer, for a restored watch has no such memory and must say the same.
        """
        self._rises = None

    def _all_rises(self) -> dict[str, dict[str, Rise]]:
        """Rises of all boxes, once an item."""
        if self._rises is None:
            self._rises = {box: self._rises_in(box) for box in self._histories}
        return self._rises

    def _rises_in(self, box: str) -> dict[str, Rise]:
        history = self._histories[box]
        found = {
            gas: rise_of(history, gas, history.nights.get(gas, ()))
            for gas in ("oxygen", "moisture")
            if history.has(gas)
        }
        return {gas: rise for gas, rise in found.items() if rise is not None}

    def _neighbour(self, box: str, other: str, rises: Mapping[str, dict[str, Rise]]) -> Neighbour:
        a, b = self._plan.boxes[box], self._plan.boxes[other]
        same_purifier = a.purifier is not None and a.purifier == b.purifier
        return Neighbour(
            other, rises[other], same_purifier, a.supply is not None and a.supply == b.supply
        )

    def _silent(self, box: str, at_ms: int) -> Sequence[str]:
        """Instruments of which no signal of this box or of the room lives now."""
        alive: dict[str, bool] = {}
        for track in self._histories[box].tracks.values():
            signal = track.signal
            plan = self._plan.signals.get(signal.name)
            if plan is None or plan.instrument is None:
                continue
            lives = signal.quality < FIRST_BAD and at_ms - signal.alive_ms < max(
                20_000, signal.stale_ms
            )
            alive[plan.instrument] = alive.get(plan.instrument, False) or lives
        return [name for name, lives in alive.items() if not lives]

    # ---------------------------------------------------------------- outlook

    def _outlook(self, alarm: AlarmView) -> Outlook | None:
        """When the gas that the alarm is about reaches its limit, or is clean again."""
        _, gas = family_of(alarm.plan)
        box = self._plan.boxes.get(alarm.plan.place)
        if gas is None or box is None:
            return None
        rise = self._all_rises()[box.name].get(gas)
        if rise is None:
            return None
        limit, falling = limit_of(alarm.plan, self._plan, rise)
        if limit is None:
            return None
        zero = next((a.zero_uncertainty_ppm for a in box.analyzers if a.role == gas), 0.2)
        points = self._points(self._histories[box.name], gas, rise)
        told = clean(points, limit, rise.base) if falling else None
        if not falling and rise.form not in ("plateau", "step", "impulse", "none"):
            told = reach(points, limit, zero, gas)
        if told is None:
            return Outlook(limit, alarm.plan.unit.removesuffix("/h") or "ppm", None, None, None)
        seconds = (round(h * 3600) for h in told)
        return Outlook(limit, "ppm", *seconds)

    def _points(self, history: History, gas: str, rise: Rise) -> list[tuple[float, float]]:
        """The rise since its onset in hours and ppm, on the grid that holds it."""
        wanted = min(max(rise.start_min, 12.0), 4300.0)
        return [(minute / 60, ppm) for minute, ppm in history.series(gas, wanted)]

    # ---------------------------------------------------------------- state

    def save(self) -> dict[str, Any]:
        return {
            "due_ms": self.due_ms,
            "again_ms": self.again_ms,
            "resumed_ms": self._resumed_ms,
            "solvent_ms": dict(self._solvent_ms),
            "notes": {box: [list(n) for n in notes] for box, notes in self._notes.items()},
            "standing": {name: held.save() for name, held in self._standing.items()},
            "histories": {box: history.save() for box, history in self._histories.items()},
        }

    def restore(self, state: Mapping[str, Any]) -> None:
        self.due_ms, self.again_ms = state["due_ms"], state["again_ms"]
        self._resumed_ms = state["resumed_ms"]
        self._solvent_ms = dict(state.get("solvent_ms", {}))
        self._notes = {box: [list(n) for n in notes] for box, notes in state["notes"].items()}
        self._standing = {n: Standing.restored(s) for n, s in state["standing"].items()}
        for box, history in self._histories.items():
            if box in state["histories"]:
                history.restore(state["histories"][box])
        self._rises = None


def _goes_on(alarm: AlarmView) -> bool:
    """One on its way back keeps the cause it has."""
    return alarm.active and not alarm.in_off_delay
