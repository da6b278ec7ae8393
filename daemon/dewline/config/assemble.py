"""The frozen Plan of a parsed config that has no problems."""

from __future__ import annotations

from pathlib import Path

from dewline.config.daemon_rules import daemon_rules, daemon_signals
from dewline.config.definitions import define_signals
from dewline.config.instrument_plans import bus_plans, instrument_plans
from dewline.config.plan import (
    ContactPlan,
    HeartbeatPlan,
    InfluxPlan,
    InstrumentPlan,
    JournalPlan,
    MqttPlan,
    Plan,
    page_road,
)
from dewline.config.plan_json import plan_hash
from dewline.config.rule_plans import RuleBook
from dewline.config.rules import SignalIndex
from dewline.config.schema import BoxConfig, CommandsConfig, SiteConfig
from dewline.config.site import ParsedSite
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
PlaceContacts = dict[str, tuple[str, ...]]


def signal_index(site: ParsedSite) -> SignalIndex:
    """The signals and places that rules can name.

    Those with a mistake are included; see ``SignalIndex``.
    """
    config, signals = site.config, site.signals()
    index = SignalIndex(
        signals=signals,
        boxes={box: site.antechambers(box) for box in site.raw("boxes")},
        services=tuple(site.raw("services")),
        supplies=tuple(n for n, s in config.services.items() if s.kind in SUPPLY_KINDS),
        purifiers=tuple(site.raw("purifiers")),
        shared={
            name: tuple(p for p in (box.purifier, box.supply) if p is not None)
            for name, box in config.boxes.items()
        },
    )
    define_signals(site, index, signals)
    return index


def assemble(site: ParsedSite, index: SignalIndex, book: RuleBook) -> Plan:
    """The Plan of a config without problems: the watch's plan, and those of bus and followers.

    Its hash is that of the watch's plan alone.
    """
    config = site.config
    instruments = instrument_plans(site)
    box_contacts = _box_contacts(config)
    watch = _watch_plan(site, index, book, instruments, box_contacts)
    return Plan(
        path=Path(site.source.file),
        site=config.site,
        watch=watch,
        hash=plan_hash(watch),
        journal=_journal(site),
        buses=bus_plans(config),
        instruments=instruments,
        mqtt=_mqtt(site),
        influx=_influx(site),
        contacts=_contact_plans(site),
        box_contacts=box_contacts,
        heartbeat=_heartbeat(site),
    )


def _watch_plan(
    site: ParsedSite,
    index: SignalIndex,
    book: RuleBook,
    instruments: dict[str, InstrumentPlan],
    box_contacts: PlaceContacts,
) -> WatchPlan:
    config = site.config
    followers = follower_names(config)
    signals = {**index.signals, **index.derive_all()}
    roads = [*(("mqtt",) if config.mqtt else ()), *map(page_road, config.contacts)]
    own = daemon_signals(config.buses, instruments.values(), followers, roads)
    own_rules = daemon_rules(
        own, config.buses, instruments.values(), followers, roads, of_site=book.plans
    )
    return WatchPlan(
        site=config.site,
        timezone=config.timezone,
        staffed=config.staffed,
        holidays=tuple(sorted(config.holidays)),
        boxes={name: _box(name, box) for name, box in config.boxes.items()},
        services={
            name: ServicePlan(
                name=name,
                kind=s.kind,
                oxygen_impurity_ppm=s.impurity.oxygen,
                moisture_impurity_ppm=s.impurity.moisture,
            )
            for name, s in config.services.items()
        },
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
        gloves=box.gloves,
    )


def follower_names(config: SiteConfig) -> list[str]:
    """The followers this config has, in the order of their start."""
    wanted: dict[str, object] = {"mqtt": config.mqtt, "influx": config.influx, "push": config.push}
    return [name for name, section in wanted.items() if section is not None]


def _journal(site: ParsedSite) -> JournalPlan:
    config = site.config.journal
    return JournalPlan(
        path=site.folder / (config.path or f"{site.config.site}.db"),
        commit_every_ms=config.commit_every,
        keep_raw_ms=config.keep_raw,
        reserve_bytes=round(config.reserve * 1e6),
    )


def _mqtt(site: ParsedSite) -> MqttPlan | None:
    config = site.config.mqtt
    if config is None:
        return None
    token = config.commands if isinstance(config.commands, CommandsConfig) else None
    return MqttPlan(
        host=config.host,
        port=config.port,
        prefix=config.prefix,
        username=config.username,
        password_file=site.folder / config.password_file if config.password_file else None,
        tls_ca=site.folder / config.tls.ca if config.tls else None,
        readings_every_ms=config.readings_every,
        commands="token" if token else "trust-broker" if config.commands else "off",
        token_file=site.folder / token.token_file if token else None,
    )


def _influx(site: ParsedSite) -> InfluxPlan | None:
    config = site.config.influx
    if config is None:
        return None
    token = site.folder / config.token_file if config.token_file else None
    return InfluxPlan(url=config.url, org=config.org, bucket=config.bucket, token_file=token)


def _heartbeat(site: ParsedSite) -> HeartbeatPlan | None:
    config = site.config.heartbeat
    if config is None:
        return None
    return HeartbeatPlan(url_file=site.folder / config.url_file, every_ms=config.every)


def _contact_plans(site: ParsedSite) -> dict[str, ContactPlan]:
    return {
        name: ContactPlan(
            name=name,
            url_file=site.folder / c.url_file,
            from_priority=c.from_priority,
            hours=c.hours,
            test_at_minute=c.test_at,
        )
        for name, c in site.config.contacts.items()
    }


def _box_contacts(config: SiteConfig) -> PlaceContacts:
    """Contacts that each place pages first: those named there, else all but each `then`."""
    contacts = config.contacts
    second = {c.then for c in contacts.values()}
    first = tuple(name for name in contacts if name not in second)
    places = [DAEMON, *config.boxes, *config.purifiers, *config.services]
    named = {n: tuple(b.contacts) for n, b in config.boxes.items() if b.contacts is not None}
    return {place: named.get(place, first) for place in places} if contacts else {}


def _on_call(config: SiteConfig, box_contacts: PlaceContacts) -> tuple[OnCall, ...]:
    return tuple(
        OnCall(name, c.from_priority, places, c.hours)
        for name, c in config.contacts.items()
        if (places := _places_of({name}, box_contacts))
    )


def _escalations(config: SiteConfig, box_contacts: PlaceContacts) -> tuple[Escalation, ...]:
    return tuple(
        Escalation(
            *(name, c.then, c.escalate_after, c.from_priority, places),
            hours=c.hours,
            then_hours=config.contacts[c.then].hours,
        )
        for name, c in config.contacts.items()
        if c.then is not None
        and c.escalate_after is not None
        and (places := _places_of(_chain(name, config), box_contacts))
    )


def _chain(name: str, config: SiteConfig) -> set[str]:
    """A contact, and all from whom alarms come to them that were not acknowledged."""
    chain = {name}
    while more := {n for n, c in config.contacts.items() if c.then in chain} - chain:
        chain |= more
    return chain


def _places_of(contacts: set[str], box_contacts: PlaceContacts) -> tuple[str, ...]:
    """The places that page any of these contacts first."""
    return tuple(place for place, first in box_contacts.items() if contacts.intersection(first))
