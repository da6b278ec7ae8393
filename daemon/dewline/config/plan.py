"""The frozen Plan: what a config means once it is read, checked and laid in layers.

Everything numeric is already in the unit its name says. ``config.load`` builds
it; bus, followers and service read it; ``Plan.watch`` goes to the watch.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from dewline.events import Priority
from dewline.hours import Hours
from dewline.readings import Quality
from dewline.watch_plan import WatchPlan

Table = Literal["holding", "input", "coil", "discrete"]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64", "bit"]
WordOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]
# How many registers a number takes on the wire; one where it is not named here.
WORDS: dict[RegisterType, int] = {"int32": 2, "uint32": 2, "float32": 2, "float64": 4}


def there(path: Path) -> bool:
    """Whether there is something at ``path``; a name too long for the disk is not there."""
    try:
        return path.exists()
    except OSError:
        return False


def secret_file(path: Path) -> Path:
    """``path``, or where it is missing the file of that name where an installation keeps it.

    systemd hands secrets to the service in $CREDENTIALS_DIRECTORY (``LoadCredential=``), from a
    folder ``secrets`` beside the config that only root can read. A command that is not the service
    looks into that folder itself: read by somebody else than root it says so, and not that there
    is no such file. ``path`` where there is none at all.
    """
    handed = os.environ.get("CREDENTIALS_DIRECTORY")
    folders = [*((Path(handed),) if handed else ()), path.parent / "secrets"]
    places = (path, *(folder / path.name for folder in folders))
    return next((place for place in places if may_be_there(place)), path)


def may_be_there(path: Path) -> bool:
    """Whether there is such a file, or a folder that we may not look into."""
    try:
        path.stat()
    except PermissionError:
        return True
    except (OSError, ValueError):
        return False
    return True


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterPlan:
    """One value of an instrument and how it is decoded and qualified.

    value = raw x scale + offset in ``unit``; the reading is that
    x ``factor`` + ``shift`` in ``canonical_unit``. ``valid``, ``floor`` and
    ``span`` are in the canonical unit; ``sentinels`` are raw integers at
    register width.
    """

    name: str
    table: Table
    address: int
    type: RegisterType = "uint16"
    word_order: WordOrder | None = None
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    canonical_unit: str = ""
    factor: float = 1.0
    shift: float = 0.0
    valid: tuple[float, float] | None = None
    floor: float | None = None
    sentinels: dict[int, Quality] = field(default_factory=dict)
    loop: Literal["4-20mA"] | None = None
    span: tuple[float, float] | None = None
    reference: Literal["absolute", "gauge"] | None = None
    bit: int | None = None
    states: dict[int, str] = field(default_factory=dict)

    @property
    def words(self) -> int:
        """Registers (or bits) this value takes on the wire."""
        return WORDS.get(self.type, 1)

    @property
    def floor_from(self) -> float:
        """The lowest value that is shown as ``floor``, in the canonical unit.

        A floor above zero is what an analyzer cannot tell from zero, on either side of it. What
        is further below zero says that the zero is wrong. Common practice, no source.
        """
        return -self.floor if self.floor is not None and self.floor > 0 else float("-inf")


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusTcpPlan:
    """A Modbus TCP server or gateway."""

    name: str
    host: str
    port: int = 502


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialPortPlan:
    """A serial port and how it is opened."""

    port: str
    baud: int = 19200
    parity: Literal["even", "odd", "none"] = "even"
    data_bits: Literal[7, 8] = 8
    stop_bits: Literal[1, 2] = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusRtuPlan:
    """A Modbus RTU line. ``echo`` strip: the adapter hands back what it sends.

    After a failed exchange nothing is sent until the line was silent for
    ``quiet_after_timeout_ms``.
    """

    name: str
    line: SerialPortPlan
    echo: Literal["none", "strip"] = "none"
    quiet_after_timeout_ms: int = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class AsciiPlan:
    """A serial port with instruments that send lines of text."""

    name: str
    line: SerialPortPlan


BusPlan = ModbusTcpPlan | ModbusRtuPlan | AsciiPlan


@dataclass(frozen=True, slots=True)
class AsciiProfile:
    """How to read a line instrument. ``ask``: what is sent for a line; None where it streams.

    ``pattern`` is a regular expression whose named groups are registers. ``checksum`` xor-hex:
    the line ends in ``*HH``, the exclusive or of the bytes before the star.
    """

    pattern: str
    ask: str | None = None
    line_end: str = "\r\n"
    max_line: int = 200
    checksum: Literal["none", "xor-hex"] = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentPlan:
    """One instrument on a bus. ``feeds`` maps register name -> full signal names."""

    name: str
    bus: str
    profile: str
    registers: tuple[RegisterPlan, ...]
    feeds: dict[str, tuple[str, ...]]
    unit: int = 1
    every_ms: int = 1000
    timeout_ms: int = 300
    gap_before_ms: int = 0
    turnaround_ms: int = 0
    max_registers: int = 125
    max_gap: int = 8
    ascii: AsciiProfile | None = None

    @property
    def floats(self) -> tuple[RegisterPlan, ...]:
        """The registers that feed a signal as a float, the words of which have an order."""
        return tuple(
            register
            for register in self.registers
            if register.name in self.feeds
            and register.type.startswith("float")
            and register.word_order is not None
            and register.loop is None
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalPlan:
    """The record: its file, and the disk space kept back for when the disk is full."""

    path: Path
    commit_every_ms: int = 2000
    keep_raw_ms: int = 30 * 86_400_000
    reserve_bytes: int = 16_000_000

    @property
    def socket(self) -> Path:
        """The control socket beside the journal."""
        return self.path.with_name(self.path.name + ".sock")


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttPlan:
    """The MQTT broker. ``commands``: who may send commands through it."""

    host: str = "127.0.0.1"
    port: int = 1883
    prefix: str = "dewline"
    username: str | None = None
    password_file: Path | None = None
    tls_ca: Path | None = None
    readings_every_ms: int = 10_000
    commands: Literal["off", "trust-broker", "token"] = "off"
    token_file: Path | None = None
    keepalive_s: int = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxPlan:
    """A store that takes InfluxDB line protocol."""

    url: str
    org: str = ""
    bucket: str = "dewline"
    token_file: Path | None = None


def page_road(contact: str) -> str:
    """The name by which the box ``daemon`` knows the road of the pages to a contact."""
    return f"page-{contact}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactPlan:
    """A contact to page, and within which ``hours``.

    To whom an alarm goes on that is not acknowledged stands in the watch plan, as ``Escalation``.
    """

    name: str
    url_file: Path
    from_priority: Priority = "high"
    hours: Hours | None = None
    test_at_minute: int | None = None  # a test page every day at that minute


@dataclass(frozen=True, slots=True, kw_only=True)
class HeartbeatPlan:
    """A ping to a receiver outside, sent only while every part of the daemon makes progress."""

    url_file: Path
    every_ms: int = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole config. ``hash`` names the watch plan in journal and snapshots."""

    path: Path
    site: str
    watch: WatchPlan
    hash: str
    journal: JournalPlan
    buses: dict[str, BusPlan] = field(default_factory=dict)
    instruments: dict[str, InstrumentPlan] = field(default_factory=dict)
    mqtt: MqttPlan | None = None
    influx: InfluxPlan | None = None
    contacts: dict[str, ContactPlan] = field(default_factory=dict)
    box_contacts: dict[str, tuple[str, ...]] = field(default_factory=dict)
    heartbeat: HeartbeatPlan | None = None
