"""``dewline check CONFIG [--json]``: every mistake with its line, or what the config comes to."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from dewline.bus.plan import Block, plan_reads
from dewline.cli import say
from dewline.cli.terminal import print_json
from dewline.config.loader import Loaded, examine
from dewline.config.nodes import SourceFile
from dewline.config.plan import InstrumentPlan, ModbusRtuPlan, Plan, RegisterPlan
from dewline.config.who_hears import HeldBack, Week
from dewline.config.wire import wire_time_ms
from dewline.errors import Problem
from dewline.watch.alarms.suppression import duration
from dewline.watch_plan import DAEMON

NEVER_TOLD = "NOBODY; seen in `dewline status`, MQTT and the record"
TOLD_LATER = "NOBODY; what still stands is told when somebody's hours begin"
MOST_BUSY = 0.8  # share of its time that a line may be busy: instruments need the rest to think
# How manuals count: from 1, with the table in the leading digit. Common practice, no source.
_LEADING = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}


@dataclass(frozen=True, slots=True)
class _Load:
    """Load of a serial line: ms of one turn of all, shortest cycle, share of its time busy."""

    wire_ms: float
    cycle_ms: int | None
    busy: float


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config to check."""
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def run(args: argparse.Namespace) -> int:
    """Print every mistake of a config with its line, or what the config comes to.

    Exit status 0 no mistakes, 1 a grave warning, such as a signal named almost like a role, 2
    mistakes. ``--json`` prints {errors, warnings, polls, supervised, off, paged, held_back}. Files,
    ports and servers that are missing on this machine are warnings.
    """
    loaded, source = examine(args.config)
    polls = [] if loaded is None else _polls(loaded.plan, source)
    if loaded is not None:
        _warn_of_nobody(loaded.plan, source)
    if args.json:
        print_json(_document(loaded, source, polls))
    else:
        _say_all(loaded, source)
    if loaded is None:
        return 2
    return 1 if any(warning.grave for warning in source.warnings) else 0


def reference(register: RegisterPlan) -> str:
    """The address as manuals print it: holding 0 is 40001."""
    digits = 4 if register.address < 9999 else 5
    return f"{_LEADING[register.table]}{register.address + 1:0{digits}d}"


def _document(
    loaded: Loaded | None, source: SourceFile, polls: list[dict[str, object]]
) -> dict[str, object]:
    supervised = {} if loaded is None else _supervised(loaded)
    week = None if loaded is None else Week(loaded.plan.watch)
    return {
        "errors": [_without_grave(p) for p in sorted(source.problems)],
        "warnings": [asdict(p) for p in sorted(source.warnings)],
        "polls": polls,
        "supervised": [{"signal": name, "alarms": alarms} for name, alarms in supervised.items()],
        "off": [] if loaded is None else _off(loaded),
        "paged": [] if week is None else [asdict(row) for row in week.paged()],
        "held_back": [] if week is None else [asdict(row) for row in week.held_back()],
    }


def _without_grave(problem: Problem) -> dict[str, object]:
    """An error as JSON: only warnings are grave or not."""
    return {key: value for key, value in asdict(problem).items() if key != "grave"}


def _supervised(loaded: Loaded) -> dict[str, tuple[str, ...]]:
    """The signals that some rule watches, each with its alarms."""
    return {signal: alarms for signal, alarms in loaded.supervised.items() if alarms}


def _off(loaded: Loaded) -> list[dict[str, str | None]]:
    """Rules that are off at a place, then signals that no rule watches (``rule`` null)."""
    rows: list[dict[str, str | None]] = [asdict(off) for off in loaded.off]
    for signal, alarms in loaded.supervised.items():
        if not alarms:
            place, why = signal.partition(".")[0], "recorded, but no rule watches it"
            rows.append({"rule": None, "place": place, "why": why, "signal": signal})
    return rows


def _polls(plan: Plan, source: SourceFile) -> list[dict[str, object]]:
    """What is read of each bus, and how much of its time that takes; a busy one is warned of."""
    rows: list[dict[str, object]] = []
    for name, bus in plan.buses.items():
        baud = bus.line.baud if isinstance(bus, ModbusRtuPlan) else None
        instruments = [_instrument(i, baud) for i in _members(plan, name)]
        load = _load(plan, name)
        rows.append({"bus": name, "instruments": instruments} | (asdict(load) if load else {}))
        if load and load.busy > MOST_BUSY:
            source.warn(
                ("buses", name),
                f"is busy {load.busy:.0%} of the time before any instrument has thought",
                "raise `every:`, raise the baud rate, or split the bus",
            )
    return rows


