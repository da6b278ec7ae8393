"""Find and read instrument profiles: beside the config, then among the built-in ones."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from dewline.config.fields import band, example
from dewline.config.manual_numbers import hints
from dewline.config.nodes import KeyPath, SourceFile, read_source
from dewline.config.plan import WORDS, AsciiProfile, RegisterPlan, there
from dewline.config.profile_schema import Ask, ProfileHead, RegisterConfig, Stream
from dewline.config.salvage import salvage
from dewline.readings import Quality
from dewline.units import Quantity, dimension, linear

BUILTIN = Path(__file__).resolve().parent.parent / "builtin"


@dataclass(slots=True)
class Profile:
    """A profile as read. ``known`` also holds registers that have a mistake."""

    source: SourceFile
    registers: dict[str, RegisterConfig] = field(default_factory=dict)
    paths: dict[str, KeyPath] = field(default_factory=dict)
    known: set[str] = field(default_factory=set)
    ascii: AsciiProfile | None = None
    protocol: Literal["modbus", "ascii"] = "modbus"


def find(name: str, folder: str, beside: Path) -> Path | None:
    """The file of a profile or rule set called ``name``; None if there is none."""
    if "/" in name or name.endswith((".yaml", ".yml")):
        tried = [beside / name]
    else:
        tried = [home / folder / f"{name}.yaml" for home in (beside, BUILTIN)]
    return next((path for path in tried if there(path)), None)


def names(folder: str) -> list[str]:
    """What is built in there."""
    return sorted(path.stem for path in (BUILTIN / folder).glob("*.yaml"))


def read_profile(path: Path, site: SourceFile) -> Profile:
    """Read one profile, as far as it is right; problems are added to those of ``site``.

    A register with a mistake is in ``known`` only, so that signals fed by it are not reported
    as well.
    """
    source = read_source(path, site.problems, site.warnings)
    profile = Profile(source)
    head = salvage(ProfileHead, source)
    if head is None:
        return profile
    _line_profile(profile, head)
    for index, item in enumerate(head.registers):
        _register(profile, ("registers", index), item)
    if not head.registers:
        source.report(("registers",), "has no registers", "list at least one")
    if profile.ascii is not None:
        _groups(profile, profile.ascii, "ask" if head.ask else "stream")
    for hint in hints(profile.registers.values()):
        source.warn((*profile.paths[hint.name], "address"), hint.problem, hint.remedy)
    return profile


def _line_profile(profile: Profile, head: ProfileHead) -> None:
    if head.stream is not None and head.ask is not None:
        profile.source.report(("ask",), "stands beside `stream`", "keep one of the two")
    line: Stream | Ask | None = head.ask or head.stream
    data = profile.source.data
    if isinstance(data, dict) and ("stream" in data or "ask" in data):
        profile.protocol = "ascii"
    if line is not None:
        ask = line.send if isinstance(line, Ask) else None
        profile.ascii = AsciiProfile(line.pattern, ask, line.line_end, line.max_line, line.checksum)


def _register(profile: Profile, path: KeyPath, item: object) -> None:
    source = profile.source
    if isinstance(item, dict) and isinstance(item.get("name"), str):
        profile.known.add(item["name"])
    if item is None:
        return
    config = salvage(RegisterConfig, source, data=item, base=path)
    if config is None:
        return
    if config.name in profile.registers:
        source.report((*path, "name"), f"{config.name!r} is there already", "give it another name")
        return
    check = _Check(source, path, config)
    if profile.protocol == "ascii":
        check.line()
    else:
        check.modbus()
    check.amounts()
    if not source.broken(path):
        profile.registers[config.name] = config
        profile.paths[config.name] = path


@dataclass(frozen=True, slots=True)
class _Check:
    """Reports what is wrong between the keys of one register, which stands at ``path``."""

    source: SourceFile
    path: KeyPath
    config: RegisterConfig

    def report(self, key: str, problem: str, remedy: str, *, on_key: bool = False) -> None:
        self.source.report((*self.path, key), problem, remedy, on_key=on_key)

    def missing(self, key: str, problem: str, remedy: str) -> None:
        """Report a key that is not there, unless it is and what it holds was refused before."""
        if not self.source.broken((*self.path, key)):
            self.report(key, problem, remedy)

    def line(self) -> None:
        """A register of an instrument that sends lines of text."""
        for key in ("table", "address", "word_order", "bit", "loop"):
            if getattr(self.config, key) is not None:
                self.report(key, "means nothing in a line of text", "leave it out")

    def modbus(self) -> None:
        """A register of a Modbus instrument."""
        config, words = self.config, WORDS.get(self.config.type, 1)
        for key in ("table", "address"):
            if getattr(config, key) is None:
                self.missing(key, "is missing", f"add `{key}:`")
        if config.address is not None and config.address + words > 65536:
            self.report("address", "runs past 65535", "write a lower address")
        if words > 1 and config.word_order is None:
            self.missing(
                "word_order",
                f"is missing, and {config.type} has no usual one",
                "write ABCD as sent, CDAB words swapped, BADC bytes swapped or DCBA all reversed",
            )
        if words == 1 and config.word_order is not None:
            self.report("word_order", f"means nothing for {config.type}", "leave it out")
        self._bit()
        self._loop()
        self._sentinels()

    def _bit(self) -> None:
        config, single = self.config, self.config.table in ("coil", "discrete")
        if single and config.type != "bit":
            self.report("type", f"{config.type} in a table of bits", "write type: bit")
        if single and config.bit is not None:
            self.report("bit", "means nothing in a table of bits", "leave it out")
        if config.table in ("holding", "input") and config.type == "bit" and config.bit is None:
            remedy = "say which bit of the register: 0 to 15"
            self.report("bit", "is missing", remedy, on_key=True)
        if config.bit is not None and config.type != "bit" and not single:
            self.report("bit", f"means nothing for {config.type}", "write type: bit")
        if config.type == "bit" and config.unit:
            self.report("unit", "a bit has no unit", "leave it out")

    def _loop(self) -> None:
        config = self.config
        if config.loop is not None and config.span is None:
            remedy = "say what 4 mA and 20 mA mean, as in [0 L/min, 1 L/min]"
            self.missing("span", "is missing", remedy)
        if config.span is not None and config.loop is None:
            self.report("span", "means nothing without `loop`", "add loop: 4-20mA")
        if config.loop is not None and config.unit not in ("", "mA"):
            self.report("unit", "a loop is in mA; its span has the unit", "leave it out")

    def _sentinels(self) -> None:
        """Codes that cannot be sent, and codes of the ends of a range that is not given."""
        config, bits = self.config, 16 * WORDS.get(self.config.type, 1)
        low = -(1 << (bits - 1)) if config.type.startswith("int") else 0
        high = (1 << bits) - 1
        for raw in config.sentinels if config.type != "bit" else ():
            if not low <= raw <= high:
                remedy = f"write a raw value from {low} to {high}"
                self.report("sentinels", f"{raw} cannot stand in {config.type}", remedy)
        ends = {Quality.OVER_RANGE, Quality.UNDER_RANGE} & set(config.sentinels.values())
        if ends and config.valid is None and config.loop is None:
            end = min(ends).text.partition("/")[2]
            problem = f"{end} stands at an end of the range, and there is no range"
            self.report("sentinels", problem, "add valid: [LOW, HIGH] of the instrument")

    def amounts(self) -> None:
        """Numbers with units, and the scale."""
        config, unit = self.config, raw_unit(self.config)
        for key in ("valid", "span"):
            pair: list[Quantity] | None = getattr(config, key)
            if pair is None or not self._same_dimension(key, pair, unit):
                continue
            low, high = band(pair, unit)
            if low >= high:
                self.report(key, "is reversed or empty", "write the lower end first")
        if config.floor is not None:
            self._same_dimension("floor", [config.floor], unit)
        if config.scale == 0:
            self.report("scale", "makes every value the same", "write another scale")

    def _same_dimension(self, key: str, amounts: list[Quantity], unit: str) -> bool:
        wanted = dimension(unit)
        wrong = next((q for q in amounts if dimension(q.unit) != wanted), None)
        if wrong is not None and not wrong.unit:
            self.report(key, f"{wrong.value:g} has no unit", f"write {wrong.value:g} {unit}")
        elif wrong is not None:
            problem = f"{wrong.value:g} {wrong.unit} is {dimension(wrong.unit)}, not {wanted}"
            self.report(key, problem.replace("  ", " "), example(wanted))
        return wrong is None


def _groups(profile: Profile, line: AsciiProfile, key: str) -> None:
    groups = set(re.compile(line.pattern).groupindex)
    for name in sorted(groups - profile.known):
        profile.source.report(
            (key, "pattern"), f"{name!r} is no register", "add it under `registers:`"
        )
    for name in sorted(set(profile.registers) - groups):
        profile.source.report(
            (*profile.paths[name], "name"),
            "is no group of the pattern",
            f"write (?P<{name}>…) there",
        )


def raw_unit(config: RegisterConfig) -> str:
    """The unit of the register's value before conversion; that of the span for a loop."""
    return config.span[0].unit if config.span else config.unit


def register_plan(
    profile: Profile, config: RegisterConfig, canonical: str, index: int
) -> RegisterPlan:
    """The plan of one register of a profile, kept in the unit ``canonical``.

    ``index`` is its place in the profile: the address of a group in a line of text. UnitError
    where its unit cannot be converted.
    """
    unit = raw_unit(config)
    factor, shift = linear(unit, canonical)
    if config.span:
        factor, shift = 1.0, 0.0  # the span is canonical already
    return RegisterPlan(
        name=config.name,
        table=config.table or "input",
        address=config.address if config.address is not None else index,
        type="float64" if profile.protocol == "ascii" else config.type,
        word_order=config.word_order,
        scale=config.scale,
        offset=config.offset,
        unit="mA" if config.loop else unit,
        canonical_unit=canonical,
        factor=factor,
        shift=shift,
        valid=None if config.valid is None else band(config.valid, canonical),
        floor=None if config.floor is None else config.floor.to(canonical),
        sentinels=config.sentinels,
        loop=config.loop,
        span=None if config.span is None else band(config.span, canonical),
        reference=config.reference,
        bit=config.bit,
        states=dict(config.states),
    )
