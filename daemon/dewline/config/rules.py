"""Rules in layers: rule sets in order, then ``rules:``, then ``boxes.BOX.rules:``, key by key."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from dewline.config.fields import NAME, SIGNAL
from dewline.config.nodes import KeyPath, SourceFile
from dewline.config.roles import DERIVED, ROLES, Derived, residual
from dewline.config.rule_schema import COMPANIONS, CONDITIONS, RuleSpec
from dewline.formulas.grammar import names_of, parse
from dewline.watch_plan import DAEMON, SignalPlan

_TARGET = re.compile(
    rf"(?:(?P<place>{NAME}|\{{supply\}}|\{{purifier\}})\.)?"
    rf"(?P<chamber>\{{antechamber\}}_)?(?P<name>{SIGNAL})"
)


@dataclass(frozen=True, slots=True)
class RuleLayer:
    """The rules of one layer, and where they stand: ``path`` in the file ``source``.

    ``label`` names the layer in what `check` prints. ``loose``: a rule that finds no signal is
    off, as in a rule set; else it is a mistake.
    """

    label: str
    source: SourceFile
    path: KeyPath
    rules: Mapping[str, RuleSpec]
    loose: bool = False


@dataclass(slots=True)
class LayeredRule:
    """One rule with its layers laid over each other.

    ``spec`` holds the value of every key that a layer gives, None for the others; ``origin`` the
    layer that each of them comes from, in the order in which the keys were first given.
    """

    name: str
    spec: RuleSpec = field(default_factory=RuleSpec)
    origin: dict[str, RuleLayer] = field(default_factory=dict)
    layers: list[RuleLayer] = field(default_factory=list)

    @property
    def conditions(self) -> list[str]:
        """The keys that are conditions; exactly one in a sound rule."""
        return [key for key in CONDITIONS if key in self.origin]

    @property
    def loose(self) -> bool:
        """Whether the signal was chosen by a rule set rather than by this site's config."""
        return "signal" in self.origin and self.origin["signal"].loose

    def report(self, key: str | None, problem: str, remedy: str) -> None:
        """Report a problem at a key, in the layer that gave its value; without one, in the last."""
        layer = self.origin.get(key or "", self.layers[-1])
        path = (*layer.path, self.name)
        layer.source.report(
            (*path, key) if key in self.origin else path, problem, remedy, on_key=key is None
        )

    def warn(self, key: str, problem: str, remedy: str) -> None:
        """Warn at a key, in the layer that gave its value."""
        layer = self.origin[key]
        layer.source.warn((*layer.path, self.name, key), problem, remedy)

    def drop(self, keys: Sequence[str]) -> None:
        """Take back what earlier layers gave for these keys."""
        self.spec = self.spec.model_copy(update=dict.fromkeys(keys))
        self.origin = {key: layer for key, layer in self.origin.items() if key not in keys}

    def broken(self) -> bool:
        """Whether any layer has a mistake reported inside this rule."""
        return any(layer.source.broken((*layer.path, self.name)) for layer in self.layers)


def apply_layers(name: str, layers: Iterable[RuleLayer]) -> LayeredRule:
    """The rule ``name`` with every layer applied, key by key.

    Another condition replaces the one before, with the keys that belong to it; another
    ``advice`` replaces the one before, with its ``when_over``.
    """
    rule = LayeredRule(name)
    for layer in layers:
        spec = layer.rules.get(name)
        if spec is None:
            continue
        rule.layers.append(layer)
        given = [key for key in type(spec).model_fields if key in spec.model_fields_set]
        conditions = {key for key in given if key in CONDITIONS}
        if conditions and conditions != set(rule.conditions):
            rule.drop((*CONDITIONS, *COMPANIONS))
        if "advice" in given:
            rule.drop(("when_over",))
        rule.spec = rule.spec.model_copy(update={key: getattr(spec, key) for key in given})
        rule.origin |= dict.fromkeys(given, layer)
    return rule


def silent_alarm(instrument: str) -> str:
    """The alarm that an instrument does not answer: parent of all alarms on its signals."""
    return f"{DAEMON}.{instrument}-silent"


@dataclass(frozen=True, slots=True)
class RuleTarget:
    """The signal of a place that an alarm watches; ``chamber``: the antechamber it belongs to."""

    place: str
    signal: str
    chamber: str | None = None


