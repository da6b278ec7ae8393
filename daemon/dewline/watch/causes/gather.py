"""Gathers what facts are made of, and the facts themselves."""

from __future__ import annotations

from collections.abc import Mapping

from dewline.watch.causes import gas_facts, loop_facts, plant_facts
from dewline.watch.causes.facts import Fact, Facts, Neighbour, View
from dewline.watch.causes.family import BED_ROLES, ROOM_ROLES, SUPPLY_ROLES
from dewline.watch.causes.history import History
from dewline.watch.causes.names import fact_name
from dewline.watch.causes.shape import Rise, rise_of
from dewline.watch.causes.signs import dose_facts, long_facts, plain_signs
from dewline.watch.signals.signal_state import FIRST_BAD, SignalState
from dewline.watch_plan import WatchPlan

GASES = ("oxygen", "moisture")
LEAST_SILENT_MS = 20_000
FINDERS = (*gas_facts.FINDERS, *loop_facts.FINDERS, *plant_facts.FINDERS, long_facts)


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
