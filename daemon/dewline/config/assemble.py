"""A sound Site to the frozen Plan."""

from __future__ import annotations

import os
from pathlib import Path

from dewline.config.daemon_rules import daemon_rules, daemon_signals
from dewline.config.plan import (
    AsciiPlan,
    BusPlan,
    ContactPlan,
    HeartbeatPlan,
    InfluxPlan,
    InstrumentPlan,
    JournalPlan,
    ModbusRtuPlan,
    ModbusTcpPlan,
    MqttPlan,
    PagePlan,
    Plan,
    SerialLine,
)
from dewline.config.plan_json import plan_hash
from dewline.config.profiles import raw_unit, register_plan, there
from dewline.config.roles import unit_of
from dewline.config.rule_plans import RuleBook
from dewline.config.rules import Ground
from dewline.config.schema import BoxConfig, BusConfig, CommandsConfig, SiteConfig
from dewline.config.site import Site
from dewline.watch_plan import (
    DAEMON,
    AnalyzerPlan,
    AntechamberPlan,
    BoxPlan,
    Escalation,
    OnCall,
    PurifierPlan,
    ServicePlan,
    WatchPlan,
)

SUPPLY_KINDS = ("house", "cylinder", "liquid")


def ground_of(site: Site) -> Ground:
    """What rules can speak of."""
    config = site.config
    return Ground(
        signals=site.signals(),
        boxes={box: site.antechambers(box) for box in site.raw("boxes")},
        services=tuple(site.raw("services")),
        supplies=tuple(n for n, s in config.services.items() if s.kind in SUPPLY_KINDS),
        purifiers=tuple(site.raw("purifiers")),
        shared={
            name: tuple(p for p in (box.purifier, box.supply) if p is not None)
            for name, box in config.boxes.items()
        },
    )


def assemble(site: Site, ground: Ground, book: RuleBook) -> Plan:
    """The Plan of a site without problems."""
    config = site.config
    instruments = instrument_plans(site)
    buses = bus_plans(config)
    contacts = _contact_plans(site)
    box_contacts = _box_contacts(config)
    watch = _watch_plan(site, ground, book, instruments, box_contacts)
    return Plan(
        path=Path(site.source.file),
        site=config.site,
        watch=watch,
        hash=plan_hash(watch),
        journal=_journal(site),
        buses=buses,
        instruments=instruments,
        mqtt=_mqtt(site),
        influx=_influx(site),
        contacts=contacts,
        box_contacts=box_contacts,
        heartbeat=_heartbeat(site),
        page=_page(site),
    )


def _watch_plan(
    site: Site,
    ground: Ground,
    book: RuleBook,
    instruments: dict[str, InstrumentPlan],
    box_contacts: dict[str, tuple[str, ...]],
) -> WatchPlan:
    config = site.config
    followers = follower_names(config)
    signals = {**ground.signals, **ground.derive_all()}
    own = daemon_signals(config.buses, instruments, followers)
    own_rules = daemon_rules(own, config.buses, instruments.values(), followers)
    return WatchPlan(
        site=config.site,
        timezone=config.timezone,
        staffed=config.staffed,
        boxes={name: _box(name, box) for name, box in config.boxes.items()},
        services={name: ServicePlan(name=name, kind=s.kind) for name, s in config.services.items()},
        purifiers={
            name: PurifierPlan(
                name=name,
                beds=p.beds,
                flow_m3_h=p.flow,
                oxygen_capacity_l=p.oxygen_capacity,
                water_capacity_kg=p.water_capacity,
            )
            for name, p in config.purifiers.items()
        },
        signals={**own, **signals},
        rules={**own_rules, **book.plans},
        escalations=_escalations(config, box_contacts),
        on_call=_on_call(config, box_contacts),
    )


def _box(name: str, box: BoxConfig) -> BoxPlan:
    return BoxPlan(
        name=name,
        title=box.title,
        gas=box.gas,
        regime=box.regime,
        volume_m3=box.volume,
        purifier=box.purifier,
        supply=box.supply,
        refill_from=box.refill_from,
        antechambers=tuple(
            AntechamberPlan(chamber, c.volume, c.cycles, c.evacuate_below)
            for chamber, c in box.antechambers.items()
        ),
        analyzers=tuple(
            AnalyzerPlan(role, a.kind, a.sample_point, a.zero_uncertainty)
            for role, a in box.analyzers.items()
        ),
    )


def follower_names(config: SiteConfig) -> list[str]:
    """The followers this config has, in the order of their start."""
    wanted: dict[str, object] = {"mqtt": config.mqtt, "influx": config.influx, "push": config.push}
    return [name for name, section in wanted.items() if section is not None]


def bus_plans(config: SiteConfig) -> dict[str, BusPlan]:
    """Every bus that is whole."""
    plans = {name: _bus(name, bus) for name, bus in config.buses.items()}
    return {name: plan for name, plan in plans.items() if plan is not None}


def _bus(name: str, bus: BusConfig) -> BusPlan | None:
    if bus.modbus_tcp is not None:
        return ModbusTcpPlan(name=name, host=bus.modbus_tcp.host, port=bus.modbus_tcp.port)
    if bus.modbus_rtu is not None:
        rtu = bus.modbus_rtu
        line = SerialLine(
            port=rtu.port, baud=rtu.baud, parity=rtu.parity, data_bits=8, stop_bits=rtu.stop_bits
        )
        return ModbusRtuPlan(
            name=name, line=line, echo=rtu.echo, quiet_after_timeout_ms=rtu.quiet_after_timeout
        )
    if bus.ascii is not None:
        return AsciiPlan(name=name, line=SerialLine(**bus.ascii.model_dump()))
    return None


