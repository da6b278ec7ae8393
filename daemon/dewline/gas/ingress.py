"""Air ingress from a whole oxygen record of an isolated box, with its uncertainty.

dC/dt = rate (C_air - C), the loop stopped. Needs a box below ambient: above it
a hole loses gas and oxygen says nothing of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from dewline.errors import OutOfRange
from dewline.gas import leak
from dewline.gas.constants import DRY_AIR_OXYGEN_PPM, between, finite, not_negative, positive
from dewline.gas.coverage import half_width
from dewline.gas.hold import FEWEST_READINGS, SHORTEST_S
from dewline.gas.trend import block_medians, fit

# Dead corners empty in about this time after the blower stops. Common practice.
SETTLE_S: Final = 600.0


class OxygenReading(NamedTuple):
    """One moment of an isolated box."""

    t_s: float
    ppm: float


@dataclass(frozen=True, slots=True)
class OxygenSensor:
    """What the analyzer does to a slope; standard uncertainties, common practice.

    ``lag_s`` is its time constant, T90 / 2.3. ``span_share`` the error of its
    span, ``drift_ppm_h`` that of its zero.
    """

    lag_s: float = 0.0
    span_share: float = 0.03
    drift_ppm_h: float = 0.02


@dataclass(frozen=True, slots=True)
class OxygenResult:
    """Ingress of air in box volumes per hour; budget k = 1."""

    duration_s: float
    volume_l: float
    per_h: float
    budget_per_h: Mapping[str, float]
    independent: float

    @property
    def expanded_per_h(self) -> float:
        """k = 2, about 95 %."""
        return half_width(math.hypot(*self.budget_per_h.values()))

    @property
    def resolved(self) -> bool:
        """Whether any ingress stands out of the uncertainty; a falling reading resolves none."""
        return self.per_h > self.expanded_per_h

    @property
    def air_l_h(self) -> float:
        """Ingress of air, L/h at box state."""
        return self.per_h * self.volume_l

    @property
    def class_number(self) -> int | None:
        """ISO 10648-2 class within whose limit the whole interval lies; limits from memory."""
        if not self.resolved:
            return None
        return leak.iso_10648_2_class(self.per_h + self.expanded_per_h)


def evaluate_oxygen(
    readings: Sequence[OxygenReading],
    volume_l: float,
    sensor: OxygenSensor = OxygenSensor(),
    air_ppm: float = DRY_AIR_OXYGEN_PPM,
    background_ppm_h: tuple[float, float] = (0.0, 0.0),
) -> OxygenResult:
    """Rate of air ingress from readings that begin when the loop stopped.

    The first 10 min, while dead corners mix in, are left out; of the sensor's
    lag the decaying rest is fitted along and taken out, so that only the slope
    of the box remains. ``background_ppm_h`` is what comes through the gloves,
    value and standard uncertainty, to be subtracted.
    """
    _check(volume_l, sensor, air_ppm, background_ppm_h)
    kept = _settled(readings, air_ppm)
    hours, exact = block_medians(
        [(r.t_s - kept[0].t_s) / 3600 for r in kept],
        [-math.log1p(-r.ppm / air_ppm) for r in kept],
    )
    lag_h = sensor.lag_s / 3600
    # A lag that is over before the second block leaves nothing to fit.
    decays = lag_h > hours[1] - hours[0]
    trend = fit(hours, exact, [math.exp(-h / lag_h) for h in hours] if decays else None)
    background, background_standard = background_ppm_h
    return OxygenResult(
        duration_s=kept[-1].t_s - kept[0].t_s,
        volume_l=volume_l,
        per_h=trend.slope - background / air_ppm,
        budget_per_h={
            "scatter": trend.standard,
            "span": abs(trend.slope) * sensor.span_share,
            "drift": sensor.drift_ppm_h / air_ppm,
            "background": background_standard / air_ppm,
        },
        independent=trend.independent,
    )


def _settled(readings: Sequence[OxygenReading], air_ppm: float) -> list[OxygenReading]:
    """The readings after the first 10 min; OutOfRange where they cannot be judged."""
    last_s = -math.inf
    for r in readings:
        if not last_s < r.t_s < math.inf:
            raise OutOfRange(f"time {r.t_s:g} s after {last_s:g} s; allowed is forward")
        last_s = r.t_s
        # Just below zero is what a clean box reads on a sensor whose zero is off.
        between("oxygen", r.ppm, -100.0, 0.9 * air_ppm, "ppm")
    kept = [r for r in readings if r.t_s - readings[0].t_s >= SETTLE_S]
    if len(kept) < FEWEST_READINGS:
        raise OutOfRange(
            f"{len(kept)} readings after the first {SETTLE_S:g} s; "
            f"allowed is {FEWEST_READINGS} or more"
        )
    if last_s - kept[0].t_s < SHORTEST_S:
        raise OutOfRange(
            f"{last_s - kept[0].t_s:g} s after the first {SETTLE_S:g} s; "
            f"allowed is {SHORTEST_S:g} s or more"
        )
    return kept


def _check(
    volume_l: float, sensor: OxygenSensor, air_ppm: float, background_ppm_h: tuple[float, float]
) -> None:
    positive("volume", volume_l, "L")
    between("oxygen of the air", air_ppm, 1e5, 3e5, "ppm")
    for name in ("lag_s", "span_share", "drift_ppm_h"):
        not_negative(f"sensor {name}", getattr(sensor, name), "")
    finite("background", background_ppm_h[0], "ppm/h")
    not_negative("uncertainty of the background", background_ppm_h[1], "ppm/h")
