"""``load``: a YAML file to a Plan and what `check` prints about it, or to all its mistakes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from dewline.config.assemble import assemble, signal_index
from dewline.config.crosscheck import crosscheck
from dewline.config.instrument_plans import bus_plans, instrument_plans
from dewline.config.nodes import SourceFile, nearest, read_source, value_at
from dewline.config.plan import (
    ModbusRtuPlan,
    Plan,
    SerialPortPlan,
    may_be_there,
    secret_file,
    there,
)
from dewline.config.profiles import BUILTIN, find, names, read_profile
from dewline.config.rule_plans import Off, RuleBook, RuleBookWriter
from dewline.config.rule_schema import RuleSetFile, RuleSpec
from dewline.config.rules import LayeredRule, RuleLayer, SignalIndex
from dewline.config.salvage import salvage
from dewline.config.schema import SiteConfig
from dewline.config.site import ParsedSite
from dewline.config.wire import fed, longest_ms
from dewline.config.within_range import ranges_of
from dewline.errors import ConfigError, Problem
from dewline.typed_json import Json


@dataclass(frozen=True, slots=True)
class Setting:
    """One value of an effective rule as it was written, and the layer it came from."""

    key: str
    value: Json
    layer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A plan with what `check` prints about it.

    ``supervised``: signal -> alarms that watch it; ``off``: rules without an alarm; ``effective``:
    alarm -> the values of its rule, each with its layer.
    """

    plan: Plan
    warnings: tuple[Problem, ...] = ()
    supervised: dict[str, tuple[str, ...]] = field(default_factory=dict)
    off: tuple[Off, ...] = ()
    effective: dict[str, tuple[Setting, ...]] = field(default_factory=dict)


def load(path: Path) -> Loaded:
    """Read a config. ConfigError with all its problems, in the order of the files' lines."""
    loaded, source = examine(path)
    if loaded is None:
        raise ConfigError(sorted(source.problems))
    return loaded


def examine(path: Path) -> tuple[Loaded | None, SourceFile]:
    """Like ``load``, but raises nothing: None in place of the result where there are problems.

    Problems and warnings are in the source that comes with it.
    """
    source = read_source(path, [], [])
    site = _site(source, path.parent)
    if site is None:
        return (None, source)
    crosscheck(site)
    index = signal_index(site)
    book = _book(site, index)
    _timeouts(site)
    if source.problems:
        return (None, source)
    plan = assemble(site, index, book)
    _missing(site, plan)
    if not book.plans:
        source.warn((), "has no rules: nothing is judged", "add `rule_sets: [inert-box]`")
    loaded = Loaded(
        plan=plan,
        warnings=tuple(sorted(source.warnings)),
        supervised=_supervised(index, book),
        off=tuple(book.off),
        effective={alarm: _settings(book.origins[alarm]) for alarm in book.plans},
    )
    return (loaded, source)


def _site(source: SourceFile, folder: Path) -> ParsedSite | None:
    if source.data is None:
        return None
    config = salvage(SiteConfig, source, stand_ins={"site": "unnamed", "boxes": {}})
    if config is None:
        return None
    site = ParsedSite(source, folder, config)
    for instrument in config.instruments.values():
        name = instrument.profile
        if name not in site.profiles:
            found = find(name, "profiles", folder)
            site.profiles[name] = None if found is None else read_profile(found, source)
    return site


def _book(site: ParsedSite, index: SignalIndex) -> RuleBook:
    config, source = site.config, site.source
    layers = [layer for index in range(len(config.rule_sets)) if (layer := _set(site, index))]
    layers.append(RuleLayer("rules", source, ("rules",), config.rules))
    own = {
        name: RuleLayer(f"boxes.{name}.rules", source, ("boxes", name, "rules"), box.rules)
        for name, box in config.boxes.items()
        if box.rules
    }
    regimes = {name: box.regime for name, box in config.boxes.items()}
    return RuleBookWriter(layers, own, index, regimes, ranges_of(site)).write()


