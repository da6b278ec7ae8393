"""A story being told: the lab, its instruments and its faults, moved on tick by tick.

Nothing here knows a socket or a clock. ``advance`` is all there is to time, so
the very same scene is written to CSV at full speed, served live, or moved in
lock-step with a stepping client.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from dewline_sim.faults import Faults, LinkKind
from dewline_sim.instruments.instrument import ActError, Instrument
from dewline_sim.instruments.sensors import STANDARD_MBAR
from dewline_sim.instruments.talkers import TALKERS, FrostMeter
from dewline_sim.story import Happening, Story

TICK_MS = 1000


class Physics(Protocol):
    """The lab as a scene sees it."""

    def advance(self, to_ms: int) -> None: ...

    def truth(self, place: str) -> Mapping[str, float]: ...

    def act(self, name: str, place: str, **params: Any) -> None: ...

    def acts(self) -> Mapping[str, str]: ...


@dataclass(frozen=True, slots=True)
class Wire:
    """A signal's way: recorded name, instrument, register."""

    signal: str
    instrument: Instrument
    register: str


class Scene:
    """A story with its lab. ``on_line`` is called with every talker that speaks at a tick."""

    def __init__(self, story: Story, lab: Physics) -> None:
        self.story = story
        self.lab = lab
        self.now_ms = story.start_ms
        self.on_line: Callable[[str, FrostMeter], None] = lambda bus, meter: None
        setup = story.setup
        self.bus_kinds: dict[str, LinkKind] = {n: b["kind"] for n, b in setup["buses"].items()}
        self.faults = Faults(self.bus_kinds, story.seed)
        self.instruments: dict[str, Instrument] = {}
        self.buses: dict[str, dict[int, str]] = {n: {} for n in self.bus_kinds}
        for name, entry in setup["instruments"].items():
            self.instruments[name] = _instrument(name, entry, story.seed)
            self.buses[entry["bus"]][int(entry.get("unit", 1))] = name
        self.wires = tuple(self._wires(setup))
        self._streamers = [
            (entry["bus"], meter)
            for name, entry in setup["instruments"].items()
            if isinstance(meter := self.instruments[name], FrostMeter)
        ]
        self.places = sorted(
            {c.place for i in self.instruments.values() for c in i.channels.values() if c.place}
        )
        self._powered = dict.fromkeys(self.instruments, True)
        self._next = 0
        self._check_wires()
        self._tick()

    def _wires(self, setup: Mapping[str, Any]) -> Iterator[Wire]:
        for group in ("services", "purifiers", "site_signals", "boxes"):
            for place, entry in (setup.get(group) or {}).items():
                for role, wire in (entry.get("signals") or {}).items():
                    name, _, register = wire.partition(".")
                    if register not in self.instruments[name].channels:
                        raise ActError(f"{place}.{role}: {name} has no register {register!r}")
                    yield Wire(f"{place}.{role}", self.instruments[name], register)

    def _check_wires(self) -> None:
        """Whatever is read by name must be there in the lab."""
        truths = self.truths()
        for wire in self.wires:
            channel = wire.instrument.channels[wire.register]
            if channel.place and channel.role not in truths[channel.place]:
                where = f"{wire.instrument.name}.{wire.register}"
                raise ActError(f"{where}: the lab has no {channel.role} at {channel.place}")

    @property
    def ended(self) -> bool:
        return self.now_ms >= self.story.end_ms

    def advance(self, to_ms: int, tick_ms: int = TICK_MS) -> None:
        """Tell the story up to ``to_ms``, in whole ticks.

        The lab is integrated in its own steps whatever the tick; a longer one only looks at
        it more seldom, and lets what happens within it happen at its beginning.
        """
        while self.now_ms + tick_ms <= to_ms:
            self.now_ms += tick_ms
            self._tick()

    def _tick(self) -> None:
        happenings = self.story.happenings
        now_ms = self.now_ms
        self.faults.now_ms = now_ms
        while self._next < len(happenings) and happenings[self._next].at_ms <= now_ms:
            self._happen(happenings[self._next])
            self._next += 1
        self.lab.advance(now_ms)
        truths = self.truths()
        for instrument in self.instruments.values():
            powered = truths.get(instrument.place, {}).get("powered", 1.0) > 0.5
            if powered != self._powered[instrument.name]:
                self._powered[instrument.name] = powered
                instrument.act("power", {"on": powered})
            instrument.tick(now_ms, truths)
        for bus, meter in self._streamers:
            self.on_line(bus, meter)

    def truths(self) -> dict[str, dict[str, float]]:
        """The truth of every place that has an instrument, in mbar and by the roles' names."""
        barometer = self.lab.truth("site").get("barometer", STANDARD_MBAR)
        return {p: canonical(self.lab.truth(p), barometer) for p in self.places}

    def _happen(self, what: Happening) -> None:
        if what.fault is not None:
            self.faults.add(what.fault)
        if what.do is not None:
            self.act(what.do, what.place, what.instrument, what.params or {})

    def act(
        self, do: str, place: str | None, instrument: str | None, params: Mapping[str, Any]
    ) -> None:
        """An act on the lab (``place``) or on an instrument. ActError where it is unknown."""
        if instrument is not None:
            if instrument not in self.instruments:
                raise ActError(f"no instrument {instrument!r}")
            self.instruments[instrument].act(do, params)
        elif place is not None:
            self.lab.act(do, place, **params)
        else:
            raise ActError(f"{do}: say at which place or on which instrument")

    def shown(self) -> Iterator[tuple[str, float | None, str]]:
        """What a reader of every wired register gets now: signal, number, quality word."""
        for wire in self.wires:
            number, quality = wire.instrument.shown(wire.register)
            yield wire.signal, number, quality


def canonical(truth: Mapping[str, float], barometer_mbar: float) -> dict[str, float]:
    """The lab's truth in the units of the instruments: all pressures in mbar."""
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


def _instrument(name: str, entry: Mapping[str, Any], seed: int) -> Instrument:
    kind: type[Instrument] = TALKERS.get(entry["profile"], Instrument)
    return kind(
        name,
        entry["profile"],
        entry["place"],
        seed=seed,
        wiring=entry.get("wiring"),
        sensors=entry.get("sensors"),
        own=entry.get("own"),
    )
