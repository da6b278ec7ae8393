"""Signals defined by an expression of others: computed whenever one of their parts is read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dewline.formulas.formula import Formula, PartUnit, formula
from dewline.readings import Quality, Reading
from dewline.watch.signals.box_facts import worst
from dewline.watch.signals.signal_state import EMPTY_BAND, FIRST_BAD, SignalState
from dewline.watch_plan import WatchPlan


class FormulaSignals:
    """Computes the formula signals of a plan, those that others need first.

    The quality of each is the worst of its parts, and it is as old as the oldest of them: a part
    that is not read any more makes it stale. No state of its own: it follows from the parts.
    """

    def __init__(self, plan: WatchPlan, signals: Mapping[str, SignalState]) -> None:
        self._formulas: dict[SignalState, tuple[Formula, tuple[SignalState, ...]]] = {}
        for name in _in_order(plan):
            made = _formula(plan, name)
            parts = tuple(signals[part] for part in made.parts)
            into = signals[name]
            into.stale_ms = max(into.stale_ms, *(part.stale_ms for part in parts))
            self._formulas[into] = (made, parts)
            for part in parts:
                part.add_band(lambda: EMPTY_BAND)  # every reading counts, for its age too

    def written(self) -> Sequence[SignalState]:
        """The signals that are computed here."""
        return tuple(self._formulas)

    def write(
        self, at_ms: int, updated: Sequence[SignalState], readings: dict[str, Reading]
    ) -> list[SignalState]:
        """Compute what the ``updated`` signals are part of; gives the signals written.

        Their readings are put beside the others in ``readings``.
        """
        if not self._formulas:
            return []
        changed = set(updated)
        written: list[SignalState] = []
        for into, (made, parts) in self._formulas.items():
            if changed.isdisjoint(parts):
                continue
            reading = _reading(at_ms, made, parts)
            readings[into.name] = reading
            into.update(at_ms, reading.value, reading.quality)
            if reading.quality < FIRST_BAD:
                into.alive_ms = min(part.alive_ms for part in parts)
            changed.add(into)
            written.append(into)
        return written


def _reading(at_ms: int, made: Formula, parts: Sequence[SignalState]) -> Reading:
    quality = worst(at_ms, *parts)
    values = {part.name: part.value for part in parts if part.value is not None}
    if quality >= FIRST_BAD or len(values) < len(set(parts)):
        return Reading(None, max(quality, Quality.NO_ANSWER))
    value = made.value(values)
    return Reading(None, Quality.NOT_A_NUMBER) if value is None else Reading(value, quality)


def _formula(plan: WatchPlan, name: str) -> Formula:
    def source_of(part: str) -> PartUnit:
        found = plan.signals[part]
        return PartUnit(found.unit, found.reference == "gauge")

    signal = plan.signals[name]
    return formula(signal.formula or "", source_of, signal.unit)


def _in_order(plan: WatchPlan) -> list[str]:
    """The formula signals, each after those that are part of it. The config refuses cycles."""
    defined = {name: signal for name, signal in plan.signals.items() if signal.formula is not None}
    found: dict[str, None] = {}

    def visit(name: str) -> None:
        if name in defined and name not in found:
            for part in _formula(plan, name).parts:
                visit(part)
            found[name] = None

    for name in defined:
        visit(name)
    return list(found)
