"""Pressure holds of boxes that are made of parts, for judging intervals of leak rates.

Nothing here is shared with the fit: the gas is counted in moles, its pressure found by bisection;
gloves give more the slacker they are, and creep; the gas hangs between walls and a room that an air
conditioner switches; the leak is partly a crack (flow as pressure) and partly an orifice (as its
root); the barometer walks at random. Case n uses seed n of its own stream.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from dewline.gas.hold import HoldReading, HoldSensors
from dewline_sim.instruments import sensors

STEP_S = 10.0
SETTLE_S = 600.0
R = 83.1446  # mbar L / (mol K)
LEAST_L_MBAR, MOST_L_MBAR = 0.03, 5.0
RISE_STANDARD = 0.03  # mbar, of the step
COVERED_TO, FREE_FROM = 0.6, 0.3  # L/mbar, what is fitted overlaps between them
STREAM = 7_000_000

Ports = Literal["covered", "free"]


@dataclass(frozen=True)
class Hold:
    """One hold as it is read, and what is true of it."""

    ports: Ports
    compliance: float  # L/mbar, at the mean gauge
    readings: list[HoldReading]
    volume_l: float  # as stated in the config
    scale: float  # stated volume over the true one
    truth_per_h: float  # gas lost a share of the volume and hour, loss negative
    step: tuple[float, float]  # L pressed in, and the rise that was read, mbar


@dataclass
class _Gloves:
    """Volume that gloves and windows add at a gauge: softer at first, with a part that creeps."""

    l_per_mbar: float
    middle_mbar: float
    curved: float  # share by which the give falls over 10 mbar
    creeps: float  # share of the give that comes late
    creep_s: float
    late: float = 0.0  # mbar that the creeping part has followed so far

    def volume(self, gauge: float) -> float:
        over = gauge - self.middle_mbar
        prompt = gauge - 0.5 * self.curved * over * abs(over) / 10.0
        return self.l_per_mbar * ((1.0 - self.creeps) * prompt + self.creeps * self.late)

    def tick(self, gauge: float) -> None:
        self.late += (gauge - self.late) * STEP_S / self.creep_s


class _Room:
    """A room with an air conditioner, the walls of the box, and the gas between them."""

    def __init__(self, rng: random.Random) -> None:
        self._set_k = rng.uniform(291.0, 298.0)
        self._band_k = rng.uniform(0.05, 0.4)
        self._heats = rng.uniform(1.0, 4.0)  # K/h
        self._cools = -rng.uniform(1.0, 4.0)
        self._drift_k_h = rng.uniform(-0.4, 0.4)
        self._on = rng.random() < 0.5
        self._air_k = self._set_k
        self._wall_s, self._gas_s = rng.uniform(2400, 9000), rng.uniform(200, 500)
        self._wall_k = self._set_k + rng.uniform(-0.2, 0.2)
        self.gas_k = (self._air_k + self._wall_k) / 2
        self.barometer = rng.uniform(950.0, 1030.0)
        self._walk = rng.uniform(0.05, 0.3)
        self._wind_h = rng.gauss(0.0, 0.4)
        self._rng = rng
        for _ in range(180):
            self.tick()

    def tick(self) -> None:
        hours = STEP_S / 3600
        self._set_k += self._drift_k_h * hours
        self._air_k += (self._heats if self._on else self._cools) * hours
        if abs(self._air_k - self._set_k) > self._band_k:
            self._on = self._air_k < self._set_k
        self._wall_k += (self._air_k - self._wall_k) * STEP_S / self._wall_s
        around = 0.35 * self._air_k + 0.65 * self._wall_k
        self.gas_k += (around - self.gas_k) * STEP_S / self._gas_s
        self.barometer += self._wind_h * hours + self._rng.gauss(0, self._walk * math.sqrt(hours))


def _gauge(moles: float, volume_l: float, gloves: _Gloves, room: _Room, near: float) -> float:
    """The gauge at which the gas fills the box and what its gloves give, mbar.

    ``near``: the gauge one step before.
    """
    low, high = near - 1.0, near + 1.0
    for _ in range(22):
        middle = (low + high) / 2
        held = (room.barometer + middle) * (volume_l + gloves.volume(middle)) / (R * room.gas_k)
        low, high = (middle, high) if held < moles else (low, middle)
    return (low + high) / 2


def _read(
    rng: random.Random, kind: str, role: str, digit: float, **errors: float
) -> Callable[[float], float]:
    """A sensor of the simulator, with its last digit."""
    sensor = sensors.build(kind, role, errors)

    def read(true: float) -> float:
        sensor.tick(STEP_S, {role: true}, rng.gauss(0, 1))
        return round(sensor.value / digit) * digit

    return read


def _sensors(
    rng: random.Random, room: _Room, duration_s: float
) -> tuple[Callable[[float], float], Callable[[float], float], Callable[[float], float]]:
    """Gauge, thermometer (degC) and barometer, each with errors as wide as the stated budget."""
    budget = HoldSensors()
    per_d = sensors.DAY_S / duration_s
    misses, lag_s = rng.gauss(0, budget.gas_share), rng.uniform(20, 200)
    warm = _read(
        rng, "temperature", "temperature", rng.choice([0.01, 0.02, 0.1]),
        lag_up_s=lag_s, lag_down_s=lag_s, gain=1.0 - misses,
        zero=misses * (room.gas_k - 273.15),
        drift_per_d=rng.gauss(0, budget.gas_k) * per_d, noise=0.01,
    )  # fmt: skip
    gauge = _read(
        rng, "box_pressure", "pressure", rng.choice([0.01, 0.02, 0.05]),
        drift_per_d=rng.gauss(0, budget.gauge_mbar) * per_d, noise=rng.uniform(0.003, 0.03),
    )  # fmt: skip
    air = _read(
        rng, "barometer", "barometer", rng.choice([0.01, 0.1]),
        drift_per_d=rng.gauss(0, budget.barometer_mbar) * per_d, noise=0.02,
    )  # fmt: skip
    return gauge, warm, air


def hold(number: int, compliance: float | None = None) -> Hold:
    """Hold ``number``: its box, its day and its readings. ``compliance`` in L/mbar, else drawn."""
    rng = random.Random(STREAM + number)
    drawn = math.exp(rng.uniform(math.log(LEAST_L_MBAR), math.log(MOST_L_MBAR)))
    give = drawn if compliance is None else compliance
    covered = give < FREE_FROM or (give < COVERED_TO and rng.random() < 0.5)
    volume_l = math.exp(rng.uniform(math.log(700), math.log(2200)))
    duration_s = rng.uniform(1.0, 4.0) * 3600
    start = rng.choice([-1, 1]) * rng.uniform(2.5, 9.0)
    gloves = _Gloves(
        give, start, rng.uniform(0.0, 0.15), rng.uniform(0.0, 0.1), rng.uniform(900, 3600), start
    )
    room = _Room(rng)
    read_gauge, read_warm, read_air = _sensors(rng, room, duration_s)
    leak_l_h = 10 ** rng.uniform(-5.0, -2.3) * volume_l
    orifice = rng.random()
    moles = (room.barometer + start) * (volume_l + gloves.volume(start)) / (R * room.gas_k)
    readings: list[HoldReading] = []
    lost_l = t_s = 0.0
    gauge = start
    while t_s < duration_s + SETTLE_S:
        gauge = _gauge(moles, volume_l, gloves, room, gauge)
        shown = (read_gauge(gauge), read_warm(room.gas_k - 273.15), read_air(room.barometer))
        share = abs(gauge / start)
        flow = math.copysign(leak_l_h * ((1 - orifice) * share + orifice * share**0.5), gauge)
        if t_s >= SETTLE_S:
            readings.append(HoldReading(t_s, *shown))
            lost_l += flow * STEP_S / 3600
        moles -= flow * STEP_S / 3600 * (room.barometer + gauge) / (R * room.gas_k)
        gloves.tick(gauge)
        room.tick()
        t_s += STEP_S
    stated_l = volume_l * (1 + rng.gauss(0, HoldSensors().volume_share))
    rise = 2.0 / (volume_l / room.barometer + give) + rng.gauss(0, RISE_STANDARD)
    truth = -lost_l / (duration_s / 3600) / volume_l
    ports: Ports = "covered" if covered else "free"
    return Hold(ports, give, readings, stated_l, stated_l / volume_l, truth, (2.0, rise))
