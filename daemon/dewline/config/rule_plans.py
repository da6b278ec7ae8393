"""From layered rules to RulePlans: expand to places, fill defaults, find parents.

A rule of a rule set that finds no signal is off and listed; one that this
site's config wrote is a mistake.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from dewline.config.conditions import (
    Resolve,
    check_shape,
    condition_of,
    deadband_of,
    guard_of,
)
from dewline.config.rules import Ground, Layer, Layered, RuleTarget, lay, silent_alarm
from dewline.watch_plan import DAEMON, RulePlan, SignalPlan


@dataclass(frozen=True, slots=True)
class Off:
    """A rule that does not speak at a place, and what would turn it on."""

    rule: str
    place: str | None
    why: str
    signal: str | None = None


@dataclass(slots=True)
class RuleBook:
    """All rules of a site as they came out of the layers."""

    plans: dict[str, RulePlan] = field(default_factory=dict)
    origins: dict[str, Layered] = field(default_factory=dict)  # by alarm
    off: list[Off] = field(default_factory=list)


def write_book(
    general: list[Layer], own: Mapping[str, Layer], ground: Ground, regimes: Mapping[str, str]
) -> RuleBook:
    """Expand every rule. ``own`` holds the boxes' layers; problems go to the layers' sources."""
    return _Writer(general, own, ground, regimes).write()


class _Writer:
    def __init__(
        self,
        general: list[Layer],
        own: Mapping[str, Layer],
        ground: Ground,
        regimes: Mapping[str, str],
    ) -> None:
        self._general, self._own, self._ground, self._regimes = general, own, ground, regimes
        self._book = RuleBook()
        layers = (*general, *own.values())
        self._names = list(dict.fromkeys(name for layer in layers for name in layer.rules))

    def write(self) -> RuleBook:
        for name in self._names:
            self._rule(name)
        self._parents()
        return self._book

    def _rule(self, name: str) -> None:
        base = lay(name, self._general)
        spoke = False
        if base.layers:
            spoke = self._general_rule(base)
        for box, layer in self._own.items():
            if name in layer.rules:
                self._box_rule(lay(name, [*self._general, layer]), box)
        if base.layers and not spoke and self._needs_ground(base):
            self._nowhere(base)

    def _general_rule(self, rule: Layered) -> bool:
        """Speak wherever no box has its own layer; True if the signal is anywhere at all."""
        if not self._sound(rule):
            return True
        if rule.spec.disabled is not None:
            self._book.off.append(Off(rule.name, None, f"disabled: {rule.spec.disabled}"))
            return True
        text = rule.spec.signal or ""
        targets = list(self._ground.targets(text))
        elsewhere = {box for box, layer in self._own.items() if rule.name in layer.rules}
        for target in targets:
            if target.place not in elsewhere:
                self._speak(rule, target)
        having = {target.place for target in targets}
        if targets and rule.loose:
            for place in self._ground.expected(text):
                if place not in having | elsewhere:
                    self._off(rule, place)
        return bool(targets)

    def _box_rule(self, rule: Layered, box: str) -> None:
        if set(rule.origin) == {"disabled"}:
            self._unknown(rule)
            return
        if rule.spec.disabled is not None and rule.spec.signal is not None:
            self._book.off.append(Off(rule.name, box, f"disabled: {rule.spec.disabled}"))
            return
        if not self._sound(rule):
            return
        targets = list(self._ground.targets(rule.spec.signal or "", [box]))
        for target in targets:
            self._speak(rule, target)
        if not targets:
            rule.report(
                "signal" if not rule.loose else None,
                f"{box} has no {rule.spec.signal}",
                "map the signal, or take the rule out here",
            )

    def _sound(self, rule: Layered) -> bool:
        if rule.spec.signal is None:
            self._unknown(rule)
            return False
        return check_shape(rule)

    def _unknown(self, rule: Layered) -> None:
        if rule.broken():
            return
        others = [n for n in self._names if n != rule.name]
        near = get_close_matches(rule.name, others, n=1, cutoff=0.75)
        remedy = f"did you mean the rule `{near[0]}`?" if near else "add `signal:`"
        rule.report(None, "has no signal, and no rule set knows it", remedy)

    def _needs_ground(self, rule: Layered) -> bool:
        return rule.spec.signal is not None and not rule.broken()

    def _nowhere(self, rule: Layered) -> None:
        text = rule.spec.signal or ""
        if rule.loose:
            places = self._ground.expected(text) or (None,)
            for place in places:
                if (
                    place is None
                    or place not in self._own
                    or rule.name not in self._own[place].rules
                ):
                    self._off(rule, place)
            return
        if any(rule.name in layer.rules for layer in self._own.values()):
            return
        known = {plan.role for plan in self._ground.signals.values()}
        near = get_close_matches(text, known, n=1)
        remedy = f"did you mean {near[0]}?" if near else "map it under a box's signals"
        rule.report("signal", f"no box has {text}", remedy)

    def _off(self, rule: Layered, place: str | None) -> None:
        text = rule.spec.signal
        where = f"{place} has" if place else "there is"
        self._book.off.append(Off(rule.name, place, f"{where} no {text}", text))

    def _speak(self, rule: Layered, target: RuleTarget) -> None:
        spec, regime = rule.spec, self._regimes.get(target.place)
        alarm = f"{target.place}.{rule.name}" + (f"-{target.chamber}" if target.chamber else "")
        if regime is not None and (spec.regime or regime) != regime:
            why = f"{target.place} is of {regime} regime"
            self._book.off.append(Off(rule.name, target.place, why))
            return
        if spec.priority == "critical" and spec.suppress_while:
            rule.report("suppress_while", "a critical rule is never suppressed", "leave it out")
        signal = self._ground.plan(target.signal)
        plan = rule_plan(alarm, rule, target, signal, lambda name: self._find(target, name))
        guard = guard_of(rule, lambda name: self._find(target, name))
        if isinstance(guard, str):
            self._no_guard(rule, target, guard)
            return
        if plan is None:
            return
        if alarm in self._book.plans:
            rule.report(None, f"makes the alarm {alarm} a second time", "give it another name")
            return
        self._book.plans[alarm] = replace(plan, only_while=guard)
        self._book.origins[alarm] = rule

    def _find(self, target: RuleTarget, name: str) -> SignalPlan | None:
        if name.startswith("{antechamber}_"):
            name = f"{target.chamber}_{name.partition('_')[2]}" if target.chamber else ""
        full = self._ground.near(target.place, name)
        return None if full is None else self._ground.plan(full)

    def _no_guard(self, rule: Layered, target: RuleTarget, name: str) -> None:
        origin = rule.origin["only_while"]
        if origin.loose:
            why = f"{target.place} has no {name}"
            self._book.off.append(Off(rule.name, target.place, why, name))
        else:
            rule.report(
                "only_while", f"{target.place} has no {name}", "map the signal, or leave it out"
            )

    def _parents(self) -> None:
        for alarm, plan in self._book.plans.items():
            rule = self._book.origins[alarm]
            parents: list[str] = []
            for parent in rule.spec.under or ():
                parents += self._parent(rule, plan, parent)
            self._book.plans[alarm] = replace(
                plan, under=tuple(dict.fromkeys([*parents, *self._implied(plan)]))
            )
        _refuse_cycles(self._book)

    def _implied(self, plan: RulePlan) -> Iterable[str]:
        instrument = self._ground.plan(plan.signal).instrument
        return () if instrument is None else (silent_alarm(instrument),)

    def _parent(self, rule: Layered, plan: RulePlan, parent: str) -> list[str]:
        """Full names of the alarms meant: of the same place first, then of what it is fed by."""
        if "." in parent:
            if parent in self._book.plans or parent.partition(".")[0] == DAEMON:
                return [parent]
            place, _, name = parent.partition(".")
            if name not in self._names or place not in self._ground.places:
                self._no_parent(rule, parent)
            return []
        chamber = plan.alarm.removeprefix(f"{plan.place}.{plan.rule}")
        shared = self._ground.shared.get(plan.place, ())
        for place in (plan.place, *shared, *self._ground.services):
            for name in (f"{place}.{parent}{chamber}", f"{place}.{parent}"):
                if name in self._book.plans and name != plan.alarm:
                    return [name]
            of_chambers = [
                a for a, p in self._book.plans.items() if (p.place, p.rule) == (place, parent)
            ]
            if of_chambers and parent != plan.rule:
                return of_chambers
        if parent not in self._names or parent == plan.rule:
            self._no_parent(rule, parent)
        return []

    def _no_parent(self, rule: Layered, parent: str) -> None:
        near = get_close_matches(parent, self._names, n=1)
        remedy = f"did you mean {near[0]}?" if near else "name a rule there is"
        rule.report("under", f"{parent!r} is no rule above this one", remedy)


def rule_plan(
    alarm: str, rule: Layered, target: RuleTarget, signal: SignalPlan, resolve: Resolve
) -> RulePlan | None:
    """The plan of one alarm, without parents and guard; None where a problem was reported.

    ``resolve`` finds the signal that a limit names.
    """
    made = condition_of(rule, signal, resolve)
    if made is None:
        return None
    spec = rule.spec
    priority = spec.priority or "medium"
    return RulePlan(
        alarm=alarm,
        place=target.place,
        rule=rule.name,
        signal=target.signal,
        condition=made[0],
        unit=made[1],
        deadband=deadband_of(rule, signal, made[0]),
        on_delay_ms=spec.on_delay or 0,
        off_delay_ms=spec.off_delay or 0,
        priority=priority,
        night=spec.night,
        latch=spec.latch or False,
        acknowledge=spec.acknowledge or ("auto" if priority == "low" else "required"),
        suppress_while=tuple((spec.suppress_while or {}).items()),
        remind_every_ms=spec.remind_every,
        advice=spec.advice,
        when_over=spec.when_over or _advice_for_the_end(spec.advice),
        caution=spec.caution,
    )


def _advice_for_the_end(advice: str | None) -> str | None:
    """Advice that speaks of the time after: what configs had before ``when_over`` was a key."""
    return advice if advice is not None and advice.startswith("When ") else None


def _refuse_cycles(book: RuleBook) -> None:
    """Cut and report every `under` that leads back to itself."""
    done: set[str] = set()
    for start in book.plans:
        trail: list[str] = []
        stack: list[tuple[str, int]] = [(start, 0)]
        while stack:
            alarm, turn = stack.pop()
            plan = book.plans.get(alarm)
            if turn == 0:
                if alarm in done or plan is None:
                    continue
                trail.append(alarm)
            parents = plan.under if plan else ()
            if turn >= len(parents):
                done.add(alarm)
                trail.pop()
                continue
            stack.append((alarm, turn + 1))
            if parents[turn] in trail:
                ring = [*trail[trail.index(parents[turn]) :], parents[turn]]
                book.origins[alarm].report(
                    "under", f"leads back to itself: {' < '.join(ring)}", "cut the ring"
                )
            else:
                stack.append((parents[turn], 0))
