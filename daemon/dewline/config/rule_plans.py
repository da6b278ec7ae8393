"""From layered rules to RulePlans: an alarm at each place, with defaults and parents.

A rule of a rule set that finds no signal is off, and listed. A rule of this site's own config
that finds none is a mistake.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from dewline.config.conditions import Resolve, check_shape, condition_of, deadband_of, guards_of
from dewline.config.nodes import nearest
from dewline.config.rules import (
    LayeredRule,
    RuleLayer,
    RuleTarget,
    SignalIndex,
    apply_layers,
    silent_alarm,
)
from dewline.config.within_range import Range, never_holds
from dewline.watch_plan import DAEMON, RulePlan, SignalPlan


@dataclass(frozen=True, slots=True)
class Off:
    """A rule without an alarm at a place (None: anywhere), and why.

    ``signal``: the signal that would turn it on, where one is missing.
    """

    rule: str
    place: str | None
    why: str
    signal: str | None = None


@dataclass(slots=True)
class RuleBook:
    """All rules of a site: alarms by full name, the rule behind each, and rules that are off."""

    plans: dict[str, RulePlan] = field(default_factory=dict)
    origins: dict[str, LayeredRule] = field(default_factory=dict)  # by alarm
    off: list[Off] = field(default_factory=list)


class RuleBookWriter:
    """Makes the alarms of every rule.

    ``general`` are the layers for all places, in order; ``own`` the layer of each box with rules
    of its own, ``regimes`` the pressure regime of each box, ``ranges`` what each signal can read.
    Problems are reported to the sources of the layers.
    """

    def __init__(
        self,
        general: list[RuleLayer],
        own: Mapping[str, RuleLayer],
        index: SignalIndex,
        regimes: Mapping[str, str],
        ranges: Mapping[str, Range],
    ) -> None:
        self._general, self._own, self._index, self._regimes = general, own, index, regimes
        self._ranges = ranges
        self._book = RuleBook()
        layers = (*general, *own.values())
        self._names = list(dict.fromkeys(name for layer in layers for name in layer.rules))

    def write(self) -> RuleBook:
        """The whole book; to be called once."""
        for name in self._names:
            self._expand(name)
        self._parents()
        return self._book

    def _expand(self, name: str) -> None:
        base = apply_layers(name, self._general)
        found = bool(base.layers) and self._expand_everywhere(base)
        for box, layer in self._own.items():
            if name in layer.rules:
                self._expand_at_box(apply_layers(name, [*self._general, layer]), box)
        sound = base.spec.signal is not None and not base.broken()
        if base.layers and not found and sound:
            self._report_no_signal(base)

    def _expand_everywhere(self, rule: LayeredRule) -> bool:
        """Make alarms where no box has its own layer; whether the signal is anywhere at all."""
        if not self._is_sound(rule):
            return True
        if rule.spec.disabled is not None:
            self._book.off.append(Off(rule.name, None, f"disabled: {rule.spec.disabled}"))
            return True
        text = rule.spec.signal or ""
        targets = list(self._index.targets(text))
        elsewhere = self._boxes_with_own(rule)
        for target in targets:
            if target.place not in elsewhere:
                self._add_alarm(rule, target)
        having = {target.place for target in targets}
        if targets and rule.loose:
            for place in self._index.expected(text):
                if place not in having | elsewhere:
                    self._off(rule, place)
        return bool(targets)

    def _expand_at_box(self, rule: LayeredRule, box: str) -> None:
        if set(rule.origin) == {"disabled"}:
            self._unknown(rule)
            return
        if rule.spec.disabled is not None and rule.spec.signal is not None:
            self._book.off.append(Off(rule.name, box, f"disabled: {rule.spec.disabled}"))
            return
        if not self._is_sound(rule):
            return
        targets = list(self._index.targets(rule.spec.signal or "", [box]))
        for target in targets:
            self._add_alarm(rule, target)
        if not targets:
            rule.report(
                "signal" if not rule.loose else None,
                f"{box} has no {rule.spec.signal}",
                "map the signal, or take the rule out here",
            )

    def _is_sound(self, rule: LayeredRule) -> bool:
        if rule.spec.signal is None:
            self._unknown(rule)
            return False
        return check_shape(rule)

    def _unknown(self, rule: LayeredRule) -> None:
        if rule.broken():
            return
        others = [n for n in self._names if n != rule.name]
        near = get_close_matches(rule.name, others, n=1, cutoff=0.75)
        remedy = f"did you mean the rule `{near[0]}`?" if near else "add `signal:`"
        rule.report(None, "has no signal, and no rule set knows it", remedy)

    def _report_no_signal(self, rule: LayeredRule) -> None:
        text = rule.spec.signal or ""
        elsewhere = self._boxes_with_own(rule)
        if rule.loose:
            for place in self._index.expected(text) or (None,):
                if place not in elsewhere:
                    self._off(rule, place)
            return
        if elsewhere:
            return
        known = {plan.role for plan in self._index.signals.values()}
        remedy = nearest(text, known, "map it under a box's signals")
        rule.report("signal", f"no box has {text}", remedy)

    def _boxes_with_own(self, rule: LayeredRule) -> set[str]:
        return {box for box, layer in self._own.items() if rule.name in layer.rules}

    def _off(self, rule: LayeredRule, place: str | None) -> None:
        text = rule.spec.signal
        where = f"{place} has" if place else "there is"
        self._book.off.append(Off(rule.name, place, f"{where} no {text}", text))

    def _add_alarm(self, rule: LayeredRule, target: RuleTarget) -> None:
        spec, regime = rule.spec, self._regimes.get(target.place)
        alarm = f"{target.place}.{rule.name}" + (f"-{target.chamber}" if target.chamber else "")
        if regime is not None and (spec.regime or regime) != regime:
            why = f"{target.place} is of {regime} regime"
            self._book.off.append(Off(rule.name, target.place, why))
            return
        if spec.priority == "critical" and spec.suppress_while:
            rule.report("suppress_while", "a critical rule is never suppressed", "leave it out")
        signal = self._index.plan(target.signal)
        guards = guards_of(rule, lambda name: self._find(target, name))
        if isinstance(guards, str):
            # A limit may name a signal that is there only where the guard's signal is.
            self._no_guard(rule, target, guards)
            return
        plan = rule_plan(alarm, rule, target, signal, lambda name: self._find(target, name))
        if plan is None:
            return
        plan = replace(plan, only_while=next(iter(guards), None), and_while=tuple(guards[1:]))
        if self._never_holds(rule, plan):
            return
        if alarm in self._book.plans:
            rule.report(None, f"makes the alarm {alarm} a second time", "give it another name")
            return
        self._book.plans[alarm] = plan
        self._book.origins[alarm] = rule

    def _never_holds(self, rule: LayeredRule, plan: RulePlan) -> bool:
        """Whether a rule can never hold, so that it would be listed as watched and is not.

        A mistake in a rule of this site; one that a rule set chose is off, and listed as such.
        """
        for wrong in never_holds(plan, self._ranges):
            layer = rule.origin[wrong.key]
            if not layer.loose:
                rule.report(wrong.key, wrong.problem, wrong.remedy)
            elif wrong.half:
                rule.warn(wrong.key, wrong.problem, wrong.remedy)
            else:
                why = f"{wrong.problem}: {wrong.remedy}"
                self._book.off.append(Off(rule.name, plan.place, why))
                return True
        return False

    def _find(self, target: RuleTarget, name: str) -> SignalPlan | None:
        if name.startswith("{antechamber}_"):
            name = f"{target.chamber}_{name.partition('_')[2]}" if target.chamber else ""
        full = self._index.near(target.place, name)
        return None if full is None else self._index.plan(full)

    def _no_guard(self, rule: LayeredRule, target: RuleTarget, name: str) -> None:
        if rule.origin["only_while"].loose:
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
            if not plan.of_outage:
                parents += map(silent_alarm, self._index.instruments(plan.signal))
            self._book.plans[alarm] = replace(plan, under=tuple(dict.fromkeys(parents)))
        _refuse_cycles(self._book)

    def _parent(self, rule: LayeredRule, plan: RulePlan, parent: str) -> list[str]:
        """Full names of the alarms meant.

        Searched at the same place first, then at its purifier and supply, then at the services.
        """
        if "." in parent:
            if parent in self._book.plans or parent.partition(".")[0] == DAEMON:
                return [parent]
            place, _, name = parent.partition(".")
            if name not in self._names or place not in self._index.places:
                self._no_parent(rule, parent)
            return []
        chamber = plan.alarm.removeprefix(f"{plan.place}.{plan.rule}")
        shared = self._index.shared.get(plan.place, ())
        for place in (plan.place, *shared, *self._index.services):
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

    def _no_parent(self, rule: LayeredRule, parent: str) -> None:
        remedy = nearest(parent, self._names, "name a rule there is")
        rule.report("under", f"{parent!r} is no rule above this one", remedy)


def rule_plan(
    alarm: str, rule: LayeredRule, target: RuleTarget, signal: SignalPlan, resolve: Resolve
) -> RulePlan | None:
    """The plan of one alarm, without parents and guard; None where a problem was reported.

    ``resolve`` finds the signal that a limit names.
    """
    made = condition_of(rule, signal, resolve)
    if made is None:
        return None
    spec, advice = rule.spec, rule.spec.advice
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
        advice=advice,
        # Configs had advice for the time after the end before ``when_over`` was a key.
        when_over=spec.when_over or (advice if advice and advice.startswith("When ") else None),
        caution=spec.caution,
    )


def _refuse_cycles(book: RuleBook) -> None:
    """Report every chain of `under` that leads back to its beginning."""
    done: set[str] = set()
    for start in book.plans:
        # The alarms of the chain under way, each with those of its parents not followed yet.
        chain = {} if start in done else {start: iter(book.plans[start].under)}
        while chain:
            alarm, parents = next(reversed(chain.items()))
            parent = next(parents, None)
            if parent is None:
                done.add(alarm)
                del chain[alarm]
            elif parent in chain:
                trail = list(chain)
                ring = " < ".join([*trail[trail.index(parent) :], parent])
                book.origins[alarm].report("under", f"leads back to itself: {ring}", "cut the ring")
            elif parent in book.plans and parent not in done:
                chain[parent] = iter(book.plans[parent].under)
