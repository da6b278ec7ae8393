"""A float that makes sense only in another word order is found in the first answers."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Callable, Iterable
from typing import Any

import pytest

from dewline.bus.plan import Block
from dewline.bus.word_orders import ANSWERS, WordOrderCheck
from dewline.config.plan import BusPlan, InstrumentPlan, RegisterPlan, WordOrder
from dewline.readings import Quality

ORDERS: tuple[WordOrder, ...] = ("ABCD", "CDAB", "BADC", "DCBA")
PLACES = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}


def sent(value: float, order: WordOrder) -> bytes:
    """A float as an instrument of that order sends it; each order undoes itself."""
    raw = struct.pack(">f", value)
    return bytes(raw[i] for i in PLACES[order])


def checked(
    values: Iterable[float], sends: WordOrder, profile: WordOrder, **more: object
) -> WordOrderCheck:
    """The check of an instrument that sends in one order under a profile with another."""
    fields: dict[str, object] = {"unit": "ppm", "canonical_unit": "ppm", **more}
    register = RegisterPlan(
        name="h2o",
        table="input",
        address=10,
        type="float32",
        word_order=profile,
        **fields,  # type: ignore[arg-type]
    )
    plan = InstrumentPlan(
        name="trace", bus="b", profile="p", registers=(register,), feeds={"h2o": ("heron.x",)}
    )
    check = WordOrderCheck(plan)
    for value in values:
        check.observe(Block("input", 8, 4, (register,)), bytes(4) + sent(value, sends))
    return check


@pytest.mark.parametrize("sends", ORDERS)
@pytest.mark.parametrize("profile", ORDERS)
def test_a_wrong_order_is_found_and_the_right_one_named(
    sends: WordOrder, profile: WordOrder
) -> None:
    """Whatever the two are; nothing is said where they agree."""
    values = [0.4217 + 0.0131 * n for n in range(ANSWERS)]
    check = checked(values, sends, profile)
    assert check.done
    found = check.misread()
    if sends == profile:
        assert found == []
    else:
        (text,) = found
        assert text.startswith("h2o is ")
        assert f"0.54 ppm as {sends}" in text


def test_a_plausible_number_is_left_alone() -> None:
    """Clean gas, a noisy zero and a saturated cell in the right order are what they are."""
    for values in ([0.02] * ANSWERS, [-0.01, 0.01, 0.0, 0.02] * 4, [250_000.0] * ANSWERS):
        assert checked(values, "CDAB", "CDAB", valid=(-2.0, 25_000.0)).misread() == []


def test_zeros_and_sentinels_say_nothing() -> None:
    """An instrument that warms up may send them for long: the check waits."""
    raw = int.from_bytes(struct.pack(">f", 1e-30), "big")
    sentinels = {raw: Quality.WARMING_UP}
    check = checked([0.0] * 20 + [1e-30] * 20, "ABCD", "ABCD", sentinels=sentinels)
    assert not check.done
    assert check.misread() == []


def test_an_order_has_to_fit_every_time() -> None:
    """One accident is no finding: the other order has to make sense in all answers."""
    values = [0.42, 0.43, 1e-20, 0.44, 0.45] * 2
    assert checked(values, "CDAB", "ABCD").misread() == []


@pytest.mark.parametrize(("profile", "misread"), [("CDAB", False), ("ABCD", True)])
async def test_the_poller_says_so_in_the_first_seconds(
    far_tcp: Any,
    tcp_bus: BusPlan,
    poll: Callable[..., Any],
    instrument: Callable[..., InstrumentPlan],
    caplog: pytest.LogCaptureFixture,
    profile: WordOrder,
    misread: bool,
) -> None:
    """Once an instrument: as a state of it, by which the daemon alarms, and in the log."""
    count = itertools.count()

    def respond(unit: int, pdu: bytes, frame: Callable[..., bytes]) -> list[tuple[float, bytes]]:
        payload = sent(0.4217 + 0.0131 * next(count), "CDAB")
        return [(0.0, frame(bytes([pdu[0], 4]) + payload))]

    far_tcp.respond = respond
    register = RegisterPlan(
        name="h2o",
        table="input",
        address=0,
        type="float32",
        word_order=profile,
        unit="ppm",
        canonical_unit="ppm",
    )
    polling = poll(tcp_bus, instrument(tcp_bus.name, register, name="trace", every_ms=20))
    await polling.until(lambda: ("trace-misread", misread) in polling.states)
    assert ("look at `word_order`" in caplog.text) == misread
    await polling.until(lambda: len(polling.scans) > 3 * ANSWERS)
    assert [name for name, _ in polling.states].count("trace-misread") == 1
