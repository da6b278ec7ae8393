"""The place ``daemon``: what dewline watches of itself, by the rules of ``builtin/daemon.yaml``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from itertools import chain, product

from dewline.config.fields import Name
from dewline.config.nodes import SourceFile, read_source
from dewline.config.plan import InstrumentPlan
from dewline.config.profiles import BUILTIN
from dewline.config.rule_plans import rule_plan
from dewline.config.rule_schema import RuleSpec, Strict
from dewline.config.rules import RuleLayer, RuleTarget, apply_layers
from dewline.config.salvage import salvage
from dewline.errors import ConfigError
from dewline.watch_plan import DAEMON, RulePlan, SignalPlan

EVERY_MS = 30_000


class DaemonRule(RuleSpec):
    """A rule whose signal is named as those of ``daemon`` are, with hyphens."""

    signal: Name | None = None


class DaemonRules(Strict):
    """The file of rules: of each bus, instrument, follower and road, and of the whole daemon."""

    buses: dict[Name, DaemonRule]
    instruments: dict[Name, DaemonRule]
    followers: dict[Name, DaemonRule]
    roads: dict[Name, DaemonRule]
    daemon: dict[Name, DaemonRule]


def daemon_signals(
    buses: Iterable[str],
    instruments: Iterable[InstrumentPlan],
    followers: Iterable[str],
    roads: Iterable[str],
) -> dict[str, SignalPlan]:
    """The signals of ``daemon``, each recorded at least every 30 s.

    Links and answers are 1 while all is well, ``-behind`` is in s, ``disk-free`` in MB; the
    others are counts and truth values. ``roads``: by which alarms go out.
    """
    units = {f"{bus}-link": "" for bus in buses}
    for instrument in instruments:
        units[f"{instrument.name}-answer"] = ""
        if instrument.floats:
            units[f"{instrument.name}-misread"] = ""
    units |= {f"{follower}-behind": "s" for follower in followers}
    units |= {f"{road}-barred": "" for road in roads}
    units |= {"disk-free": "MB", "tasks-failed": "", "journal-damaged": "", "alarm-rate": ""}
    units |= {"clock-set": ""}
    if sum(role.endswith("-link") for role in units) > 1:
        units["buses-lost"] = ""
    return {
        f"{DAEMON}.{role}": SignalPlan(f"{DAEMON}.{role}", DAEMON, role, unit, every_ms=EVERY_MS)
        for role, unit in units.items()
    }


def daemon_rules(
    signals: Mapping[str, SignalPlan],
    buses: Iterable[str],
    instruments: Iterable[InstrumentPlan],
    followers: Iterable[str],
    roads: Iterable[str],
    *,
    of_site: Mapping[str, RulePlan],
) -> dict[str, RulePlan]:
    """The alarms of ``daemon`` on these signals, by full name.

    Of each bus, each instrument, each follower, each road, then of the daemon as a whole.
    ``of_site``: the alarms of the site, some of which are parents of these.
    """
    every = {
        "buses": [(bus, bus) for bus in buses],
        "instruments": [(instrument.name, instrument.bus) for instrument in instruments],
        "followers": [(follower, "") for follower in followers],
        "roads": [(road, "") for road in roads],
        "daemon": [("", "")],
    }
    source, sections = _read()
    plans = {}
    for section, rules in sections.items():
        layer = RuleLayer(DAEMON, source, (section,), rules)
        for rule, (name, bus) in product(rules, every[section]):
            plan = _plan(layer, rule, name, signals)
            if plan is not None:
                under = [_parents(parent, bus, of_site) for parent in rules[rule].under or ()]
                plans[plan.alarm] = replace(plan, under=tuple(chain.from_iterable(under)))
    return {
        alarm: replace(plan, under=tuple(p for p in plan.under if p in plans or p in of_site))
        for alarm, plan in plans.items()
    }


def _parents(rule: str, bus: str, of_site: Mapping[str, RulePlan]) -> list[str]:
    """The alarms that a parent named by its rule means: of the daemon, of a bus, of the site."""
    _, sections = _read()
    if rule in sections["daemon"]:
        return [f"{DAEMON}.{rule}"]
    if rule in sections["buses"]:
        return [f"{DAEMON}.{bus}-{rule}"]
    return [alarm for alarm, plan in of_site.items() if plan.rule == rule]


def _plan(
    layer: RuleLayer, rule: str, name: str, signals: Mapping[str, SignalPlan]
) -> RulePlan | None:
    """One rule of the file for what is called ``name`` ("": for the daemon as a whole).

    Without its parents; None where its signal is not there.
    """
    of_it = f"{name}-" if name else ""
    layered = apply_layers(rule, [layer])
    signal = signals.get(f"{DAEMON}.{of_it}{layered.spec.signal}")
    if signal is None:
        return None
    alarm = f"{DAEMON}.{of_it}{rule}"
    plan = rule_plan(alarm, layered, RuleTarget(DAEMON, signal.name), signal, lambda _: None)
    assert plan is not None
    return replace(
        plan,
        rule=f"{of_it}{rule}",
        advice=(layered.spec.advice or "").format(name=name),
    )


@cache
def _read() -> tuple[SourceFile, dict[str, Mapping[str, DaemonRule]]]:
    source = read_source(BUILTIN / "daemon.yaml", [], [])
    rules = salvage(DaemonRules, source)
    if rules is None or source.problems:
        raise ConfigError(source.problems)
    return source, {name: getattr(rules, name) for name in DaemonRules.model_fields}
