"""The grammar of a site's config."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag

from dewline.config.fields import (
    Bytes,
    Cycle,
    Day,
    Duration,
    Feed,
    FileName,
    Flow,
    Host,
    HoursField,
    Kilograms,
    Litres,
    Name,
    PositiveDuration,
    Ppm,
    Pressure,
    Signal,
    TimeOfDay,
    Topic,
    Url,
    Volume,
    Words,
    Zone,
)
from dewline.config.rule_schema import RuleSpec, Strict
from dewline.events import Priority

Port = Annotated[int, Field(ge=1, le=65535)]
Baud = Annotated[int, Field(ge=300, le=4_000_000)]


class JournalConfig(Strict):
    """Where the record is kept, how often it is written, and how long raw readings stay."""

    path: FileName | None = None
    commit_every: PositiveDuration = 2000
    keep_raw: PositiveDuration = 30 * 86_400_000
    reserve: Bytes = 16.0


class RtuConfig(Strict):
    """A Modbus RTU line. `echo: strip` where the adapter hands back what it sends."""

    port: FileName
    baud: Baud = 19200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1
    echo: Literal["none", "strip"] = "none"
    quiet_after_timeout: Duration = 300


class AsciiConfig(Strict):
    """A serial port with an instrument that sends lines of text."""

    port: FileName
    baud: Baud = 9600
    parity: Literal["even", "odd", "none"] = "none"
    data_bits: Literal[7, 8] = 8
    stop_bits: Literal[1, 2] = 1


class TcpConfig(Strict):
    """A Modbus TCP server or gateway."""

    host: Host
    port: Port = 502


class BusConfig(Strict):
    """A bus: exactly one of the three kinds."""

    modbus_rtu: RtuConfig | None = None
    modbus_tcp: TcpConfig | None = None
    ascii: AsciiConfig | None = None


class InstrumentConfig(Strict):
    """One instrument: its bus, its profile and how often it is read."""

    bus: Name
    profile: FileName
    unit: Annotated[int, Field(ge=0, le=255)] = 1
    every: Cycle = 1000
    timeout: Annotated[PositiveDuration, Field(le=60_000)] = 300
    gap_before: Duration = 0
    turnaround: Duration = 0
    max_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_gap: Annotated[int, Field(ge=0, le=124)] = 8


class ImpurityConfig(Strict):
    """The most oxygen and water that a gas usually holds: a purge explains no more than that."""

    oxygen: Ppm = 10.0
    moisture: Ppm = 10.0


class ServiceConfig(Strict):
    """What several boxes share: gas, cooling, vacuum, power, the room."""

    kind: Literal["house", "cylinder", "liquid", "cooling", "vacuum", "power", "room"]
    title: Words | None = None
    impurity: ImpurityConfig = ImpurityConfig()
    signals: dict[Signal, Feed] = Field(default_factory=dict)


class PurifierConfig(Strict):
    """A purifier with one or two beds. Capacities are those quoted for a fresh bed."""

    title: Words | None = None
    beds: Annotated[int, Field(ge=1, le=2)] = 1
    flow: Flow | None = None
    oxygen_capacity: Litres | None = None
    water_capacity: Kilograms | None = None
    signals: dict[Signal, Feed] = Field(default_factory=dict)


class AntechamberConfig(Strict):
    """An antechamber; `cycles` down to `evacuate_below` are what a transfer needs."""

    volume: Volume
    cycles: Annotated[int, Field(ge=1, le=50)] = 3
    evacuate_below: Pressure = 5.0


class AnalyzerConfig(Strict):
    """The sensor behind a trace gas, for causes and for proofs that it answers."""

    kind: Literal[
        "electrochemical",
        "zirconia",
        "optical",
        "capacitive",
        "phosphorus-pentoxide",
        "chilled-mirror",
        "laser",
    ]
    sample_point: Literal["box", "return", "bed-outlet", "pipe", "bypass"] = "box"
    zero_uncertainty: Ppm = 0.2


class BoxConfig(Strict):
    """One glovebox: its gas, its signals, and rules and contacts of its own."""

    title: Words = ""
    gas: Literal["nitrogen", "argon"] = "nitrogen"
    regime: Literal["positive", "negative"] = "positive"
    volume: Volume | None = None
    purifier: Name | None = None
    supply: Name | None = None
    refill_from: Literal["box", "supply"] = "box"
    antechambers: dict[Signal, AntechamberConfig] = Field(default_factory=dict)
    analyzers: dict[Literal["oxygen", "moisture"], AnalyzerConfig] = Field(default_factory=dict)
    gloves: Annotated[int, Field(ge=0, le=50)] | None = None
    signals: dict[Signal, Feed] = Field(default_factory=dict)
    rules: dict[Name, RuleSpec] = Field(default_factory=dict)
    contacts: list[Name] | None = None


class TlsConfig(Strict):
    """The certificate authority of the broker."""

    ca: FileName


class CommandsConfig(Strict):
    """The file with the token that a command over MQTT must bear."""

    token_file: FileName


def _commands_form(value: object) -> str:
    return "a word" if isinstance(value, str) else "a mapping"


Commands = Annotated[
    Annotated[CommandsConfig, Tag("a mapping")] | Annotated[Literal["trust-broker"], Tag("a word")],
    Discriminator(_commands_form),
]


class MqttConfig(Strict):
    """The MQTT broker that readings and events are published to."""

    host: Host = "127.0.0.1"
    port: Port = 1883
    prefix: Topic = "dewline"
    username: Words | None = None
    password_file: FileName | None = None
    tls: TlsConfig | None = None
    readings_every: Duration = 10_000
    commands: Commands | None = None


class InfluxConfig(Strict):
    """A store for time series that takes InfluxDB line protocol."""

    url: Url
    org: Words = ""
    bucket: Words = "dewline"
    token_file: FileName | None = None


class ContactConfig(Strict):
    """One person to page; the file holds the address, which is a secret."""

    url_file: FileName
    from_priority: Priority = "high"
    hours: HoursField | None = None
    escalate_after: PositiveDuration | None = None
    then: Name | None = None
    test_at: TimeOfDay | None = None


class PushConfig(Strict):
    """Whom to page."""

    contacts: dict[Name, ContactConfig]


class HeartbeatConfig(Strict):
    """A ping to a receiver outside, which raises an alarm when it stays away."""

    url_file: FileName
    every: Annotated[PositiveDuration, Field(ge=1000)] = 60_000


class PageConfig(Strict):
    """The web page of the daemon."""

    bind: Annotated[str, Field(pattern=r"^(\[[0-9a-fA-F:]+\]|[A-Za-z0-9.\-]+):\d{1,5}$")] = (
        "127.0.0.1:8420"
    )
    token_file: FileName | None = None


class SiteConfig(Strict):
    """A whole config."""

    site: Name
    timezone: Zone = "UTC"
    staffed: HoursField | None = None
    holidays: list[Day] = Field(default_factory=list)
    journal: JournalConfig = JournalConfig()
    buses: dict[Name, BusConfig] = Field(default_factory=dict)
    instruments: dict[Name, InstrumentConfig] = Field(default_factory=dict)
    services: dict[Name, ServiceConfig] = Field(default_factory=dict)
    purifiers: dict[Name, PurifierConfig] = Field(default_factory=dict)
    boxes: dict[Name, BoxConfig]
    rule_sets: list[FileName] = Field(default_factory=list)
    rules: dict[Name, RuleSpec] = Field(default_factory=dict)
    mqtt: MqttConfig | None = None
    influx: InfluxConfig | None = None
    push: PushConfig | None = None
    heartbeat: HeartbeatConfig | None = None
    page: PageConfig | None = None

    @property
    def contacts(self) -> dict[str, ContactConfig]:
        """The contacts to page by name; none where nobody is paged."""
        return self.push.contacts if self.push else {}
