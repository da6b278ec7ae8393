"""The session for each kind of bus."""

from __future__ import annotations

from typing import assert_never

from dewline.bus.session import Link, Session
from dewline.clock import Clock
from dewline.config.plan import AsciiPlan, BusPlan, ModbusRtuPlan, ModbusTcpPlan


def new_session(bus: BusPlan, clock: Clock) -> Session[Link]:
    """The session for a bus, not open yet.

    The module of a kind, and the library under it, is imported only where a bus is of that kind.
    """
    match bus:
        case ModbusTcpPlan():
            from dewline.bus.session_tcp import TcpSession  # noqa: PLC0415

            return TcpSession(bus, clock)
        case ModbusRtuPlan():
            from dewline.bus.session_rtu import RtuSession  # noqa: PLC0415

            return RtuSession(bus, clock)
        case AsciiPlan():
            from dewline.bus.session_ascii import AsciiSession  # noqa: PLC0415

            return AsciiSession(bus, clock)
        case _:
            assert_never(bus)
