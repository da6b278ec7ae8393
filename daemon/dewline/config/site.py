"""A parsed config, as far as it could be read, with the profiles it names."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from dewline.config.fields import Definition
from dewline.config.nodes import KeyPath, SourceFile, value_at
from dewline.config.profile_schema import RegisterConfig
from dewline.config.profiles import Profile, raw_unit, register_plan
from dewline.config.roles import PlaceKind, Role, fits, role_of, unit_of
from dewline.config.schema import SiteConfig
from dewline.errors import UnitError
from dewline.typed_json import Json
from dewline.watch_plan import SignalPlan

SECTIONS: tuple[tuple[str, PlaceKind], ...] = (
    ("boxes", "box"),
    ("purifiers", "purifier"),
    ("services", "service"),
)


@dataclass(frozen=True, slots=True)
class SignalMapping:
    """One line under ``signals:`` of a place: signal ``name`` is fed by the register ``feed``.

    ``feed`` is INSTRUMENT.REGISTER; None where the line has a mistake, or defines the signal by
    an expression, which is ``definition``.
    """

    section: str
    kind: PlaceKind
    place: str
    name: str
    feed: str | None
    role: Role | None
    definition: Definition | None = None

    @property
    def full(self) -> str:
        """Full name of the signal: PLACE.NAME."""
        return f"{self.place}.{self.name}"

    @property
    def path(self) -> KeyPath:
        """Where the line stands in the file."""
        return (self.section, self.place, "signals", self.name)

    @property
    def instrument(self) -> str:
        """Name of the instrument; "" where no register feeds the signal."""
        return (self.feed or "").partition(".")[0]

    @property
    def register(self) -> str:
        """Name of the register; "" where no register feeds the signal."""
        return (self.feed or "").partition(".")[2]


@dataclass(slots=True)
class ParsedSite:
    """The parsed config, its text, and the profiles its instruments name."""

    source: SourceFile
    folder: Path
    config: SiteConfig
    profiles: dict[str, Profile | None] = field(default_factory=dict)  # by profile name

    def raw(self, *path: str) -> dict[str, Json]:
        """The mapping as it is written at a path, mistakes included; empty if there is none."""
        data = value_at(self.source.data, path)
        return data if isinstance(data, dict) else {}

    def report(self, path: KeyPath, problem: str, remedy: str, *, on_key: bool = False) -> None:
        """Report a problem at a path of the config; see ``SourceFile.report``."""
        self.source.report(path, problem, remedy, on_key=on_key)

    def antechambers(self, box: str) -> tuple[str, ...]:
        """Names of a box's antechambers, mistakes included."""
        return tuple(self.raw("boxes", box, "antechambers"))

    def profile_of(self, instrument: str) -> Profile | None:
        """The profile of an instrument, if both could be read."""
        config = self.config.instruments.get(instrument)
        return None if config is None else self.profiles.get(config.profile)

    def register_of(self, mapping: SignalMapping) -> RegisterConfig | None:
        """The register that feeds a signal, if both could be read."""
        profile = self.profile_of(mapping.instrument)
        return None if profile is None else profile.registers.get(mapping.register)

    def mappings(self) -> Iterator[SignalMapping]:
        """Every signal that any place maps, in the order written."""
        for section, kind in SECTIONS:
            for place in self.raw(section):
                chambers = self.antechambers(place) if kind == "box" else ()
                parsed = getattr(self.config, section).get(place)
                good = {} if parsed is None else parsed.signals
                for name in self.raw(section, place, "signals"):
                    role = role_of(kind, name, chambers)
                    source = good.get(name)
                    feed = source if isinstance(source, str) else None
                    definition = source if isinstance(source, Definition) else None
                    yield SignalMapping(section, kind, place, name, feed, role, definition)

    def signals(self) -> dict[str, SignalPlan]:
        """The plan of every mapped signal; of one with a mistake what can be known of it."""
        return {m.full: self._signal(m) for m in self.mappings()}

    def _signal(self, mapping: SignalMapping) -> SignalPlan:
        instrument = self.config.instruments.get(mapping.instrument)
        register = self.register_of(mapping)
        unit = unit_of(mapping.role, "" if register is None else raw_unit(register))
        reference = None if register is None else register.reference
        return SignalPlan(
            name=mapping.full,
            place=mapping.place,
            role=mapping.name,
            unit=unit,
            instrument=None if instrument is None else mapping.instrument,
            bus=None if instrument is None else instrument.bus,
            every_ms=1000 if instrument is None else instrument.every,
            reference=reference or (mapping.role.reference if mapping.role else None),
        )

    def misfit(self, mapping: SignalMapping) -> str | None:
        """Why the register cannot feed the role of its signal; None if it can.

        None also where something else is wrong, which is reported elsewhere.
        """
        profile, register = self.profile_of(mapping.instrument), self.register_of(mapping)
        if register is None or profile is None or mapping.role is None:
            return None
        try:
            plan = register_plan(profile, register, raw_unit(register), 0)
        except UnitError:
            return None
        wanted = fits(mapping.role, plan)
        return None if wanted is None else f"{mapping.feed} is not {wanted}"