def instrument_plans(site: Site) -> dict[str, InstrumentPlan]:
    """Every instrument whose profile could be read."""
    feeds: dict[str, dict[str, list[str]]] = {}
    units: dict[str, str] = {}
    for mapping in site.mappings():
        profile = site.profile_of(mapping.instrument)
        if mapping.feed is None or profile is None or mapping.register not in profile.registers:
            continue
        if site.misfit(mapping):
            continue
        register = profile.registers[mapping.register]
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
    site: Site, name: str, feeds: dict[str, list[str]], units: dict[str, str]
) -> InstrumentPlan | None:
    config, profile = site.config.instruments[name], site.profile_of(name)
    if profile is None:
        return None
    text = profile.speaks == "ascii"
    registers = tuple(
        register_plan(
            register,
            units.get(f"{name}.{key}", unit_of(None, raw_unit(register))),
            index,
            text=text,
        )
        for index, (key, register) in enumerate(profile.registers.items())
    )
    return InstrumentPlan(
        name=name,
        bus=config.bus,
        profile=config.profile,
        registers=registers,
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


def secret_file(site: Site, name: str) -> Path:
    """Where a secret stands: beside the config, else in $CREDENTIALS_DIRECTORY, else beside."""
    beside = site.folder / name
    credentials = os.environ.get("CREDENTIALS_DIRECTORY")
    if not there(beside) and credentials:
        given = Path(credentials) / name
        if there(given):
            return given
    return beside


def _journal(site: Site) -> JournalPlan:
    config = site.config.journal
    return JournalPlan(
        path=site.folder / (config.path or f"{site.config.site}.db"),
        commit_every_ms=config.commit_every,
        keep_raw_ms=config.keep_raw,
        reserve_bytes=round(config.reserve * 1e6),
    )


def _mqtt(site: Site) -> MqttPlan | None:
    config = site.config.mqtt
    if config is None:
        return None
    token = config.commands if isinstance(config.commands, CommandsConfig) else None
    return MqttPlan(
        host=config.host,
        port=config.port,
        prefix=config.prefix,
        username=config.username,
        password_file=secret_file(site, config.password_file) if config.password_file else None,
        tls_ca=site.folder / config.tls.ca if config.tls else None,
        readings_every_ms=config.readings_every,
        commands="token" if token else "trust-broker" if config.commands else "off",
        token_file=secret_file(site, token.token_file) if token else None,
    )


def _influx(site: Site) -> InfluxPlan | None:
    config = site.config.influx
    if config is None:
        return None
    token = secret_file(site, config.token_file) if config.token_file else None
    return InfluxPlan(url=config.url, org=config.org, bucket=config.bucket, token_file=token)


def _page(site: Site) -> PagePlan | None:
    config = site.config.page
    if config is None:
        return None
    host, _, port = config.bind.rpartition(":")
    token = secret_file(site, config.token_file) if config.token_file else None
    return PagePlan(host=host.strip("[]"), port=int(port), token_file=token)


def _heartbeat(site: Site) -> HeartbeatPlan | None:
    config = site.config.heartbeat
    if config is None:
        return None
    return HeartbeatPlan(url_file=secret_file(site, config.url_file), every_ms=config.every)


def _contact_plans(site: Site) -> dict[str, ContactPlan]:
    contacts = site.config.push.contacts if site.config.push else {}
    return {
        name: ContactPlan(
            name=name,
            url_file=secret_file(site, c.url_file),
            from_priority=c.from_priority,
            hours=c.hours,
            escalate_after_ms=c.escalate_after,
            then=c.then,
            test_at_minute=c.test_at,
        )
        for name, c in contacts.items()
    }


def _box_contacts(config: SiteConfig) -> dict[str, tuple[str, ...]]:
    """Whom a place pages first: who is named there, else everybody who is no one's `then`."""
    contacts = config.push.contacts if config.push else {}
    second = {c.then for c in contacts.values()}
    first = tuple(name for name in contacts if name not in second)
    places = [DAEMON, *config.boxes, *config.purifiers, *config.services]
    named = {n: tuple(b.contacts) for n, b in config.boxes.items() if b.contacts is not None}
    return {place: named.get(place, first) for place in places} if contacts else {}


def _on_call(config: SiteConfig, box_contacts: dict[str, tuple[str, ...]]) -> tuple[OnCall, ...]:
    contacts = config.push.contacts if config.push else {}
    return tuple(
        OnCall(name, c.from_priority, places, c.hours)
        for name, c in contacts.items()
        if (places := tuple(p for p, first in box_contacts.items() if name in first))
    )


def _escalations(
    config: SiteConfig, box_contacts: dict[str, tuple[str, ...]]
) -> tuple[Escalation, ...]:
    contacts = config.push.contacts if config.push else {}
    return tuple(
        Escalation(name, c.then, c.escalate_after, c.from_priority, places, c.hours)
        for name, c in contacts.items()
        if c.then is not None
        and c.escalate_after is not None
        and (places := _reached(name, config, box_contacts))
    )


def _reached(
    name: str, config: SiteConfig, box_contacts: dict[str, tuple[str, ...]]
) -> tuple[str, ...]:
    """The places whose alarms come to a contact: first, or at the end of a chain of others."""
    contacts = config.push.contacts if config.push else {}
    chain = {name}
    while more := {n for n, c in contacts.items() if c.then in chain} - chain:
        chain |= more
    return tuple(p for p, first in box_contacts.items() if chain.intersection(first))
