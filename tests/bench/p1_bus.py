"""P1: how well a serial line is used: the time of a cycle over three units on a paced RTU line.

The line keeps the wire's time and notes each request, whoever asks. Beside it: the
wire's minimum, for each block (8 + 5 + 2N) characters of 11 bits + two silences of 3.5 characters,
1.750 ms above 19200 Bd (MODBUS over serial line V1.02, 2.5.1); minimalmodbus, block by
block; pymodbus, register by register. dewline polls an instrument every 20 ms at the most,
so a fast line gets three blocks a unit: else it would idle.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack
from itertools import pairwise
from pathlib import Path
from subprocess import Popen
from typing import Any

import yaml

from tests.bench.measured import FAR, PAIRS, Line, Spread, beside, in_turn, on_core, spread
from tests.bench.processes import FarSide, daemon, far_side, peer

AIMS = {9600: 1.05, 19200: 1.05, 115200: 1.15}
SIZES = (10, 32)
BLOCKS = {9600: 1, 19200: 1, 115200: 3}  # a unit
# A pty knows no parity; two stop bits in its place make the same 11 bits a character.
PTY = {"parity": "none", "stop_bits": 2}
APART = 200  # addresses from block to block
SETTLE_S = 0.3


def minimum_ms(baud: int, registers: int) -> float:
    """The least time of a cycle over three units."""
    silence_ms = 1.75 if baud > 19200 else 3.5 * 11_000 / baud
    return 3 * BLOCKS[baud] * ((8 + 5 + 2 * registers) * 11_000 / baud + 2 * silence_ms)


def config(folder: Path, port: Path, baud: int, registers: int) -> Path:
    """Three units on the line, asked as often as it goes, with a rule on each box."""
    (folder / "profiles").mkdir(parents=True, exist_ok=True)
    addresses = [b * APART + a for b in range(BLOCKS[baud]) for a in range(registers)]
    cells = [
        {"name": f"r{a}", "table": "holding", "address": a, "type": "uint16", "unit": "ppm"}
        for a in addresses
    ]
    (folder / "profiles" / "block.yaml").write_text(yaml.safe_dump({"registers": cells}))
    boxes = ("heron", "egret", "bittern")
    document: dict[str, Any] = {
        "site": "saltmarsh",
        "journal": {"path": "marsh.db", "reserve": "0 MB"},
        "buses": {"line": {"modbus_rtu": {"port": str(port), "baud": baud, **PTY}}},
        "instruments": {
            f"{box}-trace": {"bus": "line", "unit": unit, "profile": "block", "every": "20 ms"}
            | {"timeout": "500 ms"}
            for unit, box in enumerate(boxes, 1)
        },
        "boxes": {
            box: {"signals": {f"s{a}" if a else "oxygen": f"{box}-trace.r{a}" for a in addresses}}
            for box in boxes
        },
        "rules": {"high": {"signal": "oxygen", "above": "5000 ppm"}},
    }
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document, sort_keys=False))
    return path


def cycle_ms(asked: list[tuple[float, int]], requests: int) -> float:
    """Mean time of a whole cycle, which starts where unit 1 is asked after unit 3."""
    turns = pairwise(asked)
    starts = [moment for (_, before), (moment, unit) in turns if (before, unit) == (3, 1)]
    if len(starts) < 3:
        raise RuntimeError(f"{len(asked)} requests make no cycles of {requests}")
    inside = [t for t, _ in asked if starts[0] <= t < starts[-1]]
    if len(inside) != requests * (len(starts) - 1):
        raise RuntimeError(f"{len(inside)} requests in {len(starts) - 1} cycles of {requests}")
    return (starts[-1] - starts[0]) / (len(starts) - 1) * 1000


def turn(
    line: FarSide,
    start: Callable[[], AbstractContextManager[Popen[str]]],
    requests: int,
    expected_ms: float,
) -> float:
    """Run one side until it has made some cycles after settling; ms a cycle."""
    line.ask("take")
    with start():
        asked: list[tuple[float, int]] = []
        deadline = time.monotonic() + 20
        while not asked and time.monotonic() < deadline:
            time.sleep(0.05)
            asked = line.ask("take")
        time.sleep(SETTLE_S)
        line.ask("take")
        time.sleep(max(1.0, 4.2 * expected_ms / 1000))
        asked = line.ask("take")
    time.sleep(0.15)  # what is still on the wire
    return cycle_ms([(t, unit) for t, unit in asked], requests)


def sides_of(
    baud: int, registers: int, line: FarSide, folder: Path
) -> dict[str, Callable[[], float]]:
    """Who takes turns on a line; each gives ms a cycle."""
    port, log = folder / "port", folder / "log"
    blocks, minimum = BLOCKS[baud], minimum_ms(baud, registers)
    starts = [str(b * APART) for b in range(blocks)]
    words = (str(port), str(baud), str(registers), *starts)
    singles, singly_ms = 3 * blocks * registers, registers * minimum_ms(baud, 1)
    path = config(folder, port, baud, registers)
    return {
        "dewline": lambda: turn(line, lambda: daemon(path), 3 * blocks, minimum),
        "minimalmodbus": lambda: turn(
            line, lambda: peer("rtu-minimalmodbus", *words, log=log), 3 * blocks, minimum
        ),
        "register by register": lambda: turn(
            line, lambda: peer("rtu-registers", *words, log=log), singles, singly_ms
        ),
    }


def line_of(baud: int, registers: int, found: dict[str, Spread]) -> Line:
    """One line of the table."""
    ours = found.pop("dewline")
    floor = beside("minimum", ours, spread(minimum_ms(baud, registers)))
    return Line(
        "P1",
        f"ms a cycle at {baud} Bd: 3 units x {BLOCKS[baud]} x {registers} registers",
        ours,
        (floor, *(beside(name, ours, other) for name, other in found.items())),
        f"≤ {AIMS[baud]} x the minimum",
        floor.ratio.median <= AIMS[baud],
    )


def measure(*, small: bool = False) -> list[Line]:
    """All baud rates and blocks; ``small``: one of each, one pair."""
    kinds = [(115200, 10)] if small else [(baud, size) for baud in AIMS for size in SIZES]
    sides: dict[tuple[tuple[int, int], str], Callable[[], float]] = {}
    with on_core(FAR), ExitStack() as stack:
        for kind in kinds:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
            words = (str(folder / "port"), str(kind[0]))
            line = stack.enter_context(far_side("rtu_line.py", *words, log=folder / "log"))
            for name, side in sides_of(*kind, line, folder).items():
                sides[kind, name] = side
        took = in_turn(sides, 1 if small else PAIRS)
    return [
        line_of(*kind, {name: Spread(tuple(took[of, name])) for of, name in took if of == kind})
        for kind in kinds
    ]