def _members(plan: Plan, bus: str) -> list[InstrumentPlan]:
    return [i for i in plan.instruments.values() if i.bus == bus]


def _load(plan: Plan, name: str) -> _Load | None:
    """The load of a bus; None where it is no serial line of Modbus."""
    bus = plan.buses[name]
    if not isinstance(bus, ModbusRtuPlan):
        return None
    turns = [(_turn_ms(i, bus.line.baud), i.every_ms) for i in _members(plan, name)]
    return _Load(
        wire_ms=round(sum(ms for ms, _ in turns), 4),
        cycle_ms=min((every_ms for _, every_ms in turns), default=None),
        busy=round(sum(ms / every_ms for ms, every_ms in turns), 4),
    )


def _turn_ms(instrument: InstrumentPlan, baud: int) -> float:
    """Time on the wire of all requests to an instrument, with the pauses it asks for."""
    blocks = plan_reads(instrument)
    pauses = (instrument.gap_before_ms + instrument.turnaround_ms) * len(blocks)
    return round(sum(_wire_ms(block, baud) for block in blocks) + pauses, 4)


def _instrument(instrument: InstrumentPlan, baud: int | None) -> dict[str, object]:
    """What is read of it, and of registers that feed nothing, whether they come along in a block.

    ``wire_ms``, on a serial line alone, is that of all its requests.
    """
    blocks = plan_reads(instrument)
    read = {r.name for block in blocks for r in _covered(instrument, block)}
    row: dict[str, object] = {
        "instrument": instrument.name,
        "unit": instrument.unit,
        "every_ms": instrument.every_ms,
        "timeout_ms": instrument.timeout_ms,
        "blocks": [_block(instrument, block) for block in blocks],
        "feeding_nothing": [
            {**_register(instrument, r), "read": r.name in read} for r in _idle(instrument)
        ],
    }
    return row if baud is None else {**row, "wire_ms": _turn_ms(instrument, baud)}


def _idle(instrument: InstrumentPlan) -> list[RegisterPlan]:
    """The registers that feed nothing."""
    return [r for r in instrument.registers if r.name not in instrument.feeds]


def _covered(instrument: InstrumentPlan, block: Block) -> list[RegisterPlan]:
    """The registers that are wholly within a block, whether they feed a signal or not."""
    end = block.address + block.count
    return [
        r
        for r in instrument.registers
        if r.table == block.table and block.address <= r.address and r.address + r.words <= end
    ]


def _wire_ms(block: Block, baud: int) -> float:
    if block.table in ("coil", "discrete"):
        return wire_time_ms(baud, 0, bits=block.count)
    return wire_time_ms(baud, block.count)


def _block(instrument: InstrumentPlan, block: Block) -> dict[str, object]:
    return {
        "table": block.table,
        "address": block.address,
        "count": block.count,
        "registers": [_register(instrument, r) for r in block.registers],
    }


def _register(instrument: InstrumentPlan, register: RegisterPlan) -> dict[str, object]:
    signals = list(instrument.feeds.get(register.name, ()))
    if instrument.ascii is not None:
        return {"register": register.name, "signals": signals}
    return {
        "register": register.name,
        "address": register.address,
        "reference": reference(register),
        "signals": signals,
    }


def _say_all(loaded: Loaded | None, source: SourceFile) -> None:
    for problem in sorted(source.problems):
        say(str(problem))
    for warning in sorted(source.warnings):
        say(f"warning: {warning}")
    if loaded is None:
        say(f"{len(source.problems)} {'error' if len(source.problems) == 1 else 'errors'}")
        return
    _say_rules(loaded)
    _say_polls(loaded.plan)
    _say_watched(loaded)
    _say_paged(loaded.plan)
    say(f"\n{source.file}: no errors; plan {loaded.plan.hash}")
    _say_warnings(source)


