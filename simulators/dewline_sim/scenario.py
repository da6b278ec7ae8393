"""A story moved on tick by tick: the lab, its instruments and its faults.

Nothing here knows a socket or a clock. ``advance`` is all there is to time, so
the very same scene is written to CSV at full speed, served live, or moved in
lock-step with a stepping client.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

from dewline_sim.faults import Faults, LinkKind
from dewline_sim.instruments.instrument import Instrument
from dewline_sim.instruments.sensors import STANDARD_MBAR
from dewline_sim.instruments.text_meters import TEXT_METERS, FrostMeter
from dewline_sim.setup import InstrumentEntry, Setup
from dewline_sim.story import Happening, Story
from dewline_sim.typed_tree import tree_of

TICK_MS = 1000
OnLine = Callable[[str], None]


class Physics(Protocol):
    """The lab as a scene sees it; ``dewline_sim.lab.Lab`` is the real one."""

    def advance(self, to_ms: int) -> None:
        """Move on to a UTC time in ms."""

    def truth(self, place: str) -> Mapping[str, float]:
        """What is true at a place now, by role."""

    def act(self, name: str, place: str, **params: object) -> None:
        """Let people or a fault do something at a place now."""

    def acts(self) -> Mapping[str, str]:
        """Every act with its meaning."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where a signal is read: its recorded name, instrument and register, bus and unit number."""

    signal: str
    instrument: Instrument
    register: str
    bus: str
    unit: int


class Scene:
    """A story with its lab, standing at ``now_ms`` (UTC).

    ``wires`` are all signals that are read, ``buses`` the instruments by bus and
    unit number, ``places`` those whose truth some instrument shows.
    """

    def __init__(self, story: Story, lab: Physics) -> None:
        self.story = story
        self.lab = lab
        self.now_ms = story.start_ms
        setup = story.setup
        self.bus_kinds: dict[str, LinkKind] = {n: b["kind"] for n, b in setup["buses"].items()}
        self.faults = Faults(self.bus_kinds, story.seed)
        entries = setup["instruments"]
        self.instruments = {n: _instrument(n, entry, story.seed) for n, entry in entries.items()}
        self.buses: dict[str, dict[int, str]] = {n: {} for n in self.bus_kinds}
        for name, entry in entries.items():
            self.buses[entry["bus"]][entry.get("unit", 1)] = name
        self.wires = tuple(self._wires(setup))
        self._streams = [
            entries[n]["bus"] for n, i in self.instruments.items() if isinstance(i, FrostMeter)
        ]
        self.places = sorted(
            {c.place for i in self.instruments.values() for c in i.channels.values() if c.place}
        )
        self._powered = dict.fromkeys(self.instruments, True)
        self._next = 0
        self._check_wires()
        self._tick(None)

    def _wires(self, setup: Setup) -> Iterator[Wire]:
        for signal, wire in _signals(setup):
            name, _, register = wire.partition(".")
            instrument, at = self.instruments[name], setup["instruments"][name]
            if register not in instrument.channels:
                raise ValueError(f"{signal}: {name} has no register {register!r}")
            yield Wire(signal, instrument, register, at["bus"], at.get("unit", 1))

    def _check_wires(self) -> None:
        """Raise ValueError where a signal is read that the lab does not have."""
        truths = self.truths()
        for wire in self.wires:
            channel = wire.instrument.channels[wire.register]
            if channel.place and channel.role not in truths[channel.place]:
                where = f"{wire.instrument.name}.{wire.register}"
                raise ValueError(f"{where}: the lab has no {channel.role} at {channel.place}")

    @property
    def ended(self) -> bool:
        """Whether the story has reached its end."""
        return self.now_ms >= self.story.end_ms

    def advance(self, to_ms: int, tick_ms: int = TICK_MS, *, on_line: OnLine | None = None) -> None:
        """Move the story on to ``to_ms``, in whole ticks.

        The lab is integrated in its own steps whatever the tick; with a longer one the
        instruments see it less often, and what happens within it happens at its beginning.
        ``on_line`` is called at each tick with every bus on which a line is sent unasked.
        """
        while self.now_ms + tick_ms <= to_ms:
            self.now_ms += tick_ms
            self._tick(on_line)

    def _tick(self, on_line: OnLine | None) -> None:
        self.faults.now_ms = self.now_ms
        self._apply_happenings()
        self.lab.advance(self.now_ms)
        self._update_instruments()
        if on_line is not None:
            for bus in self._streams:
                on_line(bus)

    def _apply_happenings(self) -> None:
        happenings = self.story.happenings
        while self._next < len(happenings) and happenings[self._next].at_ms <= self.now_ms:
            self._apply(happenings[self._next])
            self._next += 1

    def _apply(self, what: Happening) -> None:
        if what.fault is not None:
            self.faults.add(what.fault)
        if what.do is not None:
            self.act(what.do, what.place, what.instrument, what.params or {})

    def _update_instruments(self) -> None:
        """Let every instrument see the truth; one whose place has lost power loses it too."""
        truths = self.truths()
        for name, instrument in self.instruments.items():
            powered = truths.get(instrument.place, {}).get("powered", 1.0) > 0.5
            if powered != self._powered[name]:
                self._powered[name] = powered
                instrument.act("power", {"on": powered})
            instrument.tick(self.now_ms, truths)

    def truths(self) -> dict[str, dict[str, float]]:
        """The truth of every place that has an instrument, in mbar and by the roles' names."""
        barometer = self.lab.truth("site").get("barometer", STANDARD_MBAR)
        return {p: canonical(self.lab.truth(p), barometer) for p in self.places}

    def act(
        self, do: str, place: str | None, instrument: str | None, params: Mapping[str, object]
    ) -> None:
        """Carry out an act on the lab (``place``) or on an instrument.

        Raises ValueError for an unknown instrument, where neither is named, and where the lab
        does not know the act, the place or a parameter.
        """
        if instrument is not None:
            if instrument not in self.instruments:
                raise ValueError(f"no instrument {instrument!r}")
            self.instruments[instrument].act(do, params)
        elif place is not None:
            self.lab.act(do, place, **params)
        else:
            raise ValueError(f"{do}: say at which place or on which instrument")

    def shown(self) -> Iterator[tuple[str, float | None, str]]:
        """What a reader of every wired register gets now: signal, number, quality word."""
        for wire in self.wires:
            number, quality = wire.instrument.shown(wire.register)
            yield wire.signal, number, quality


