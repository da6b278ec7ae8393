"""Sensors with their errors. Each turns the truth at its sample point into an indication.

``tick(dt_s, truth, chance)`` moves a sensor on and leaves ``value`` (the lab's
unit) and ``state``. ``truth`` is everything known of the place, since a sensor
may respond to more than what it is sold for. Figures are starting points (common
practice, no source) unless a source stands beside them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from dewline_sim.instruments.frost import frost_point_c
from dewline_sim.instruments.maps import TYPICAL
from dewline_sim.instruments.registers import State
from dewline_sim.typed_tree import build as typed

Truth = Mapping[str, float]
DAY_S = 86_400.0
STANDARD_MBAR = 1013.25

# ppm of oxygen that 1 ppm of a combustible takes with it on a hot zirconia cell:
# the oxygen of complete combustion, e.g. C7H8 + 9 O2 -> 7 CO2 + 4 H2O.
BURNS = {"toluene": 9.0, "thf": 5.5, "ether": 6.0, "hexane": 9.5, "hydrogen": 0.5}


@dataclass(slots=True, kw_only=True)
class Sensor:
    """What all have in common: zero, gain, drift, noise, lag, range, freezing, switching off.

    ``noise`` is one standard deviation in the sensor's unit, ``noise_share`` one
    as a share of the value; ``drift_per_d`` moves the zero; lags are first-order
    time constants (T90 = 2.3 of them).
    """

    role: str
    zero: float = 0.0
    gain: float = 1.0
    drift_per_d: float = 0.0
    noise: float = 0.0
    noise_share: float = 0.0
    lag_up_s: float = 0.0
    lag_down_s: float = 0.0
    low: float = -math.inf
    high: float = math.inf
    floor: float | None = None
    slip: float = 1.0
    warm_up_s: float = 0.0
    value: float = 0.0
    state: State = State.SOUND
    on: bool = True
    frozen: bool = False
    failed: bool = False
    deaf: float = 0.0
    added: float = 0.0
    warming_s: float = 0.0
    inner: float | None = None

    @property
    def has_memory(self) -> bool:
        """Whether it depends on the past; if not, it is updated only when it is read."""
        lags = self.lag_up_s or self.lag_down_s or self.warm_up_s
        return bool(lags or self.drift_per_d or self.deaf or self.frozen)

    def tick(self, dt_s: float, truth: Truth, chance: float) -> None:
        """Go on by ``dt_s`` with this truth; ``chance`` is a draw from the unit normal."""
        self.zero += self.drift_per_d * dt_s / DAY_S
        sensed = self._sensed(truth)
        if self.inner is None:
            self.inner = sensed
        self.inner = self._lagged(dt_s, sensed, self.inner)
        if not self.frozen:
            self.state, self.value = self._indicated(dt_s, self.inner, chance)

    def _sensed(self, truth: Truth) -> float:
        """What reaches the sensing element: the truth, what a leaking sample line adds to it,
        and of any change only the share that a deaf element (``deaf`` 1: wholly) lets through.
        """
        value = self._source(truth) + self.added
        if self.deaf and self.inner is not None:
            value = self.inner + (1.0 - self.deaf) * (value - self.inner)
        return value

    def _source(self, truth: Truth) -> float:
        """What this kind of element responds to."""
        return truth[self.role]

    def _lagged(self, dt_s: float, sensed: float, inner: float) -> float:
        """The element after a first-order lag, by direction; exact for a constant input."""
        lag_s = self.lag_up_s if sensed > inner else self.lag_down_s
        if lag_s <= 0.0:
            return sensed
        return inner + (sensed - inner) * -math.expm1(-dt_s / lag_s)

    def _indicated(self, dt_s: float, inner: float, chance: float) -> tuple[State, float]:
        """What is displayed: gain, zero, scale and noise, then limits and states.

        Being off counts before having failed, and that before warming up.
        """
        value = (inner * self.gain + self._extra() + self.zero) * self.slip
        if self.noise or self.noise_share:
            value += chance * (self.noise + self.noise_share * abs(value))
        state, value = self._limited(value)
        if self.warming_s > 0.0:
            self.warming_s -= dt_s
            state = State.WARMING
        if self.failed:
            state = State.FAULT
        return (state, value) if self.on else (State.OFF, 0.0)

    def _extra(self) -> float:
        """What the element adds of its own, in the sensor's unit."""
        return 0.0

    def _limited(self, value: float) -> tuple[State, float]:
        """Saturation at both ends, and the floor below which it shows nothing."""
        if value > self.high:
            return State.OVER, self.high
        if value < self.low:
            return State.UNDER, self.low
        if self.floor is not None and value < self.floor:
            return State.SOUND, self.floor
        return State.SOUND, value

    def restart(self) -> None:
        """Power comes back: a sensor that needs warming up warms up."""
        self.warming_s = self.warm_up_s


