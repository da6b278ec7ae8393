"""``dewline check CONFIG [--json]``: every mistake with its line, or what the config comes to."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import NotRequired, TypedDict

from dewline.bus.plan import Block, plan_reads
from dewline.cli.terminal import print_json, say
from dewline.config.loader import Loaded, examine
from dewline.config.nodes import SourceFile
from dewline.config.plan import InstrumentPlan, ModbusRtuPlan, Plan, RegisterPlan
from dewline.config.wire import wire_time_ms
from dewline.watch_plan import DAEMON

MOST_BUSY = 0.8  # share of its time that a line may be busy: instruments need the rest to think
# How manuals count: from 1, with the table in the leading digit. Common practice, no source.
_LEADING = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}


class RegisterRow(TypedDict):
    """A register and the signals it feeds; ``reference`` is its address as manuals print it.

    ``read``: of one that feeds nothing, whether it comes along in a block all the same.
    """

    register: str
    signals: list[str]
    address: NotRequired[int]
    reference: NotRequired[str]
    read: NotRequired[bool]


class BlockRow(TypedDict):
    """One request: ``count`` addresses from ``address`` on."""

    table: str
    address: int
    count: int
    registers: list[RegisterRow]


class InstrumentRow(TypedDict):
    """What is read of an instrument; ``wire_ms`` of all its requests on a serial line."""

    instrument: str
    unit: int
    every_ms: int
    timeout_ms: int
    blocks: list[BlockRow]
    feeding_nothing: list[RegisterRow]
    wire_ms: NotRequired[float]


class BusRow(TypedDict):
    """A bus; of a serial line also its load: ms of one turn, shortest cycle, share of time busy."""

    bus: str
    instruments: list[InstrumentRow]
    wire_ms: NotRequired[float]
    cycle_ms: NotRequired[int | None]
    busy: NotRequired[float]


def arguments(parser: argparse.ArgumentParser) -> None:
    """The config to check."""
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def run(args: argparse.Namespace) -> int:
    """Print every mistake of a config with its line, or what the config comes to.

    Exit status 0 no mistakes, 2 some. ``--json`` prints {errors, warnings, polls, supervised,
    off}. Files, ports and servers that are missing on this machine are warnings.
    """
    loaded, source = examine(args.config)
    polls = [] if loaded is None else _polls(loaded.plan, source)
    if args.json:
        print_json(_document(loaded, source, polls))
    else:
        _say_all(loaded, source, polls)
    return 2 if loaded is None else 0


def reference(register: RegisterPlan) -> str:
    """The address as manuals print it: holding 0 is 40001."""
    digits = 4 if register.address < 9999 else 5
    return f"{_LEADING[register.table]}{register.address + 1:0{digits}d}"


def _document(loaded: Loaded | None, source: SourceFile, polls: list[BusRow]) -> dict[str, object]:
    supervised = {} if loaded is None else _supervised(loaded)
    return {
        "errors": [asdict(p) for p in sorted(source.problems)],
        "warnings": [asdict(p) for p in sorted(source.warnings)],
        "polls": polls,
        "supervised": [{"signal": name, "alarms": alarms} for name, alarms in supervised.items()],
        "off": [] if loaded is None else _off(loaded),
    }


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


def _polls(plan: Plan, source: SourceFile) -> list[BusRow]:
    """What is read of each bus, and how much of its time that takes; a busy one is warned of."""
    rows = []
    for name, bus in plan.buses.items():
        members = [i for i in plan.instruments.values() if i.bus == name]
        baud = bus.line.baud if isinstance(bus, ModbusRtuPlan) else None
        instruments = [_instrument(i, baud) for i in members]
        row = BusRow(bus=name, instruments=instruments)
        if baud is not None:
            _add_load(row)
            if row["busy"] > MOST_BUSY:
                source.warn(
                    ("buses", name),
                    f"is busy {row['busy']:.0%} of the time before any instrument has thought",
                    "raise `every:`, raise the baud rate, or split the bus",
                )
        rows.append(row)
    return rows


def _add_load(row: BusRow) -> None:
    """Wire time of one turn of all, the shortest cycle, and the share of its time a bus is busy."""
    instruments = row["instruments"]
    row["wire_ms"] = round(sum(i["wire_ms"] for i in instruments), 4)
    row["cycle_ms"] = min((i["every_ms"] for i in instruments), default=None)
    row["busy"] = round(sum(i["wire_ms"] / i["every_ms"] for i in instruments), 4)


def _instrument(instrument: InstrumentPlan, baud: int | None) -> InstrumentRow:
    blocks = plan_reads(instrument)
    read = {r.name for block in blocks for r in _covered(instrument, block)}
    row: InstrumentRow = {
        "instrument": instrument.name,
        "unit": instrument.unit,
        "every_ms": instrument.every_ms,
        "timeout_ms": instrument.timeout_ms,
        "blocks": [_block(instrument, block) for block in blocks],
        "feeding_nothing": [
            {**_register(instrument, r), "read": r.name in read}
            for r in instrument.registers
            if r.name not in instrument.feeds
        ],
    }
    if baud is not None:
        pauses = (instrument.gap_before_ms + instrument.turnaround_ms) * len(blocks)
        row["wire_ms"] = round(sum(_wire_ms(block, baud) for block in blocks) + pauses, 4)
    return row


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


def _block(instrument: InstrumentPlan, block: Block) -> BlockRow:
    return {
        "table": block.table,
        "address": block.address,
        "count": block.count,
        "registers": [_register(instrument, r) for r in block.registers],
    }


def _register(instrument: InstrumentPlan, register: RegisterPlan) -> RegisterRow:
    signals = list(instrument.feeds.get(register.name, ()))
    if instrument.ascii is not None:
        return {"register": register.name, "signals": signals}
    return {
        "register": register.name,
        "address": register.address,
        "reference": reference(register),
        "signals": signals,
    }


def _say_all(loaded: Loaded | None, source: SourceFile, polls: list[BusRow]) -> None:
    for problem in sorted(source.problems):
        say(str(problem))
    for warning in sorted(source.warnings):
        say(f"warning: {warning}")
    if loaded is None:
        say(f"{len(source.problems)} errors")
        return
    _say_rules(loaded)
    _say_polls(polls)
    _say_watched(loaded)
    say(f"\n{source.file}: no errors; plan {loaded.plan.hash}")


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


def _say_polls(polls: list[BusRow]) -> None:
    say("\nreads")
    for row in polls:
        busy = ""
        if "wire_ms" in row:
            wire = f"{row['wire_ms']:.1f} ms on the wire in {row['cycle_ms']} ms"
            busy = f": {wire}, busy {row['busy']:.1%}"
        say(f"  bus {row['bus']}{busy}")
        for instrument in row["instruments"]:
            _say_instrument(instrument)


def _say_instrument(row: InstrumentRow) -> None:
    say(f"    {row['instrument']} every {row['every_ms']} ms")
    for block in row["blocks"]:
        if block["table"] != "line":
            say(f"      {block['table']} {block['address']}, {block['count']} in one request")
        for register in block["registers"]:
            to = _written(register["signals"])
            say(f"        {_address(register)}{register['register']} -> {to}")
    for register in row["feeding_nothing"]:
        say(f"        {_address(register)}{register['register']} feeds nothing")


def _address(register: RegisterRow) -> str:
    return f"{register['address']:>5} ({register['reference']}) " if "address" in register else ""


def _say_watched(loaded: Loaded) -> None:
    say("\nwatched")
    for signal, alarms in _supervised(loaded).items():
        say(f"  {signal}: {', '.join(alarm.partition('.')[2] for alarm in alarms)}")
    say("\nnot watched")
    for off in _off(loaded):
        say(f"  {off['rule'] or off['signal']}: {off['why']}")