def _signals(setup: Setup) -> Iterator[tuple[str, str]]:
    """(PLACE.ROLE, INSTRUMENT.REGISTER) of each signal that is read."""
    groups = (
        setup.get("services"), setup.get("purifiers"), setup.get("site_signals"),
        setup.get("boxes"),
    )  # fmt: skip
    for places in groups:
        for place, entry in (places or {}).items():
            for role, wire in tree_of(entry.get("signals"), f"{place}.signals").items():
                yield f"{place}.{role}", str(wire)


def canonical(truth: Mapping[str, float], barometer_mbar: float) -> dict[str, float]:
    """The lab's truth in the units of the instruments: all pressures in mbar.

    Supplies and forming gas are in bar gauge before; every place gets the
    barometer, and a box ``solvent_vapour``, as the registers call it.
    """
    out = dict(truth)
    out.setdefault("barometer", barometer_mbar)
    if "level" in out:  # a supply: bar gauge
        bars = [name for name in out if name == "pressure" or name.startswith("cylinder_")]
        out.update({name: 1000.0 * out[name] for name in bars})
    if "forming_gas_pressure" in out:
        out["forming_gas_pressure"] *= 1000.0
    if "solvent" in out:
        out["solvent_vapour"] = out["solvent"]
    return out


def _instrument(name: str, entry: InstrumentEntry, seed: int) -> Instrument:
    kind: type[Instrument] = TEXT_METERS.get(entry["profile"], Instrument)
    return kind(
        name, entry["profile"], entry["place"], seed=seed, wiring=entry.get("wiring"),
        sensors=entry.get("sensors"), own=entry.get("own"),
    )  # fmt: skip