@dataclass(slots=True, kw_only=True)
class ElectrochemicalOxygen(Sensor):
    """A wet cell: its electrolyte takes oxygen up and gives it back for hours.

    After room air it shows about 10 ppm after 1 h, 1 ppm after some hours and
    0.1 ppm after a day (common practice, no source): two stores, charged within
    minutes in proportion to the oxygen, discharging over 1.3 h and 10 h.
    """

    stored_fast: float = 0.0
    stored_slow: float = 0.0

    def _lagged(self, dt_s: float, sensed: float, inner: float) -> float:
        level = Sensor._lagged(self, dt_s, sensed, inner)
        self.stored_fast = _stored(self.stored_fast, 1e-4 * level, 4_700.0, dt_s)
        self.stored_slow = _stored(self.stored_slow, 3e-6 * level, 36_000.0, dt_s)
        return level

    def _extra(self) -> float:
        return self.stored_fast + self.stored_slow


def _stored(held: float, target: float, discharge_s: float, dt_s: float) -> float:
    tau = 600.0 if target > held else discharge_s
    return held + (target - held) * -math.expm1(-dt_s / tau)


@dataclass(slots=True, kw_only=True)
class ZirconiaOxygen(Sensor):
    """A hot cell: quick, but it burns what is combustible and shows the oxygen left over.

    ``solvent`` is a key of ``BURNS``: what the vapour in the box is made of.
    """

    solvent: str = "toluene"

    def _source(self, truth: Truth) -> float:
        burnt = BURNS[self.solvent] * truth.get("solvent_vapour", 0.0)
        burnt += BURNS["hydrogen"] * truth.get("hydrogen", 0.0)
        return max(0.0, truth[self.role] - burnt)


@dataclass(slots=True, kw_only=True)
class CapacitiveMoisture(Sensor):
    """A film that wets in minutes and dries the slower the drier it gets.

    Below ``slow_below`` ppm the drying lag grows as 1/ppm, up to tenfold.
    ``cross`` is how many ppm it shows for 1 ppm of solvent.
    """

    slow_below: float = 2.0
    cross: float = 0.0

    def _source(self, truth: Truth) -> float:
        return truth[self.role] + self.cross * truth.get("solvent_vapour", 0.0)

    def _lagged(self, dt_s: float, sensed: float, inner: float) -> float:
        lag_s = self.lag_down_s * min(10.0, max(1.0, self.slow_below / max(inner, 1e-6)))
        if sensed >= inner or not lag_s:
            return Sensor._lagged(self, dt_s, sensed, inner)
        return inner + (sensed - inner) * -math.expm1(-dt_s / lag_s)


@dataclass(slots=True, kw_only=True)
class Hours(Sensor):
    """A counter of running time, in seconds: it counts while it is on, whatever the truth."""

    @property
    def has_memory(self) -> bool:
        """A counter depends on nothing but the past."""
        return True

    def _source(self, truth: Truth) -> float:
        return 0.0

    def _indicated(self, dt_s: float, inner: float, chance: float) -> tuple[State, float]:
        return self.state, self.value + (dt_s if self.on else 0.0)


def absolute_mbar(truth: Truth) -> float:
    """Absolute pressure at a box, from its gauge pressure and the barometer."""
    return truth.get("barometer", STANDARD_MBAR) + truth["pressure"]


@dataclass(slots=True, kw_only=True)
class FrostPoint(Sensor):
    """A mirror or film that shows the frost point at the pressure of its sample."""

    def _source(self, truth: Truth) -> float:
        return frost_point_c(truth["moisture"], absolute_mbar(truth) * 100.0)


@dataclass(slots=True, kw_only=True)
class AbsolutePressure(Sensor):
    """Absolute pressure of the sample, mbar."""

    def _source(self, truth: Truth) -> float:
        return absolute_mbar(truth)


KINDS: Mapping[str, type[Sensor]] = {
    "plain": Sensor, "frost": FrostPoint, "absolute": AbsolutePressure, "hours": Hours,
    "electrochemical": ElectrochemicalOxygen, "zirconia": ZirconiaOxygen,
    "capacitive": CapacitiveMoisture,
}  # fmt: skip


def build(register: str, role: str, changes: Mapping[str, object]) -> Sensor:
    """A sensor for a register: the typical one, with a story's changes.

    ``changes`` are fields of ``Sensor`` or of its ``kind``, a key of ``KINDS``.
    Raises ValueError for an unknown kind or field, or a value of another type.
    """
    settings = dict(TYPICAL.get(register, {})) | dict(changes)
    kind = KINDS.get(str(settings.pop("kind", "plain")))
    if kind is None:
        raise ValueError(f"{register}: no such kind of sensor; there are {', '.join(KINDS)}")
    return typed(kind, {"role": role, **settings}, register)
