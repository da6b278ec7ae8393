"""Which session a bus needs: the one place that knows all kinds."""

from __future__ import annotations

from typing import assert_never

from dewline.bus.session import Session
from dewline.clock import Clock
from dewline.config.plan import AsciiPlan, BusPlan, ModbusRtuPlan, ModbusTcpPlan


def new_session(bus: BusPlan, clock: Clock) -> Session:
    """The session for a bus; not yet open. Libraries are loaded only for kinds in use."""
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