def _set(site: ParsedSite, index: int) -> RuleLayer | None:
    name = site.config.rule_sets[index]
    path = find(name, "rules", site.folder)
    if path is None:
        remedy = nearest(name, names("rules"), "`dewline rules` lists what is built in")
        site.source.report(("rule_sets", index), f"there is no rule set {name!r}", remedy)
        return None
    rules = read_rule_set(path, site.source)
    return RuleLayer(name, rules[0], ("rules",), rules[1], loose=True)


def read_rule_set(path: Path, site: SourceFile) -> tuple[SourceFile, dict[str, RuleSpec]]:
    """The rules in a rule set's file, and its source; problems are added to those of ``site``."""
    source = read_source(path, site.problems, site.warnings)
    parsed = salvage(RuleSetFile, source, stand_ins={"rules": {}})
    return (source, {} if parsed is None else parsed.rules)


def _timeouts(site: ParsedSite) -> None:
    """A timeout that even a perfect instrument could not meet is a mistake."""
    buses = bus_plans(site.config)
    for name, plan in instrument_plans(site).items():
        bus = buses.get(plan.bus)
        if not isinstance(bus, ModbusRtuPlan):
            continue
        least = longest_ms(bus, fed(plan), plan.max_registers, plan.max_gap)
        if plan.timeout_ms < least:
            site.source.report(
                ("instruments", name, "timeout"),
                f"{plan.timeout_ms} ms is less than the {least:.1f} ms its answer needs"
                f" at {bus.line.baud} baud",
                f"write at least {2 * least:.0f} ms",
            )


def _missing(site: ParsedSite, plan: Plan) -> None:
    """Warn of files and ports that are not here; `run` waits for them."""
    for name, bus in plan.buses.items():
        line = getattr(bus, "line", None)
        if isinstance(line, SerialPortPlan) and not there(Path(line.port)):
            kind = "modbus_rtu" if isinstance(bus, ModbusRtuPlan) else "ascii"
            site.source.warn(
                ("buses", name, kind, "port"),
                f"{line.port} is not on this machine",
                "plug it in; `run` waits for it",
            )
    for path, name in _files(site):
        # The name may be the secret, written in error, so it is not shown.
        if not may_be_there(secret_file(site.folder / name)):
            site.source.warn(
                path, "the file named here is not there", "create it, readable by dewline only"
            )


def _files(site: ParsedSite) -> list[tuple[tuple[str, ...], str]]:
    """Every file that a follower needs, and where the config names it."""
    found: list[tuple[tuple[str, ...], str]] = []

    def walk(data: Mapping[str, Json], path: tuple[str, ...]) -> None:
        for key, value in data.items():
            if isinstance(value, dict):
                walk(value, (*path, key))
            elif key.endswith("_file") or (*path, key) == ("mqtt", "tls", "ca"):
                found.append(((*path, key), str(value)))

    for section in ("mqtt", "influx", "push", "heartbeat", "page"):
        walk(site.raw(section), (section,))
    return found


def _supervised(index: SignalIndex, book: RuleBook) -> dict[str, tuple[str, ...]]:
    alarms: dict[str, list[str]] = {name: [] for name in index.signals}
    for alarm, plan in book.plans.items():
        alarms.setdefault(plan.signal, []).append(alarm)
    return {signal: tuple(names) for signal, names in alarms.items()}


def _settings(rule: LayeredRule) -> tuple[Setting, ...]:
    return tuple(
        Setting(key, value_at(layer.source.data, (*layer.path, rule.name, key)), layer.label)
        for key, layer in rule.origin.items()
    )


def built_in(folder: str, name: str) -> Path | None:
    """The file of a built-in profile or rule set."""
    path = BUILTIN / folder / f"{name}.yaml"
    return path if name in names(folder) else None