def _say_warnings(source: SourceFile) -> None:
    """The warnings once more, where they are read: after all that scrolls away, grave ones last."""
    warnings = sorted(source.warnings, key=lambda warning: (warning.grave, warning))
    grave = sum(warning.grave for warning in warnings)
    weight = f", {grave} of them grave: this is probably not watched" if grave else ""
    say(f"{len(warnings)} {'warning' if len(warnings) == 1 else 'warnings'}{weight}")
    for warning in warnings:
        say(f"{'GRAVE ' if warning.grave else ''}warning: {warning}")


def _say_rules(loaded: Loaded) -> None:
    say("rules, and the layer each value came from")
    for alarm, settings in loaded.effective.items():
        say(f"  {alarm}")
        for setting in settings:
            if setting.key not in ("advice", "when_over", "caution"):
                say(f"    {setting.key}: {_written(setting.value)}  [{setting.layer}]")
    own = sum(rule.place == DAEMON for rule in loaded.plan.watch.rules.values())
    say(f"  and {own} rules of {DAEMON}, by which dewline watches itself")


def _written(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {item}" for key, item in value.items())
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _say_polls(plan: Plan) -> None:
    say("\nreads")
    for name in plan.buses:
        busy = ""
        if load := _load(plan, name):
            wire = f"{load.wire_ms:.1f} ms on the wire in {load.cycle_ms} ms"
            busy = f": {wire}, busy {load.busy:.1%}"
        say(f"  bus {name}{busy}")
        for instrument in _members(plan, name):
            _say_instrument(instrument)


def _say_instrument(instrument: InstrumentPlan) -> None:
    say(f"    {instrument.name} every {instrument.every_ms} ms")
    for block in plan_reads(instrument):
        if block.table != "line":
            say(f"      {block.table} {block.address}, {block.count} in one request")
        for r in block.registers:
            to = ", ".join(instrument.feeds.get(r.name, ()))
            say(f"        {_address(instrument, r)}{r.name} -> {to}")
    for r in _idle(instrument):
        say(f"        {_address(instrument, r)}{r.name} feeds nothing")


def _address(instrument: InstrumentPlan, register: RegisterPlan) -> str:
    return "" if instrument.ascii else f"{register.address:>5} ({reference(register)}) "


def _say_watched(loaded: Loaded) -> None:
    say("\nwatched")
    for signal, alarms in _supervised(loaded).items():
        say(f"  {signal}: {', '.join(alarm.partition('.')[2] for alarm in alarms)}")
    say("\nnot watched")
    for off in _off(loaded):
        say(f"  {off['rule'] or off['signal']}: {off['why']}")


def _warn_of_nobody(plan: Plan, source: SourceFile) -> None:
    """Warn of the hours in which nobody hears of a high or critical alarm."""
    for row in Week(plan.watch).paged() if plan.contacts else ():
        for hours, contacts in row.who:
            urgent = [priority for priority in row.priorities if priority in ("critical", "high")]
            if not contacts and urgent:
                source.warn(
                    ("push", "contacts"),
                    f"NOBODY is paged {hours} for {' or '.join(urgent)} alarms of "
                    f"{', '.join(row.places)}",
                    "add a contact with those hours, or `then:` with one who is always there",
                )


def _say_paged(plan: Plan) -> None:
    say("\npaged at once")
    if not plan.contacts:
        say("  nobody: there is no `push:`, so alarms are seen in `dewline status` and MQTT alone")
        return
    week = Week(plan.watch)
    for row in week.paged():
        say(f"  {', '.join(row.priorities)} alarms of {', '.join(row.places)}")
        for hours, contacts in row.who:
            nobody = NEVER_TOLD if hours == "always" else TOLD_LATER
            say(f"    {hours}: {', '.join(contacts) or nobody}")
    say("\npages that may be held back, and by what")
    for held in week.held_back():
        say(f"  {held.alarm}: {'; '.join(_holders(held))}")


def _holders(held: HeldBack) -> Iterator[str]:
    always = [parent for parent, hours in held.parents if hours == "always"]
    if always:
        yield f"told as {', '.join(always)}"
    for parent, hours in held.parents:
        if hours != "always":
            yield f"told as {parent} {hours}, by itself at other hours"
    if held.modes:
        yield "while " + ", ".join(f"{mode} at most {duration(ms)}" for mode, ms in held.modes)
