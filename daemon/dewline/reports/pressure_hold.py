"""The leak test of a box from recorded readings, with its uncertainty.

Finds the time in which the box was closed, and judges it by two methods: pressure hold
(``gas.hold``) and rise of oxygen (``gas.ingress``). ``points`` gives the readings of a signal, from
a CSV or from the journal. Nothing here closes a valve; people do.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from operator import itemgetter
from typing import NamedTuple

from dewline.errors import OutOfRange
from dewline.gas import hold, ingress
from dewline.gas.hold import SHORTEST_S, Compliance, HoldReading, HoldResult, HoldSensors
from dewline.gas.ingress import OxygenReading, OxygenResult, OxygenSensor
from dewline.readings import iso_utc
from dewline.typed_json import Json
from dewline.watch_plan import BoxPlan, WatchPlan

SETTLE_S = 600.0
LONGEST_GAP_MS = 120_000
STALE_MS = 600_000
# Either method needs ten minutes after settling; one more, so that a late poll costs neither.
LEAST_S = SETTLE_S + SHORTEST_S + 60.0
# Signals that must be 0 for a box to count as closed; an antechamber's name stands before its own.
_OPEN_BOX = ("fill_valve", "relief_valve", "purging", "regenerating", "foot_pedal")
_OPEN_CHAMBER = ("inner_door", "refilling", "evacuating")
AMBIENT_MBAR, AMBIENT_C = 1013.25, 22.0
_NEWEST = 2**63  # later than any reading
USUAL_LAG_S = 60.0  # of an oxygen analyzer; common practice, no source


class TimedValue(NamedTuple):
    """A reading at a wall time (UTC epoch); ``value`` is None where it must not be used."""

    time_ms: int
    value: float | None


Points = Callable[[str], Sequence[TimedValue]]


@dataclass(frozen=True, slots=True)
class HoldSignals:
    """Full names of the signals of a leak test; None where the config maps none.

    ``closed``: valves, doors and switches that are all 0 while the box is closed.
    """

    pressure: str
    gas: str | None
    barometer: str | None
    oxygen: str | None
    circulating: str | None
    closed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class HoldStretch:
    """Pressure readings (gauge, mbar) of a time in which the box was closed.

    ``circulating``: whether the loop ran all the time, or stood; None where that is not known.
    """

    pressure: tuple[TimedValue, ...]
    circulating: bool | None

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return (self.pressure[-1].time_ms - self.pressure[0].time_ms) / 1000


@dataclass(frozen=True, slots=True)
class Findings:
    """The result of a leak test; ``hold`` and ``oxygen`` are None where they cannot be judged.

    ``circulating``: whether the loop ran, None where that is not known. ``above_ambient``: the box
    stood above the room, so that oxygen shows no hole. ``remarks``: why not, and what limits the
    result, in sentences.
    """

    box: str
    from_ms: int
    to_ms: int
    hold: HoldResult | None
    oxygen: OxygenResult | None
    circulating: bool | None
    above_ambient: bool
    remarks: tuple[str, ...] = field(default=())


def signals_of(plan: WatchPlan, box: BoxPlan) -> HoldSignals:
    """The signals of a box; a barometer may belong to any place.

    OutOfRange for a box that maps no pressure.
    """

    def own(role: str) -> str | None:
        name = f"{box.name}.{role}"
        return name if name in plan.signals else None

    pressure = own("pressure")
    if pressure is None:
        raise OutOfRange(f"{box.name} maps no pressure; allowed are boxes with a pressure signal")
    anywhere = (s.name for s in plan.signals.values() if s.role == "barometer")
    closed = [own(role) for role in _OPEN_BOX]
    closed += [own(f"{a.name}_{role}") for a in box.antechambers for role in _OPEN_CHAMBER]
    return HoldSignals(
        pressure=pressure,
        gas=own("temperature"),
        barometer=own("barometer") or next(anywhere, None),
        oxygen=own("oxygen"),
        circulating=own("circulating"),
        closed=tuple(name for name in closed if name),
    )


def longest_stretch(signals: HoldSignals, points: Points) -> HoldStretch | None:
    """The longest time in which the box was closed; None where that was never 10 min."""
    found = max(_stretches(signals, points), key=lambda s: s.seconds, default=None)
    return found if found and found.seconds >= SETTLE_S else None


def stretch_now(signals: HoldSignals, points: Points) -> HoldStretch | None:
    """The stretch that still goes on, however short; None where the box is not closed now."""
    *_, last = (None, *_stretches(signals, points))
    if last is None:
        return None
    since_ms = last.pressure[-1].time_ms
    shut = all(_Series(points(name)).zero_since(since_ms, _NEWEST) for name in signals.closed)
    return last if shut else None


def open_now(signals: HoldSignals, points: Points) -> tuple[str, ...]:
    """The signals that keep the box from counting as closed: their last reading is not 0."""
    return tuple(name for name in signals.closed if _Series(points(name)).at(_NEWEST) != 0)


def _stretches(signals: HoldSignals, points: Points) -> Iterator[HoldStretch]:
    valves = [_Series(points(name)) for name in signals.closed]
    loop = _Series(points(signals.circulating)) if signals.circulating else None
    kept: list[TimedValue] = []
    state: bool | None = None
    last_ms = 0
    for point in points(signals.pressure):
        closed = all(valve.zero_since(last_ms, point.time_ms) for valve in valves)
        last_ms = point.time_ms
        now = loop.at(point.time_ms) if loop else None
        running = None if now is None else now > 0.5
        gap = kept and point.time_ms - kept[-1].time_ms > LONGEST_GAP_MS
        if kept and (not closed or gap or running != state):
            yield HoldStretch(tuple(kept), state)
            kept = []
        if closed and point.value is not None:
            state = running
            kept.append(point)
    if kept:
        yield HoldStretch(tuple(kept), state)


class _Series:
    """The readings of one signal, ordered by time."""

    def __init__(self, points: Sequence[TimedValue], stale_ms: int | None = None) -> None:
        self._points = points
        self._stale_ms = stale_ms

    def at(self, time_ms: int) -> float | None:
        """The last value at that time; None where it is bad, stale or missing."""
        index = bisect_right(self._points, time_ms, key=itemgetter(0)) - 1
        if index < 0:
            return None
        point = self._points[index]
        stale = self._stale_ms is not None and time_ms - point.time_ms > self._stale_ms
        return None if stale else point.value

    def zero_since(self, after_ms: int, until_ms: int) -> bool:
        """Whether every reading in (after, until] is 0, and the last one at ``until_ms`` too."""
        first = bisect_right(self._points, after_ms, key=itemgetter(0))
        last = bisect_right(self._points, until_ms, key=itemgetter(0))
        return self.at(until_ms) == 0 and all(p.value == 0 for p in self._points[first:last])


@dataclass(frozen=True, slots=True)
class _Case:
    """What both methods need, and where they add their remarks."""

    box: BoxPlan
    volume_l: float
    signals: HoldSignals
    points: Points
    stretch: HoldStretch
    remarks: list[str]


def judge(
    box: BoxPlan,
    signals: HoldSignals,
    points: Points,
    stretch: HoldStretch,
    compliance: Compliance = hold.UNKNOWN_COMPLIANCE,
) -> Findings:
    """Judge a closed stretch by both methods, each where it is valid.

    ``compliance``: how the volume of the box changes with its pressure. OutOfRange where the config
    gives the box no volume.
    """
    case = _Case(box, volume_of(box), signals, points, stretch, [])
    if not signals.closed:
        case.remarks.append(
            "no valve or door signal is mapped: that the box was closed is your word"
        )
    pressure = _pressure_hold(case, compliance)
    oxygen = _oxygen_method(case)
    from_ms, to_ms = stretch.pressure[0].time_ms, stretch.pressure[-1].time_ms
    return Findings(
        box.name,
        from_ms,
        to_ms,
        pressure,
        oxygen,
        stretch.circulating,
        _above_ambient(stretch),
        tuple(case.remarks),
    )


def volume_of(box: BoxPlan) -> float:
    """Volume of a box in L; OutOfRange where the config gives none."""
    if box.volume_m3 is None:
        raise OutOfRange(f"{box.name} has no volume in the config; allowed is a box with one")
    return box.volume_m3 * 1e3


def sensors_of(signals: HoldSignals) -> HoldSensors:
    """Uncertainties of the sensors: 1 K and 1 mbar where gas or barometer are not measured."""
    usual = HoldSensors()
    return HoldSensors(
        gas_k=usual.gas_k if signals.gas else 1.0,
        barometer_mbar=usual.barometer_mbar if signals.barometer else 1.0,
    )


def _pressure_hold(case: _Case, compliance: Compliance) -> HoldResult | None:
    signals = case.signals
    for name, mapped in (("gas temperature", signals.gas), ("barometer", signals.barometer)):
        if mapped is None:
            case.remarks.append(f"no {name} is measured: the interval is as wide as that makes it")
    try:
        return hold.evaluate(
            list(_hold_readings(case)), case.volume_l, compliance, sensors_of(signals)
        )
    except OutOfRange as why:
        case.remarks.append(f"pressure hold not judged: {why}")
        return None


def _hold_readings(case: _Case) -> Iterator[HoldReading]:
    """The readings after settling at which gauge, temperature and barometer are known."""
    gas, air = (
        _Series(case.points(name), STALE_MS) if name else None
        for name in (case.signals.gas, case.signals.barometer)
    )
    start_ms = case.stretch.pressure[0].time_ms
    for time_ms, gauge in case.stretch.pressure:
        gas_c = AMBIENT_C if gas is None else gas.at(time_ms)
        air_mbar = AMBIENT_MBAR if air is None else air.at(time_ms)
        if gauge is None or gas_c is None or air_mbar is None:
            continue
        if time_ms - start_ms >= SETTLE_S * 1000:
            yield HoldReading((time_ms - start_ms) / 1000, gauge, gas_c, air_mbar)


def _oxygen_method(case: _Case) -> OxygenResult | None:
    try:
        found = ingress.evaluate_oxygen(
            _oxygen_readings(case), case.volume_l, OxygenSensor(lag_s=USUAL_LAG_S)
        )
    except OutOfRange as why:
        case.remarks.append(f"oxygen method not judged: {why}")
        return None
    case.remarks.append("the oxygen figure includes what permeates the gloves, usually 1-2 ppm/h")
    if _above_ambient(case.stretch):
        case.remarks.append(
            "the box stood above ambient: holes lose gas then, and oxygen misses them"
        )
    return found


def _above_ambient(stretch: HoldStretch) -> bool:
    """Whether the box stood above the room, on average."""
    return sum(p.value or 0.0 for p in stretch.pressure) >= 0


def _oxygen_readings(case: _Case) -> list[OxygenReading]:
    """The oxygen readings of the stretch; OutOfRange says why they prove nothing."""
    why_not = _no_oxygen_method(case.box, case.signals, case.stretch)
    if why_not or case.signals.oxygen is None:
        raise OutOfRange(why_not or "no oxygen signal is mapped")
    start_ms, end_ms = case.stretch.pressure[0].time_ms, case.stretch.pressure[-1].time_ms
    return [
        OxygenReading((time_ms - start_ms) / 1000, ppm)
        for time_ms, ppm in case.points(case.signals.oxygen)
        if ppm is not None and start_ms <= time_ms <= end_ms
    ]


def _no_oxygen_method(box: BoxPlan, signals: HoldSignals, stretch: HoldStretch) -> str | None:
    if stretch.circulating:
        return "the loop was running; stop circulation"
    if stretch.circulating is None:
        return "it is not known whether the loop stood; map circulating"
    point = next((a.sample_point for a in box.analyzers if a.role == "oxygen"), "box")
    return None if point == "box" else f"the analyzer samples the {point}, not the box"


def document(found: Findings, own_best_per_h: float | None = None) -> dict[str, Json]:
    """The findings as JSON, times in ISO 8601 UTC, and what the ledger keeps of a leak test.

    ``own_best_per_h``: the smallest rate of earlier tests of the box, in 1/h. Rates are in 1/h,
    loss negative; ``budget`` holds the parts of ``expanded``, ``air_l_h`` is air leaking in.
    ``resolved``: of pressure, the ends of the interval lie within a factor of four; of oxygen, the
    rate is larger than its expanded uncertainty. ``detects``: the smallest rate that such a hold
    resolves, null where it resolves none. ``give``: bounds of gloves and windows, L/mbar.
    ``class``: of ISO 10648-2; null for oxygen above ambient, where it sees no hole.
    """
    return {
        "box": found.box,
        "from": iso_utc(found.from_ms),
        "to": iso_utc(found.to_ms),
        "pressure_hold": None if found.hold is None else _hold_document(found.hold),
        "oxygen_method": _oxygen_document(found),
        "own_best": own_best_per_h,
        "remarks": list(found.remarks),
    }


def own_best(earlier: Iterable[Mapping[str, object]]) -> float | None:
    """The smallest rate, in 1/h, that earlier tests resolved by either method; None for none.

    ``earlier``: documents of the ledger.
    """
    methods = (test.get(name) for test in earlier for name in ("pressure_hold", "oxygen_method"))
    found = [method for method in methods if isinstance(method, Mapping) and method["resolved"]]
    return min((abs(method["hourly_rate"]) for method in found), default=None)


def _hold_document(found: HoldResult) -> dict[str, Json]:
    """The raw rate is without compensation for the air, the rigid one with it."""
    return {
        "seconds": found.duration_s,
        "mean_gauge_mbar": found.mean_gauge_mbar,
        "hourly_rate": found.per_h,
        "expanded": found.expanded_per_h,
        "coverage_factor": found.coverage_factor,
        "raw_hourly_rate": found.raw_l_h / found.volume_l,
        "rigid_hourly_rate": found.rigid_l_h / found.volume_l,
        "resolved": found.resolved,
        "detects": found.detects_per_h,
        "give": _give(found.compliance),
        "class": found.class_number,
        "budget": {name: part / found.volume_l for name, part in found.budget_l_h.items()},
    }


def _give(compliance: Compliance) -> list[Json]:
    """Bounds of what gloves and windows give, L/mbar, about 95 % where a step measured it."""
    if isinstance(compliance, hold.BoundedCompliance):
        return [max(0.0, compliance.low), compliance.high]
    doubt = 2 * compliance.standard
    return [max(0.0, compliance.l_per_mbar - doubt), compliance.l_per_mbar + doubt]


def _oxygen_document(found: Findings) -> dict[str, Json] | None:
    oxygen = found.oxygen
    if oxygen is None:
        return None
    return {
        "seconds": oxygen.duration_s,
        "hourly_rate": oxygen.per_h,
        "expanded": oxygen.expanded_per_h,
        "air_l_h": oxygen.air_l_h,
        "resolved": oxygen.resolved,
        "class": None if found.above_ambient else oxygen.class_number,
        "budget": dict(oxygen.budget_per_h),
    }