@dataclass(frozen=True, slots=True)
class SignalIndex:
    """The signals and places of a site, for finding what a rule's `signal` means.

    ``signals`` includes those with a mistake, so that rules about them are not reported too.
    ``derived`` holds the signals derived by the watch, as far as they were asked for.
    """

    signals: Mapping[str, SignalPlan]
    boxes: Mapping[str, tuple[str, ...]]  # box -> antechambers
    services: tuple[str, ...]
    supplies: tuple[str, ...]  # services that supply gas
    purifiers: tuple[str, ...]
    shared: Mapping[str, tuple[str, ...]]  # box -> its purifier and supply
    derived: dict[str, SignalPlan] = field(default_factory=dict)

    @property
    def places(self) -> tuple[str, ...]:
        """Names of all boxes, purifiers and services, in this order."""
        return (*self.boxes, *self.purifiers, *self.services)

    def has(self, place: str, name: str) -> str | None:
        """The full name of a signal that ``place`` has or the watch can derive there; else None."""
        full = f"{place}.{name}"
        if full in self.signals:
            return full
        wanted = self._derived(place, name)
        if wanted is None or any(f"{place}.{need}" not in self.signals for need in wanted.needs):
            return None
        self.derived[full] = SignalPlan(full, place, name, wanted.unit, every_ms=wanted.every_ms)
        return full

    def _derived(self, place: str, name: str) -> Derived | None:
        """The derived signal of this name, if a box like this one can have it."""
        if place not in self.boxes:
            return None
        chamber = name.removesuffix("_residual")
        if chamber != name and chamber in self.boxes[place]:
            return residual(chamber)
        wanted = DERIVED.get(name)
        if wanted is not None and wanted.bed:
            return wanted if set(self.shared.get(place, ())) & set(self.purifiers) else None
        return wanted

    def derive_all(self) -> dict[str, SignalPlan]:
        """The plan of every signal that the watch can derive at this site."""
        for box, chambers in self.boxes.items():
            for name in (*DERIVED, *(residual(chamber).name for chamber in chambers)):
                self.has(box, name)
        return self.derived

    def plan(self, full: str) -> SignalPlan:
        """The plan of a signal by the full name that ``has`` gave."""
        return self.signals[full] if full in self.signals else self.derived[full]

    def instruments(self, full: str) -> tuple[str, ...]:
        """The instruments that a signal is read from; of a defined one those of all its parts."""
        plan = self.plan(full)
        if plan.formula is None:
            return () if plan.instrument is None else (plan.instrument,)
        parts = (self.instruments(part) for part in names_of(parse(plan.formula)))
        return tuple(dict.fromkeys(instrument for part in parts for instrument in part))

    def near(self, place: str, name: str) -> str | None:
        """Full name of the signal that a place sees under ``name``; None where there is none.

        Its own first, then that of its purifier, its supply, and of the site's services.
        """
        around = (place, *self.shared.get(place, ()))
        role = ROLES.get(name)
        if role is None or "service" in role.places:
            around = (*around, *self.services)
        return next((full for p in around if (full := self.has(p, name))), None)

    def targets(self, text: str, among: Iterable[str] | None = None) -> Iterator[RuleTarget]:
        """Every signal that ``signal: TEXT`` means, in all places or in those of ``among``.

        TEXT is a signal name, with ``PLACE.``, ``{supply}.`` or ``{purifier}.`` before it where it
        is of other places, and ``{antechamber}_`` where it is of every antechamber.
        """
        match = _TARGET.fullmatch(text)
        if match is None:
            return
        places = self._places(match["place"], match["name"], bool(match["chamber"]))
        for place in places if among is None else [p for p in places if p in among]:
            if match["chamber"]:
                for chamber in self.boxes.get(place, ()):
                    if full := self.has(place, f"{chamber}_{match['name']}"):
                        yield RuleTarget(place, full, chamber)
            elif full := self.has(place, match["name"]):
                yield RuleTarget(place, full)

    def _places(self, prefix: str | None, name: str, chamber: bool) -> tuple[str, ...]:
        if prefix == "{supply}":
            return self.supplies
        if prefix == "{purifier}":
            return self.purifiers
        if prefix:
            return (prefix,) if prefix in self.places else ()
        return tuple(self.boxes) if chamber or _only_in_boxes(name) else self.places

    def expected(self, text: str) -> tuple[str, ...]:
        """The places where the signal is to be expected: all boxes for a role of a box."""
        match = _TARGET.fullmatch(text)
        if match is None or match["place"]:
            return ()
        return tuple(self.boxes) if match["chamber"] or _only_in_boxes(match["name"]) else ()


def _only_in_boxes(name: str) -> bool:
    return name in ROLES and ROLES[name].places == ("box",)
