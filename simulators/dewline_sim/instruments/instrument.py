"""An instrument: a register map, the sensors behind it, and what can go wrong with it.

One seeded random generator an instrument, so that a change to one leaves the
noise of the others as it was. It fills a table of unit normal draws from which
each channel takes one a tick, so that the noise does not depend on who reads
what; sensors without a memory are updated only when they are read.
"""

from __future__ import annotations

import random
from array import array
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields

from dewline_sim.instruments.maps import MAPS, OWN
from dewline_sim.instruments.registers import Register, State
from dewline_sim.instruments.sensors import Sensor, Truth, build
from dewline_sim.modbus import Table, Words

ZERO_BLOCK_MS = 2_000
_DRAWS = 8192


@dataclass(slots=True)
class Channel:
    """One register and what fills it. ``place`` is "" for what is the instrument's own."""

    register: Register
    place: str
    role: str
    sensor: Sensor | None
    value: float = 0.0
    state: State = State.SOUND
    held: float | None = None
    phase: int = 0  # where in the table of draws this channel began
    read_at: int = -1  # the tick at which it was last brought up to date


class Instrument:
    """Registers filled from the truth once a tick, and what can go wrong with all of them.

    ``profile`` names its register map, ``place`` where it stands. ``wiring`` maps a
    register to ``place.role`` where that is not the instrument's own place;
    ``sensors`` changes what is typical of a register.
    """

    def __init__(
        self, name: str, profile: str, place: str, *, seed: int = 0,
        wiring: Mapping[str, str] | None = None,
        sensors: Mapping[str, Mapping[str, object]] | None = None,
        own: Mapping[str, float] | None = None,
    ) -> None:  # fmt: skip
        self.name = name
        self.profile = profile
        self.place = place
        self.own: dict[str, float] = {**OWN, **(own or {})}
        self.powered = True
        self.frozen = False
        self.zero_until_ms = 0
        self.now_ms: int | None = None
        rng = random.Random(f"{seed}/{name}")
        self._draws = array("d", (rng.gauss(0.0, 1.0) for _ in range(_DRAWS)))
        self._ticks = 0
        self._truths: Mapping[str, Truth] = {}
        self._cached: Words | None = None
        wiring, sensors = wiring or {}, sensors or {}
        self.channels = {
            r.name: self._channel(r, wiring.get(r.name), sensors.get(r.name, {}))
            for r in MAPS[profile]
        }
        for channel in self.channels.values():
            channel.phase = rng.randrange(_DRAWS)
        self._with_memory = self._found_with_memory()

    def _found_with_memory(self) -> list[Channel]:
        """Channels that must be updated at every tick, whether they are read or not."""
        return [c for c in self.channels.values() if c.sensor is not None and c.sensor.has_memory]

    def _channel(
        self, register: Register, wire: str | None, changes: Mapping[str, object]
    ) -> Channel:
        place, _, role = (wire or register.role or register.name).rpartition(".")
        own = not wire and role in self.own and role not in changes
        plain = register.type == "bit" or register.plain
        sensor = None if plain else build(register.name, role, changes)
        return Channel(register, "" if own else place or self.place, role, sensor)

    def tick(self, now_ms: int, truths: Mapping[str, Truth]) -> None:
        """Go on to ``now_ms``; ``truths`` gives every place's roles.

        Without power nothing moves. At the first tick, sensors for roles that
        the place does not have are taken out.
        """
        if self.now_ms is None:
            self._drop_absent_sensors(truths)
        dt_s = 0.0 if self.now_ms is None else (now_ms - self.now_ms) / 1000.0
        self.now_ms = now_ms
        if not self.powered:
            return
        self._ticks += 1
        self._truths = truths
        for channel in self._with_memory:
            self._update(channel, dt_s)
        if not self.frozen:
            self._cached = None

    def _update(self, channel: Channel, dt_s: float) -> None:
        """Bring a channel to this tick."""
        truth = self._truths[channel.place] if channel.place else self.own
        channel.read_at = self._ticks
        sensor = channel.sensor
        if sensor is None:
            held = channel.held
            channel.value = truth.get(channel.role, 0.0) if held is None else held
            return
        sensor.tick(dt_s, truth, self._draws[(channel.phase + self._ticks) % _DRAWS])
        if not self.frozen:
            channel.value, channel.state = sensor.value, sensor.state

    def channel(self, register: str) -> Channel:
        """A channel, brought up to date for this tick."""
        channel = self.channels[register]
        if channel.read_at != self._ticks and not self.frozen:
            self._update(channel, 0.0)
        return channel

    def _drop_absent_sensors(self, truths: Mapping[str, Truth]) -> None:
        """A panel has registers for sensors that a box may lack; they stand at zero."""
        for channel in self.channels.values():
            truth = truths[channel.place] if channel.place else self.own
            if channel.sensor is not None and channel.role not in truth:
                channel.sensor = None
        self._with_memory = self._found_with_memory()

    def words(self) -> Words:
        """The whole bank now: table -> address -> word."""
        if self._cached is None:
            self._cached = self._filled()
        return self._cached

    def _filled(self) -> Words:
        bank: dict[Table, dict[int, int]] = {}
        blank = self._blank()
        for name in self.channels:
            channel = self.channel(name)
            register = channel.register
            table = bank.setdefault(register.table, {})
            if register.type == "bit" and register.table in ("holding", "input"):
                bit = 0 if blank else int(abs(channel.value) > 0.5) << register.bit
                table[register.address] = table.get(register.address, 0) | bit
                continue
            words = register.words(channel.value, channel.state)
            for i, word in enumerate(words):
                table[register.address + i] = 0 if blank else word
        return bank

    def _blank(self) -> bool:
        """Just after a restart every register is zero."""
        return self.now_ms is not None and self.now_ms < self.zero_until_ms

    def shown(self, register: str) -> tuple[float | None, str]:
        """Number (the lab's unit) and quality word that a reader gets now."""
        if not self.powered:
            return None, "bad/no-answer"
        channel = self.channel(register)
        if self._blank():
            return self._shown_zero(channel.register)
        return channel.register.shown(channel.value, channel.state)

    def _shown_zero(self, register: Register) -> tuple[float | None, str]:
        if register.loop is not None:
            return None, "bad/loop-fault"
        if register.type == "bit":
            return 0.0, "good"
        return register.shown(-register.shift / register.factor, State.SOUND)

    def act(self, name: str, params: Mapping[str, object]) -> None:
        """Carry out one of ``ACTS`` with its parameters.

        Raises ValueError for an unknown act or register, or a wrong parameter.
        """
        act = ACTS.get(name)
        if act is None:
            raise ValueError(f"{self.name}: no act {name!r}; there are {', '.join(ACTS)}")
        try:
            act(self, **params)
        except (TypeError, KeyError) as error:
            raise ValueError(f"{self.name}: {name}: {error}") from None

    def _freeze(self, register: str | None = None, on: bool = True) -> None:
        """Hold the last value: of one register, or of the whole block."""
        if register is None:
            self.words()
            self.frozen = on
        else:
            self.channel(register)  # the last value it shows is today's
            self._sensor(register).frozen = on
            self._with_memory = self._found_with_memory()

    def _hold(self, register: str, value: float | None) -> None:
        """A bit or number that stays at ``value`` whatever is true; null lets it go."""
        channel = self.channels[register]
        if channel.sensor is not None:
            raise KeyError(f"{register} has a sensor: freeze or set it")
        channel.held = None if value is None else float(value)

    def _set(self, register: str, **changes: object) -> None:
        """Change a sensor: zero, gain, drift_per_d, slip, deaf, added, noise, failed, ..."""
        sensor = self._sensor(register)
        known = {f.name for f in fields(sensor)}
        if unknown := set(changes) - known:
            raise KeyError(f"a sensor has no {', '.join(sorted(unknown))}")
        for key, value in changes.items():
            setattr(sensor, key, value)
        self._with_memory = self._found_with_memory()

    def _power(self, on: bool) -> None:
        """Cut the power, or give it back: then a block of zeros, then warming up."""
        if on and not self.powered:
            self.zero_until_ms = (self.now_ms or 0) + ZERO_BLOCK_MS
            for channel in self.channels.values():
                if channel.sensor is not None:
                    channel.sensor.restart()
        self.powered = on
        self._cached = None

    def _switch(self, on: bool) -> None:
        """Switch the analyzer itself off or on; it still answers requests."""
        self.own["analyzer_on"] = self.own["sample_pump_on"] = float(on)
        for register in ("o2", "h2o"):
            if register in self.channels:
                sensor = self._sensor(register)
                if on and not sensor.on:
                    sensor.restart()
                sensor.on = on

    def _own(self, **values: float) -> None:
        """Set what the instrument reports of itself: sample_flow, service_due, ..."""
        if unknown := set(values) - set(self.own):
            raise KeyError(f"it has no {', '.join(sorted(unknown))} of its own")
        self.own.update({k: float(v) for k, v in values.items()})

    def _sensor(self, register: str) -> Sensor:
        channel = self.channels.get(register)
        if channel is None or channel.sensor is None:
            raise KeyError(f"no sensor behind {register!r}")
        return channel.sensor


#: What can be done to an instrument, by name; the docstring says what it means.
ACTS: Mapping[str, Callable[..., None]] = {
    "freeze": Instrument._freeze,
    "set": Instrument._set,
    "hold": Instrument._hold,
    "power": Instrument._power,
    "switch": Instrument._switch,
    "own": Instrument._own,
}
