"""``dewline check CONFIG [--json]``: every mistake with its line, or what the config comes to."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import Any

from dewline.bus.plan import Block, plan_reads
from dewline.cli.terminal import print_json, say
from dewline.config.loader import Loaded, examine
from dewline.config.nodes import SourceFile
from dewline.config.plan import InstrumentPlan, ModbusRtuPlan, Plan, RegisterPlan
from dewline.config.wire import wire_time_ms
from dewline.watch_plan import DAEMON

HELP = "read a config: errors with lines, effective rules, poll plan, what is watched"
# How manuals count: from 1, with the table in the leading digit. Common practice, no source.
_LEADING = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("config", type=Path, metavar="CONFIG")
    parser.add_argument("--json", action="store_true", help="machine output on stdout")


def run(args: argparse.Namespace) -> int:
    loaded, source = examine(args.config)
    polls = [] if loaded is None else _polls(loaded.plan, source)
    if args.json:
        print_json(_document(loaded, source, polls))
    else:
        _tell(loaded, source, polls)
    return 2 if loaded is None else 0


def reference(register: RegisterPlan) -> str:
    """The address as manuals print it: holding 0 is 40001."""
    digits = 4 if register.address < 9999 else 5
    return f"{_LEADING[register.table]}{register.address + 1:0{digits}d}"


def _document(
    loaded: Loaded | None, source: SourceFile, polls: list[dict[str, Any]]
) -> dict[str, Any]:
    return {
        "errors": [asdict(p) for p in sorted(source.problems)],
        "warnings": [asdict(p) for p in sorted(source.warnings)],
        "polls": polls,
        "supervised": [] if loaded is None else _supervised(loaded),
        "off": [] if loaded is None else _off(loaded),
    }


def _supervised(loaded: Loaded) -> list[dict[str, Any]]:
    watched = loaded.supervised.items()
    return [{"signal": signal, "alarms": list(alarms)} for signal, alarms in watched if alarms]


def _off(loaded: Loaded) -> list[dict[str, Any]]:
    rows = [asdict(off) for off in loaded.off]
    for signal, alarms in loaded.supervised.items():
        if not alarms:
            place = signal.partition(".")[0]
            why = "recorded, but no rule watches it"
            rows.append({"rule": None, "place": place, "why": why, "signal": signal})
    return rows


def _polls(plan: Plan, source: SourceFile) -> list[dict[str, Any]]:
    """One row a bus: what is read of whom, and how much of its time that takes."""
    rows = []
    for name, bus in plan.buses.items():
        members = [i for i in plan.instruments.values() if i.bus == name]
        baud = bus.line.baud if isinstance(bus, ModbusRtuPlan) else None
        instruments = [_instrument(i, baud) for i in members]
        row: dict[str, Any] = {"bus": name, "instruments": instruments}
        if baud is not None:
            row |= _load(instruments)
            _warn_of_load(source, row)
        rows.append(row)
    return rows


def _load(instruments: list[dict[str, Any]]) -> dict[str, Any]:
    """Wire time of one turn of all, the shortest cycle, and the share of its time a bus is busy."""
    return {
        "wire_ms": round(sum(i["wire_ms"] for i in instruments), 4),
        "cycle_ms": min((i["every_ms"] for i in instruments), default=None),
        "busy": round(sum(i["wire_ms"] / i["every_ms"] for i in instruments), 4),
    }


def _warn_of_load(source: SourceFile, row: dict[str, Any]) -> None:
    if row["busy"] > 0.8:
        source.warn(
            ("buses", row["bus"]),
            f"is busy {row['busy']:.0%} of the time before any instrument has thought",
            "raise `every:`, raise the baud rate, or split the bus",
        )


def _instrument(instrument: InstrumentPlan, baud: int | None) -> dict[str, Any]:
    blocks = plan_reads(instrument)
    read = {r.name for block in blocks for r in _covered(instrument, block)}
    row: dict[str, Any] = {
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
    """The registers that come along in a block, wanted or not."""
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


def _block(instrument: InstrumentPlan, block: Block) -> dict[str, Any]:
    return {
        "table": block.table,
        "address": block.address,
        "count": block.count,
        "registers": [_register(instrument, r) for r in block.registers],
    }


def _register(instrument: InstrumentPlan, register: RegisterPlan) -> dict[str, Any]:
    signals = list(instrument.feeds.get(register.name, ()))
    if instrument.ascii is not None:
        return {"register": register.name, "signals": signals}
    return {
        "register": register.name,
        "address": register.address,
        "reference": reference(register),
        "signals": signals,
    }


def _tell(loaded: Loaded | None, source: SourceFile, polls: list[dict[str, Any]]) -> None:
    for problem in sorted(source.problems):
        say(str(problem))
    for warning in sorted(source.warnings):
        say(f"warning: {warning}")
    if loaded is None:
        say(f"{len(source.problems)} errors")
        return
    _tell_rules(loaded)
    _tell_polls(polls)
    _tell_watched(loaded)
    say(f"\n{source.file}: no errors; plan {loaded.plan.hash}")


def _tell_rules(loaded: Loaded) -> None:
    say("rules, and the layer each value came from")
    for alarm, settings in loaded.effective.items():
        say(f"  {alarm}")
        for setting in settings:
            if setting.key not in ("advice", "when_over", "caution"):
                say(f"    {setting.key}: {_written(setting.value)}  [{setting.layer}]")
    own = sum(rule.place == DAEMON for rule in loaded.plan.watch.rules.values())
    say(f"  and {own} rules of {DAEMON}, by which dewline watches itself")


def _written(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{key} {item}" for key, item in value.items())
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _tell_polls(polls: list[dict[str, Any]]) -> None:
    say("\nreads")
    for row in polls:
        busy = ""
        if "wire_ms" in row:
            wire = f"{row['wire_ms']:.1f} ms on the wire in {row['cycle_ms']} ms"
            busy = f": {wire}, busy {row['busy']:.1%}"
        say(f"  bus {row['bus']}{busy}")
        for instrument in row["instruments"]:
            _tell_instrument(instrument)


def _tell_instrument(row: dict[str, Any]) -> None:
    say(f"    {row['instrument']} every {row['every_ms']} ms")
    for block in row["blocks"]:
        if block["table"] != "line":
            say(f"      {block['table']} {block['address']}, {block['count']} in one request")
        for register in block["registers"]:
            to = _written(register["signals"])
            say(f"        {_address(register)}{register['register']} -> {to}")
    for register in row["feeding_nothing"]:
        say(f"        {_address(register)}{register['register']} feeds nothing")


def _address(register: dict[str, Any]) -> str:
    return f"{register['address']:>5} ({register['reference']}) " if "address" in register else ""


def _tell_watched(loaded: Loaded) -> None:
    say("\nwatched")
    for row in _supervised(loaded):
        names = [alarm.partition(".")[2] for alarm in row["alarms"]]
        say(f"  {row['signal']}: {', '.join(names)}")
    say("\nnot watched")
    for off in _off(loaded):
        say(f"  {off['rule'] or off['signal']}: {off['why']}")
