"""Leak rate from a whole pressure hold, with an uncertainty that may be believed.

The volume of gas that comes in at box state is
Q = (V/p + C) dg/dt + (V/p) db/dt - (V/T) dT/dt, with gauge g, barometer b, gas
temperature T, p = g + b, and the compliance C of gloves and windows: taut
gloves give 0.2-0.5 L/mbar each, slack ones several. In a rigid box C = 0;
taking a box with gloves for rigid under-reads by 1.5 to 3 times. What is fitted
gives bounds of C, and the hold itself narrows them (see ``give``).

Uncertainties follow the GUM (JCGM 100): standard ones (k = 1) combined in
squares, expanded with k = 2 for about 95 %, less where a compliance known only
by its bounds rules (see ``coverage``). Loss is negative.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Final, Literal, NamedTuple

from dewline.errors import OutOfRange
from dewline.gas import leak
from dewline.gas.constants import ZERO_C_K, between, not_negative, positive
from dewline.gas.coverage import half_width
from dewline.gas.give import SeenGive, seen_give
from dewline.gas.trend import Trend, block_medians, fit

SHORTEST_S: Final = 600.0
RIGID_SHARE: Final = 0.05  # of a rise, that the volume and the air pressure leave open
# A rate is resolved where the ends of its interval lie within a factor of four.
RESOLVED_SHARE: Final = 0.6
FEWEST_READINGS: Final = 20


class HoldReading(NamedTuple):
    """One moment of a hold."""

    t_s: float
    gauge_mbar: float
    gas_c: float
    barometer_mbar: float


@dataclass(frozen=True, slots=True)
class KnownCompliance:
    """What gloves and windows give, L/mbar, from a step; an error of the volume cancels in it."""

    l_per_mbar: float
    standard: float


@dataclass(frozen=True, slots=True)
class BoundedCompliance:
    """What gloves and windows give, L/mbar, known only to lie between two bounds."""

    low: float
    high: float

    @property
    def l_per_mbar(self) -> float:
        """The middle of the two bounds, L/mbar."""
        return (self.low + self.high) / 2

    @property
    def standard(self) -> float:
        """Standard uncertainty of a rectangular distribution between the bounds, L/mbar."""
        return (self.high - self.low) / math.sqrt(12)


Compliance = KnownCompliance | BoundedCompliance
Ports = Literal["covered", "free"]
# Covered ports leave windows, 0.1-0.6 L/mbar where they are of polymer, less of glass; taut gloves
# add 0.2-0.5 L/mbar each, slack ones several. Estimates, common practice.
COVERED: Final = BoundedCompliance(0.02, 0.6)
FEWEST_GLOVES: Final = 2
TAUT_L_MBAR, SLACK_L_MBAR, WINDOWS_L_MBAR = 0.15, 2.2, 0.6
# A little more than is possible, since 95 % of a range leaves out its ends.
UNKNOWN_COMPLIANCE: Final = BoundedCompliance(-0.15, 6.15)


def compliance_of(ports: Ports | None, gloves: int | None = None) -> BoundedCompliance:
    """Bounds of what a box gives by what is fitted; None: nobody has said.

    ``gloves``: how many hang free, at least two where that is not known.
    """
    if ports is None:
        return UNKNOWN_COMPLIANCE
    if ports == "covered":
        return COVERED
    count = not_negative("gloves", gloves or FEWEST_GLOVES, "")
    return BoundedCompliance(TAUT_L_MBAR * count, SLACK_L_MBAR * count + WINDOWS_L_MBAR)


def _narrowed(stated: BoundedCompliance, seen: SeenGive | None) -> BoundedCompliance:
    """The stated bounds within those that the hold itself shows.

    Where the two do not meet, all from the one to the other: somebody may be wrong about what is
    fitted.
    """
    if seen is None:
        return stated
    low, high = max(stated.low, seen.low), min(stated.high, seen.high)
    if low < high:
        return BoundedCompliance(low, high)
    return BoundedCompliance(min(seen.low, stated.high), max(seen.high, stated.low))


def measured_compliance(
    volume_l: float,
    pressure_mbar: float,
    added_l: float,
    rise_mbar: float,
    rise_standard_mbar: float,
) -> KnownCompliance:
    """Compliance from one known volume pressed in, read a minute later (heat gone).

    The uncertainty is that of the rise; the volume's own belongs to the hold. A rise that is larger
    than that of a rigid box by no more than its uncertainty is that of a rigid box.
    """
    not_negative("uncertainty of the rise", rise_standard_mbar, "mbar")
    standard = added_l / rise_mbar**2 * rise_standard_mbar if rise_mbar > 0.0 else 0.0
    rigid_mbar = added_l * pressure_mbar / volume_l
    doubt_mbar = 2 * rise_standard_mbar + RIGID_SHARE * rigid_mbar
    if 0.0 < rise_mbar - rigid_mbar <= doubt_mbar:
        return KnownCompliance(0.0, standard)
    value = leak.compliance_from_step(
        volume_l * 1e-3, pressure_mbar * 100, added_l * 1e-3, rise_mbar * 100
    )
    return KnownCompliance(value * 1e5, standard)


@dataclass(frozen=True, slots=True)
class HoldSensors:
    """Standard uncertainties of the changes over a hold, whatever its length. Common practice.

    ``gas_share``: part of a temperature change that the sensor may have missed,
    because it lags or sits where the gas moves less. Without a barometer put
    1 mbar, without a gas thermometer 1 K.
    """

    gauge_mbar: float = 0.03
    gas_k: float = 0.05
    gas_share: float = 0.1
    barometer_mbar: float = 0.05
    volume_share: float = 0.02


@dataclass(frozen=True, slots=True)
class HoldResult:
    """What a hold says. Rates in L/h at box state, loss negative; uncertainties k = 1."""

    duration_s: float
    volume_l: float
    mean_gauge_mbar: float
    rate_l_h: float  # compensated, with compliance
    rigid_l_h: float  # compensated, compliance left out
    raw_l_h: float  # the gauge alone in a rigid box
    budget_l_h: Mapping[str, float]
    independent: float  # readings' worth of information in the scatter
    bounded: bool  # compliance known by its bounds alone
    compliance: Compliance  # as used: the hold itself may have narrowed its bounds
    stiffness: float  # V/p, L/mbar
    drive_l_h: float  # what temperature and barometer moved, without sign
    volume_share: float  # standard uncertainty of the volume, as a share

    @property
    def expanded_l_h(self) -> float:
        """Half-width for about 95 %; k = 2 unless bounded compliance rules."""
        return self._expanded(1.0)

    @property
    def coverage_factor(self) -> float:
        """Expanded over combined standard uncertainty, 1.65 to 2."""
        return self.expanded_l_h / math.hypot(*self.budget_l_h.values())

    def _expanded(self, times: float) -> float:
        """What the half-width would be for ``times`` this duration.

        Drifts fade as 1/t and scatter as t^-1.5; compliance and volume stay.
        """
        normal = math.hypot(self._reading(times), self.budget_l_h["volume"])
        return self._half(normal, self.budget_l_h["compliance"])

    def _reading(self, times: float) -> float:
        """The part that the sensors leave open, k = 1, for ``times`` this duration."""
        b = self.budget_l_h
        drift = math.hypot(b["gauge"], b["temperature"], b["barometer"]) / times
        return math.hypot(b["scatter"] / times**1.5, drift)

    def _half(self, normal: float, compliance: float) -> float:
        """Half-width of a normal part and that of the compliance, both k = 1."""
        if self.bounded:
            return half_width(normal, compliance * math.sqrt(3))
        return half_width(math.hypot(normal, compliance))

    @property
    def resolved(self) -> bool:
        """Whether the rate is known within a factor of four, from end to end of its interval."""
        return self.expanded_l_h <= RESOLVED_SHARE * abs(self.rate_l_h)

    @property
    def detects_per_h(self) -> float | None:
        """The smallest rate, in 1/h, that such a hold resolves four times in five.

        None: no leak is known within a factor of four by this hold, since the give of gloves and
        windows is not known well enough.
        """
        low, high = 1e-3 * self.expanded_l_h, 1e3 * self.expanded_l_h
        if not self._resolves(high):
            return None
        while high / low > 1.001:
            middle = math.sqrt(low * high)
            low, high = (low, middle) if self._resolves(middle) else (middle, high)
        return (high + self._reading(1.0)) / self.volume_l

    def _resolves(self, rate_l_h: float) -> bool:
        """Whether this hold would resolve such a rate."""
        give = self.compliance.standard / (self.stiffness + self.compliance.l_per_mbar)
        volume = rate_l_h * self.volume_share if self.bounded else 0.0
        half = self._half(
            math.hypot(self._reading(1.0), volume), give * (rate_l_h + self.drive_l_h)
        )
        return half <= RESOLVED_SHARE * rate_l_h

    @property
    def per_h(self) -> float:
        """Hourly rate: share of the gas per hour."""
        return self.rate_l_h / self.volume_l

    @property
    def expanded_per_h(self) -> float:
        """Half-width of the interval of the hourly rate, k = 2."""
        return self.expanded_l_h / self.volume_l

    @property
    def class_number(self) -> int | None:
        """ISO 10648-2 class within whose limit the whole interval lies; None: not resolved or none.

        Limits from memory; indicative.
        """
        if not self.resolved:
            return None
        return leak.iso_10648_2_class(abs(self.per_h) + self.expanded_per_h)

    def needed_s(self, expanded_per_h: float) -> float | None:
        """How long such a hold must be for that expanded uncertainty, s; None: no length helps.

        Against what compliance and volume leave open no length helps, only a
        known-volume step does.
        """
        wanted_l_h = positive("wanted uncertainty", expanded_per_h, "/h") * self.volume_l
        low, high = 1e-3, 1e4
        if self._expanded(high) > wanted_l_h:
            return None
        while high / low > 1.001:
            middle = math.sqrt(low * high)
            low, high = (middle, high) if self._expanded(middle) > wanted_l_h else (low, middle)
        return self.duration_s * high


def evaluate(
    readings: Sequence[HoldReading],
    volume_l: float,
    compliance: Compliance = UNKNOWN_COMPLIANCE,
    sensors: HoldSensors = HoldSensors(),
) -> HoldResult:
    """Rate and uncertainty of a hold of 10 min or more and 20 readings or more, times rising.

    The first minutes after closing, while heat and gloves settle, do not
    belong in ``readings``. The rate is the mean over the hold.
    """
    _check(readings, volume_l, compliance, sensors)
    if isinstance(compliance, BoundedCompliance) and _is_measured(readings):
        seen = seen_give(readings, volume_l, sensors.gas_share)
        compliance = _narrowed(compliance, seen)
        if seen is not None and (compliance.low, compliance.high) == seen and seen.low > 0.0:
            # What the thermometer misses of a change makes both the give and the correction for
            # the change too small, and cancels: it stands in the bounds already.
            sensors = replace(sensors, gas_share=0.0)
    mean_gas_k = fmean(r.gas_c for r in readings) + ZERO_C_K
    mean_gauge = fmean(r.gauge_mbar for r in readings)
    mean_mbar = mean_gauge + fmean(r.barometer_mbar for r in readings)
    hours = [(r.t_s - readings[0].t_s) / 3600 for r in readings]
    gauges = [r.gauge_mbar for r in readings]
    amounts = [
        volume_l * (r.barometer_mbar + r.gauge_mbar) / mean_mbar * mean_gas_k / (r.gas_c + ZERO_C_K)
        for r in readings
    ]
    given = [a + compliance.l_per_mbar * g for a, g in zip(amounts, gauges, strict=True)]
    rigid, gauge, whole = (_slope(hours, values) for values in (amounts, gauges, given))
    stiffness = volume_l / mean_mbar
    raw_l_h = gauge.slope * stiffness
    # A step measures V/p + C whole: the volume's error is left in the corrections only.
    known = isinstance(compliance, KnownCompliance)
    scaled_l_h = rigid.slope - raw_l_h if known else rigid.slope
    return HoldResult(
        duration_s=readings[-1].t_s - readings[0].t_s,
        volume_l=volume_l,
        mean_gauge_mbar=mean_gauge,
        rate_l_h=whole.slope,
        rigid_l_h=rigid.slope,
        raw_l_h=raw_l_h,
        independent=whole.independent,
        bounded=not known,
        compliance=compliance,
        stiffness=stiffness,
        drive_l_h=abs(rigid.slope - raw_l_h),
        volume_share=sensors.volume_share,
        budget_l_h={
            "scatter": whole.standard,
            "gauge": (stiffness + compliance.l_per_mbar) * sensors.gauge_mbar / hours[-1],
            "temperature": volume_l / mean_gas_k * _missed_k(readings, sensors) / hours[-1],
            "barometer": stiffness * sensors.barometer_mbar / hours[-1],
            "compliance": abs(gauge.slope) * compliance.standard,
            "volume": abs(scaled_l_h) * sensors.volume_share,
        },
    )


def _is_measured(readings: Sequence[HoldReading]) -> bool:
    """Whether the gas temperature comes from a thermometer: one that is assumed stands still."""
    return any(r.gas_c != readings[0].gas_c for r in readings)


def _missed_k(readings: Sequence[HoldReading], sensors: HoldSensors) -> float:
    """Standard uncertainty of the change of gas temperature over the hold."""
    gas_c = [r.gas_c for r in readings]
    return math.hypot(sensors.gas_k, sensors.gas_share * (max(gas_c) - min(gas_c)))


def planned_s(
    expanded_per_h: float,
    volume_l: float,
    compliance: Compliance = UNKNOWN_COMPLIANCE,
    sensors: HoldSensors = HoldSensors(),
    expected_change_k: float = 0.5,
) -> float:
    """How long to hold a tight box for that expanded uncertainty, s, before any reading is taken.

    From the drifts alone, at ambient pressure and 22 °C, while the room moves
    by ``expected_change_k``; scatter adds little to holds of an hour.
    """
    wanted = positive("wanted uncertainty", expanded_per_h, "/h")
    positive("volume", volume_l, "L")
    not_negative("expected temperature change", expected_change_k, "K")
    stiffness = volume_l / 1013.25
    whole = stiffness + compliance.l_per_mbar
    per_k = volume_l / 295.15
    drift_l = math.hypot(
        whole * sensors.gauge_mbar,
        stiffness * sensors.barometer_mbar,
        per_k * math.hypot(sensors.gas_k, sensors.gas_share * expected_change_k),
        # A wrong compliance takes part of the room's swing for a leak.
        per_k * expected_change_k * compliance.standard / whole,
    )
    return 2 * drift_l / (wanted * volume_l) * 3600


def _slope(hours: Sequence[float], values: Sequence[float]) -> Trend:
    return fit(*block_medians(hours, values))


def _check(
    readings: Sequence[HoldReading], volume_l: float, compliance: Compliance, sensors: HoldSensors
) -> None:
    """OutOfRange for a hold that cannot be judged, or a reading that is none."""
    positive("volume", volume_l, "L")
    not_negative("compliance", compliance.l_per_mbar, "L/mbar")
    if isinstance(compliance, BoundedCompliance):
        least = UNKNOWN_COMPLIANCE.low
        between("lower bound of the compliance", compliance.low, least, math.inf, "L/mbar")
    not_negative("uncertainty of the compliance", compliance.standard, "L/mbar")
    for name in ("gauge_mbar", "gas_k", "gas_share", "barometer_mbar", "volume_share"):
        not_negative(f"uncertainty {name}", getattr(sensors, name), "")
    if len(readings) < FEWEST_READINGS:
        raise OutOfRange(f"{len(readings)} readings; allowed is {FEWEST_READINGS} or more")
    last_s = -math.inf
    for r in readings:
        if not last_s < r.t_s < math.inf:
            raise OutOfRange(f"time {r.t_s:g} s after {last_s:g} s; allowed is forward")
        last_s = r.t_s
        between("gauge", r.gauge_mbar, -100.0, 100.0, "mbar")
        between("gas temperature", r.gas_c, -50.0, 100.0, "degC")
        between("barometer", r.barometer_mbar, 500.0, 1100.0, "mbar")
    duration_s = last_s - readings[0].t_s
    if duration_s < SHORTEST_S:
        raise OutOfRange(f"a hold of {duration_s:g} s; allowed is {SHORTEST_S:g} s or more")
