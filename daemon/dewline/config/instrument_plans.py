"""Buses and instruments of a config as plans, as far as each is whole.

Made before the config is known to be sound, because checks need them: a timeout against the time
an answer takes on the wire.
"""

from __future__ import annotations

from dewline.config.plan import (
    AsciiPlan,
    BusPlan,
    InstrumentPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    SerialPortPlan,
)
from dewline.config.profiles import raw_unit, register_plan
from dewline.config.roles import unit_of
from dewline.config.schema import BusConfig, SiteConfig
from dewline.config.site import ParsedSite


def bus_plans(config: SiteConfig) -> dict[str, BusPlan]:
    """The plan of every bus that has exactly what its kind needs."""
    plans = {name: _bus(name, bus) for name, bus in config.buses.items()}
    return {name: plan for name, plan in plans.items() if plan is not None}


def _bus(name: str, bus: BusConfig) -> BusPlan | None:
    if bus.modbus_tcp is not None:
        return ModbusTcpPlan(name=name, host=bus.modbus_tcp.host, port=bus.modbus_tcp.port)
    if bus.modbus_rtu is not None:
        rtu = bus.modbus_rtu
        line = SerialPortPlan(
            port=rtu.port, baud=rtu.baud, parity=rtu.parity, data_bits=8, stop_bits=rtu.stop_bits
        )
        return ModbusRtuPlan(
            name=name, line=line, echo=rtu.echo, quiet_after_timeout_ms=rtu.quiet_after_timeout
        )
    if bus.ascii is not None:
        return AsciiPlan(name=name, line=SerialPortPlan(**bus.ascii.model_dump()))
    return None


def instrument_plans(site: ParsedSite) -> dict[str, InstrumentPlan]:
    """The plan of every instrument whose profile could be read.

    A register is kept in the unit of the role that it feeds; signals with a mistake are left out
    of ``feeds``.
    """
    feeds: dict[str, dict[str, list[str]]] = {}
    units: dict[str, str] = {}
    for mapping in site.mappings():
        register = site.register_of(mapping)
        if mapping.feed is None or register is None or site.misfit(mapping):
            continue
        units.setdefault(mapping.feed, unit_of(mapping.role, raw_unit(register)))
        feeds.setdefault(mapping.instrument, {}).setdefault(mapping.register, []).append(
            mapping.full
        )
    return {
        name: plan
        for name in site.config.instruments
        if (plan := _instrument(site, name, feeds.get(name, {}), units)) is not None
    }


def _instrument(
    site: ParsedSite, name: str, feeds: dict[str, list[str]], units: dict[str, str]
) -> InstrumentPlan | None:
    config, profile = site.config.instruments[name], site.profile_of(name)
    if profile is None:
        return None
    registers = []
    for index, (key, register) in enumerate(profile.registers.items()):
        unit = units.get(f"{name}.{key}", unit_of(None, raw_unit(register)))
        registers.append(register_plan(profile, register, unit, index))
    return InstrumentPlan(
        name=name,
        bus=config.bus,
        profile=config.profile,
        registers=tuple(registers),
        feeds={register: tuple(signals) for register, signals in feeds.items()},
        unit=config.unit,
        every_ms=config.every,
        timeout_ms=config.timeout,
        gap_before_ms=config.gap_before,
        turnaround_ms=config.turnaround,
        max_registers=config.max_registers,
        max_gap=config.max_gap,
        ascii=profile.ascii,
    )
