"""Instruments that are dead, shy or garbled, and what they may cost the others."""

from __future__ import annotations

import asyncio
import itertools
import random
import time
from collections.abc import Callable
from typing import Any

import pytest

from dewline.config.plan import ModbusRtuPlan
from dewline.readings import Quality, Reading
from tests.patience import PATIENCE_S

pytestmark = pytest.mark.long

Size = Callable[[str], int]
NO_ANSWER = Reading(None, Quality.NO_ANSWER)
EVERY_S = 0.2


@pytest.mark.timeout(900)
@pytest.mark.parametrize(("units", "dead"), [(10, {2, 5, 9}), (3, {1})])
async def test_b3_dead_units_do_not_hold_the_line(
    units: int, dead: set[int], size: Size, far_rtu: Any, rtu_bus: Any, poll: Any,
    instrument: Any, words: Any, right_pdu: Any,
) -> None:  # fmt: skip
    """The living keep 95 % of their polls; the dead are probed ever less, and one probe wakes them.

    A silence costs timeout and rest, 60 ms of a 200 ms cycle; an answer about 1 ms. Their polls are
    those of a stretch before, in which all units live, so that a busy machine counts on both sides.
    """
    bus = ModbusRtuPlan(name="analyzers", line=rtu_bus.line, quiet_after_timeout_ms=30)
    gone: set[int] = set()
    far_rtu.respond = lambda unit, pdu, frame: (
        [] if unit in gone else [(0.0, frame(right_pdu(unit, pdu)))]
    )
    plans = [
        instrument(
            "analyzers", *words(2), unit=u, name=f"unit{u}", every_ms=int(EVERY_S * 1000),
            timeout_ms=30,
        )
        for u in range(1, units + 1)
    ]  # fmt: skip
    polling, seconds = poll(bus, *plans), size("B3")

    def good() -> dict[int, int]:
        return {
            u: sum(s.readings["heron.w0"] != NO_ANSWER for s in polling.of(f"unit{u}"))
            for u in range(1, units + 1)
        }

    await asyncio.sleep(seconds)
    all_live = good()
    slots = min(all_live.values())
    gone |= dead
    silent = {(f"unit{u}-answer", False) for u in dead}
    await polling.until(lambda: silent <= set(polling.states))
    before, asked = good(), len(far_rtu.requests)
    await asyncio.sleep(seconds)
    kept = {u: count - before[u] for u, count in good().items()}
    probes = [t for t, unit, _ in far_rtu.requests[asked:] if unit == min(dead)]
    gaps_s = [b - a for a, b in itertools.pairwise(probes)]
    worst = min(kept[u] for u in kept if u not in dead)
    print(f"B3: of {slots} polls the worst living unit kept {worst}; probes {len(probes)}")
    assert worst >= 0.95 * slots - 1
    assert all(kept[u] == 0 for u in dead)
    assert len(probes) < 0.5 * slots
    assert gaps_s[-1] > 2 * EVERY_S
    assert sum(name.endswith("-answer") and not up for name, up in polling.states) == len(dead)

    asked_before = {u: sum(unit == u for _, unit, _ in far_rtu.requests) for u in dead}
    gone.clear()
    returned = [(f"unit{u}-answer", True) for u in dead]
    first = {state: polling.states.count(state) for state in returned}
    await polling.until(lambda: all(polling.states.count(s) > first[s] for s in returned))
    for unit in dead:
        first_good = next(
            i
            for i, s in enumerate(polling.of(f"unit{unit}"))
            if i >= asked_before[unit] and s.readings["heron.w0"].value
        )
        assert first_good == asked_before[unit], "the first probe after its return was not enough"


async def test_b9_a_garbled_stream(
    size: Size, far_lines: Any, ascii_bus: Any, poll: Any, line_instrument: Any
) -> None:
    """Half lines, lines without an end, floods: every value read is one that was said."""
    chance, said = random.Random(9), set[float]()
    plan = line_instrument(ask=None, checksum="xor-hex", pattern=r"T (?P<t>[+-]\d{3}\.\d{6})")
    polling = poll(ascii_bus, plan)
    await asyncio.sleep(0.05)

    def line(value: float) -> bytes:
        body = b"T %+011.6f" % value  # so many digits that no other value is said by chance
        total = 0
        for byte in body:
            total ^= byte
        said.add(round(value, 6))
        return body + b"*%02X\r\n" % total

    for _ in range(size("B9")):
        whole = line(chance.uniform(-99, 99))
        at = chance.randrange(len(whole))
        far_lines.write(
            chance.choice(
                [
                    whole,
                    whole,
                    whole[:at],
                    whole[at:],
                    whole[:at] + bytes([whole[at] ^ 1 << chance.randrange(7)]) + whole[at + 1 :],
                    chance.randbytes(chance.randrange(300)),
                    b"X" * 500,
                    b"\r\n\r\n",
                ]
            )
        )
        await asyncio.sleep(chance.choice([0.0, 0.002, 0.02]))
    values = {s.readings["heron.t"].value for s in polling.scans} - {None}
    assert values <= said
    # Whatever was before: within two lines the stream is understood again.
    before = len(polling.scans)
    end = time.monotonic() + 5
    good = Reading(12.5, Quality.GOOD)
    while good not in [s.readings["heron.t"] for s in polling.scans[before:]]:
        assert time.monotonic() < end
        far_lines.write(b"\r\n" + line(12.5))
        await asyncio.sleep(0.05)
    assert len(polling.poller._session._link.buffer) <= 4096


async def test_b10_silence_is_kept(
    size: Size, far_rtu: Any, rtu_bus: Any, poll: Any, instrument: Any, words: Any
) -> None:
    """gap_before, turnaround and max_registers hold on the wire, however fast the polling."""
    shy = instrument(
        "analyzers", *words(6), name="shy", unit=1, gap_before_ms=20, every_ms=10, max_registers=2
    )
    slow = instrument("analyzers", *words(1), name="slow", unit=2, turnaround_ms=30, every_ms=10)
    polling, polls = poll(rtu_bus, shy, slow), size("B10")
    await polling.until(lambda: len(polling.of("slow")) > polls, within_s=PATIENCE_S + polls)
    pairs = list(itertools.pairwise(far_rtu.requests))
    after_any = [b[0] - a[0] for a, b in pairs if b[1] == 1]
    after_slow = [b[0] - a[0] for a, b in pairs if a[1] == 2]
    print(f"B10: shortest {min(after_any) * 1000:.1f} ms and {min(after_slow) * 1000:.1f} ms")
    assert min(after_any) >= 0.020
    assert min(after_slow) >= 0.030
    assert {pdu[3:] for _, unit, pdu in far_rtu.requests if unit == 1} == {b"\0\2"}
