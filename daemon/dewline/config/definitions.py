"""Signals that a place defines by an expression of others: resolved, checked, in the index."""

from __future__ import annotations

from collections.abc import MutableMapping
from dataclasses import replace

from dewline.config.fields import Definition
from dewline.config.nodes import nearest
from dewline.config.roles import DERIVED
from dewline.config.rules import SignalIndex
from dewline.config.site import ParsedSite, SignalMapping
from dewline.errors import FormulaError
from dewline.formulas.formula import PartUnit, formula
from dewline.formulas.grammar import names_of, parse, with_full_names
from dewline.watch_plan import SignalPlan


def define_signals(
    site: ParsedSite, index: SignalIndex, signals: MutableMapping[str, SignalPlan]
) -> None:
    """Complete the plan of every defined signal in ``signals``, which ``index`` is built on.

    A mistake is reported at its line: a name that is no signal, parts whose units do not fit, a
    ring, a name that means something else to dewline.
    """
    definer = _Definer(site, index, signals)
    for full in definer.pending:
        definer.define(full, ())


class _Definer:
    """Defines the signals of a site, those first that are part of another."""

    def __init__(
        self, site: ParsedSite, index: SignalIndex, signals: MutableMapping[str, SignalPlan]
    ) -> None:
        mappings = list(site.mappings())
        self.pending = {m.full: m for m in mappings if m.definition is not None}
        self._mistaken = {m.full for m in mappings if m.feed is None and m.definition is None}
        self._site, self._index, self._signals = site, index, signals
        self._done: set[str] = set()

    def define(self, full: str, trail: tuple[str, ...]) -> bool:
        """Define a signal and its parts; False where that cannot be done. ``trail``: for whom."""
        mapping = self.pending[full]
        if full in trail:
            ring = " < ".join((*trail[trail.index(full) :], full))
            self._wrong(mapping, f"leads back to itself: {ring}", "cut the ring")
            return False
        if full in self._done:
            return full not in self._mistaken
        if not self._has_name_of_its_own(mapping) or not self._define(mapping, (*trail, full)):
            self._mistaken.add(full)
        self._done.add(full)
        return full not in self._mistaken

    def _define(self, mapping: SignalMapping, trail: tuple[str, ...]) -> bool:
        assert mapping.definition is not None
        parts = self._parts(mapping, mapping.definition, trail)
        if parts is None:
            return False
        text = with_full_names(mapping.definition.text, lambda name: parts[name].name)
        try:
            made = formula(text, self._source, mapping.definition.unit)
        except FormulaError as error:
            self._wrong(mapping, str(error), error.remedy)
            return False
        self._signals[mapping.full] = replace(
            self._signals[mapping.full],
            unit=made.unit,
            every_ms=max(part.every_ms for part in parts.values()),
            formula=text,
        )
        return True

    def _parts(
        self, mapping: SignalMapping, definition: Definition, trail: tuple[str, ...]
    ) -> dict[str, SignalPlan] | None:
        """The plans of the signals it names; None where one has a mistake."""
        found: dict[str, SignalPlan] = {}
        sound = True
        for name in names_of(parse(definition.text)):
            place, dot, role = name.rpartition(".")
            full = self._index.has(place, role) if dot else self._index.near(mapping.place, name)
            if full is None:
                known = {plan.role for plan in self._signals.values()}
                remedy = nearest(name, known, "map it under signals")
                self._wrong(mapping, f"{place or mapping.place} has no {role}", remedy)
                sound = False
            elif full in self._mistaken or (full in self.pending and not self.define(full, trail)):
                sound = False
            else:
                found[name] = self._index.plan(full)
        return found if sound else None

    def _source(self, full: str) -> PartUnit:
        plan = self._index.plan(full)
        return PartUnit(plan.unit, plan.reference == "gauge")

    def _has_name_of_its_own(self, mapping: SignalMapping) -> bool:
        if mapping.role is None and mapping.name not in DERIVED:
            return True
        what = "derives itself" if mapping.role is None else "understands as a role"
        remedy = "give it a name of your own; a role is read from an instrument"
        self._wrong(mapping, f"is a name that dewline {what}", remedy)
        return False

    def _wrong(self, mapping: SignalMapping, problem: str, remedy: str) -> None:
        self._site.report(mapping.path, problem, remedy)
