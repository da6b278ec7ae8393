"""Derived signals: right by outside figures, as good as their worst input, never fed back."""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest

from dewline.events import Outcome
from dewline.readings import Quality, Reading, Scan
from dewline.watch.watch import Watch
from dewline.watch_plan import (
    Above,
    AboveOwn,
    AnalyzerPlan,
    AntechamberPlan,
    BoxPlan,
    PurifierPlan,
    RulePlan,
    SignalPlan,
)
from tests.watch.conftest import Bench

MINUTE, H, DAY = 60, 3600, 86_400
# The bench starts at 02:14:00 UTC.
TO_0200 = DAY - (2 * H + 14 * MINUTE) + 2 * H
CALM = {"oxygen": 0.05, "moisture": 0.2, "pressure": 3.0, "circulating": 1.0, "temperature": 23.0}
DATA = Path(__file__).parents[1] / "outside" / "data"


def box_of(**more: Any) -> BoxPlan:
    """Heron with a volume, a chamber and analyzers of known zero."""
    analyzers = tuple(AnalyzerPlan(gas, "optical", "box", 0.2) for gas in ("oxygen", "moisture"))
    chamber = AntechamberPlan("large", 0.062, 3, 5.0)
    return BoxPlan(
        name="heron", volume_m3=1.2, purifier="p1", antechambers=(chamber,), analyzers=analyzers,
        **more,
    )  # fmt: skip


@pytest.fixture
def lab(
    bench: Callable[..., Bench],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> Callable[..., Bench]:
    """A bench whose box has everything that derived signals need."""

    def build(
        *rules: RulePlan,
        extra: Iterable[SignalPlan] = (),
        flow: float | None = 60.0,
        box: BoxPlan | None = None,
        **more: Any,
    ) -> Bench:
        signals = [make_signal("heron.large_pressure", "mbar"), *extra]
        b = bench(*rules, extra=signals)
        plan = b.drive.watch.plan
        plan.boxes["heron"] = box or box_of(**more)
        plan.purifiers["p1"] = PurifierPlan(
            name="p1", flow_m3_h=flow, oxygen_capacity_l=30.0, water_capacity_kg=1.2
        )
        b.drive.watch = Watch(plan)
        return stirred(b)

    return build


def stirred(b: Bench) -> Bench:
    """The same bench with a pressure that is never quite still, as a real one."""
    told_at, turn = b.at, itertools.cycle((0.0, 1e-4))

    def at(seconds: float, box: str = "heron", **values: Any) -> Outcome:
        if isinstance(values.get("pressure"), float):
            values["pressure"] += next(turn)
        return told_at(seconds, box, **values)

    b.at = at  # type: ignore[method-assign, assignment] # the same, but restless
    return b


def last(b: Bench, role: str) -> Any:
    """The latest value of a derived signal of heron."""
    return [v for _, name, v in b.derived if name == f"heron.{role}"][-1]


def told(b: Bench, role: str) -> list[tuple[float, float | None]]:
    return [(t, v) for t, name, v in b.derived if name == f"heron.{role}"]


def frost_rows() -> list[dict[str, str]]:
    with (DATA / "ppmv_to_frost.csv").open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("row", frost_rows(), ids=lambda r: str(next(iter(r.values()))))
def test_frost_point_agrees_with_the_table(lab: Callable[..., Bench], row: dict[str, str]) -> None:
    """IAPWS R14-08 by the iapws library, 1013.25 mbar: within 0.001 K where gauge reads 0."""
    values = [float(v) for v in row.values()]
    b = lab()
    for second in range(61):
        b.at(second, moisture=values[0], pressure=0.0)
    assert last(b, "frost_point_calc") == pytest.approx(values[1], abs=1e-3)


def test_frost_point_follows_pressure(
    lab: Callable[..., Bench], make_signal: Callable[..., SignalPlan]
) -> None:
    """At a barometer of 850 mbar the same ppm frosts lower than at 1013."""
    points: list[float] = []
    for barometer in (1013.25, 850.0):
        b = lab(extra=[make_signal("heron.barometer", "mbar")])
        b.hold(0, 61, moisture=1.0, pressure=3.0, barometer=barometer)
        points.append(last(b, "frost_point_calc"))
    # d(ln e)/dT over ice at -76 degC is 0.158 /K (from R14-08).
    assert points[0] - points[1] == pytest.approx(math.log(1016.25 / 853.0) / 0.158, rel=0.02)


@pytest.mark.parametrize(
    ("given", "quality"),
    [
        (Reading(0.05, Quality.LOW), Quality.LOW),
        (Reading(900.0, Quality.OVER_RANGE), Quality.OVER_RANGE),
        (Reading(None, Quality.LOOP_FAULT), Quality.LOOP_FAULT),
    ],
)
def test_quality_is_that_of_the_worst_input(
    lab: Callable[..., Bench], given: Reading, quality: Quality
) -> None:
    """A derived reading is no better than its inputs, and has no value where one is bad."""
    b = lab()
    seen = []
    b.drive.record = lambda e: seen.append(e.outcome.readings.get("heron.frost_point_calc"))
    b.at(0, moisture=0.2, pressure=3.0)
    b.hold(1, 62, moisture=given, pressure=3.0)
    reading = [r for r in seen if r is not None][-1]
    assert reading.quality == quality
    assert (reading.value is None) == (quality >= Quality.NO_ANSWER)


def test_an_overdue_input_makes_it_bad(lab: Callable[..., Bench]) -> None:
    """Old readings do not go on as if they were new."""
    b = lab()
    b.hold(0, 65, moisture=0.2, pressure=3.0)
    b.wait(300)
    assert last(b, "frost_point_calc") is None


def test_nothing_to_freeze_is_said_as_the_end_of_the_range(lab: Callable[..., Bench]) -> None:
    """Below -110 degC the curve does not hold: under-range, not a number made up."""
    b = lab()
    seen = []
    b.drive.record = lambda e: seen.append(e.outcome.readings.get("heron.frost_point_calc"))
    b.hold(0, 61, moisture=-0.1, pressure=3.0)
    assert [r for r in seen if r][-1] == Reading(-110.0, Quality.UNDER_RANGE)


def test_a_measured_signal_of_the_name_wins(
    lab: Callable[..., Bench], make_signal: Callable[..., SignalPlan]
) -> None:
    """What an instrument measures is not computed over."""
    b = lab(extra=[make_signal("heron.frost_point_calc", "degC")])
    b.hold(0, 70, moisture=0.2, pressure=3.0)
    assert not told(b, "frost_point_calc")


def test_derived_signals_are_never_fed_back(
    lab: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A recorded derived reading in a scan changes nothing: only registers are fed."""
    b = lab(make_rule("cold", "frost_point_calc", Above(0.0)))
    b.at(0, frost_point_calc=5.0, **CALM)
    assert not b.told()


def test_a_rule_may_speak_of_a_derived_signal(
    lab: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """Judged like any other, at the minute it is told."""
    b = lab(make_rule("damp", "frost_point_calc", Above(-80.0)))
    b.hold(0, 130, **{**CALM, "moisture": 2.0})
    assert [(t, what) for t, what, _ in b.told("damp")] == [(60, "raised")]


def night(b: Bench, day_s: float, ppm: float | None, minutes: int = 180, **more: Any) -> None:
    """A scan a minute from two o'clock on, then a tick past five."""
    for k in range(minutes):
        b.at(day_s + k * MINUTE + 50, **{**CALM, "oxygen": ppm, **more})
    b.at(day_s + 3 * H + 70, **CALM)


@pytest.mark.long
def test_idle_baseline_is_the_median_from_two_to_five(lab: Callable[..., Bench]) -> None:
    """Quiet readings of the night only; what comes before and after is not in it."""
    b = lab()
    b.at(0, **{**CALM, "oxygen": 9.0})
    for k in range(180):
        b.at(TO_0200 + k * MINUTE + 50, **{**CALM, "oxygen": 0.1 + 0.001 * k})
    b.at(TO_0200 + 3 * H + 70, **{**CALM, "oxygen": 9.0})
    assert last(b, "oxygen_idle") == pytest.approx(0.1 + 0.001 * 89.5, abs=0.002)


@pytest.mark.long
def test_idle_baseline_leaves_out_what_goes_on(lab: Callable[..., Bench]) -> None:
    """An hour of transfer in the night shifts nothing."""
    b = lab()
    for k in range(180):
        busy = 60 <= k < 90
        seen = {"oxygen": 3.0 if 60 <= k < 120 else 0.1, "large_evacuating": float(busy)}
        b.at(TO_0200 + k * MINUTE + 50, **{**CALM, "large_inner_door": float(busy), **seen})
    b.at(TO_0200 + 3 * H + 70, **CALM)
    assert last(b, "oxygen_idle") == pytest.approx(0.1)


def test_a_night_without_enough_quiet_has_no_baseline(lab: Callable[..., Bench]) -> None:
    """Less than an hour of quiet tells nothing of a night."""
    b = lab()
    night(b, TO_0200, 0.1, minutes=50)
    assert not told(b, "oxygen_idle")


def test_idle_baseline_is_by_the_clock_of_the_site(
    bench: Callable[..., Bench], make_signal: Callable[..., SignalPlan]
) -> None:
    """Two o'clock is local: in Tokyo it comes nine hours before UTC's."""
    b = stirred(bench())
    plan = b.drive.watch.plan
    b.drive.watch = Watch(type(plan)(**{**_fields(plan), "timezone": "Asia/Tokyo"}))
    tokyo_2_s = TO_0200 - 9 * H
    night(b, tokyo_2_s, 0.3)
    assert last(b, "oxygen_idle") == pytest.approx(0.3)


def _fields(plan: Any) -> dict[str, Any]:
    return {name: getattr(plan, name) for name in type(plan).__dataclass_fields__}


@pytest.mark.long
def test_comparisons_with_the_own_baseline_are_silent_for_seven_days(
    lab: Callable[..., Bench], make_rule: Callable[..., RulePlan]
) -> None:
    """A learning box has a baseline, but unproven: nothing is raised on it until day seven."""
    b = lab(make_rule("twice", "oxygen", AboveOwn(2.0, "idle-baseline")))
    for day in range(9):
        night(b, TO_0200 + day * DAY, 0.1)
        learning = b.watch.outlook_table()["heron"]["learning"]
        assert learning == (day < 7)
        b.hold(
            TO_0200 + day * DAY + 4 * H, TO_0200 + day * DAY + 4 * H + 3, **{**CALM, "oxygen": 0.5}
        )
        assert bool(b.told("twice")) == (not learning), day


def steady(b: Bench, seconds: int, start: int = 0, **more: Any) -> None:
    for second in range(start, start + seconds, 5):
        b.at(second, **{**CALM, **more})


def test_oxygen_ingress_of_a_running_loop(lab: Callable[..., Bench]) -> None:
    """1 ppm at 60 m³/h, 95 % cleaned, is 57 cm³/h at the box; less by p and T at standard."""
    b = lab()
    steady(b, 40 * MINUTE, oxygen=1.0)
    standard = 1016.25 / 1013.25 * 273.15 / 296.15
    assert last(b, "oxygen_ingress") == pytest.approx(57.0 * standard, rel=1e-6)


def test_ingress_carries_the_zero_uncertainty(lab: Callable[..., Bench]) -> None:
    """0.2 ppm of zero are 11 cm³/h: more than gloves give, and said so."""
    b = lab()
    steady(b, 40 * MINUTE, oxygen=0.05)
    latest = b.watch.outlook_table()["heron"]["ingress_ml_h"]["oxygen"]
    assert latest is not None
    value, unsure = latest
    assert unsure == pytest.approx(4 * value)


def test_oxygen_ingress_of_a_standing_loop(lab: Callable[..., Bench]) -> None:
    """1.5 ppm/h in 1.2 m³ is 1.8 cm³/h, loop or no loop."""
    b = lab()
    for second in range(0, 2 * H, 5):
        b.at(second, **{**CALM, "circulating": 0.0, "oxygen": 0.1 + 1.5 * second / H})
    standard = 1016.25 / 1013.25 * 273.15 / 296.15
    assert last(b, "oxygen_ingress") == pytest.approx(1.8 * standard, rel=1e-3)


@pytest.mark.long
def test_water_ingress_comes_from_the_running_loop_only(lab: Callable[..., Bench]) -> None:
    """With the loop stopped the walls hide it: nothing is told, not even a small number."""
    b = lab()
    steady(b, 3 * H, circulating=0.0, moisture=2.0)
    assert not told(b, "moisture_ingress")
    steady(b, 50 * MINUTE, start=3 * H, moisture=2.0)
    assert not told(b, "moisture_ingress")
    steady(b, 40 * MINUTE, start=3 * H + 50 * MINUTE, moisture=2.0)
    assert last(b, "moisture_ingress") == pytest.approx(2.0 * 57.0 * 0.925, rel=0.01)


@pytest.mark.long
def test_duty_is_the_share_of_the_last_hour(lab: Callable[..., Bench]) -> None:
    """A valve that is open 6 s of every 60 is open a tenth of the time."""
    b = lab()
    for second in range(2 * H + 61):
        b.at(second, **CALM, fill_valve=float(second % 60 < 6))
    assert last(b, "fill_duty") == pytest.approx(10.0, abs=0.2)


@pytest.mark.long
def test_gas_use_from_pressure_steps(lab: Callable[..., Bench]) -> None:
    """A fill of 1 mbar every 10 min: 144 a day of (1.18 + 0.7) L/mbar."""
    b = lab()
    for second in range(3 * H + 61):
        phase = second % 600
        pressure = 3.0 - phase / 600 if phase < 590 else 2.0 + (phase - 590) / 10
        b.at(second, **{**CALM, "pressure": pressure}, fill_valve=float(phase >= 590))
    expected = 144 * (1200 * 100 / 101_600 + 0.7) * (101_600 / 101_325 * 273.15 / 296.15)
    assert last(b, "gas_use") == pytest.approx(expected, rel=0.03)


def test_cooling_is_no_loss(lab: Callable[..., Bench]) -> None:
    """3 K in the night draw 12 L and lose none: the change of content is taken out."""
    b = lab()
    drawn = 0
    for minute in range(5 * 60):
        celsius = 24.0 - 3.0 * minute / 300
        b.at(minute * 60, **{**CALM, "temperature": celsius, "pressure": 2.0}, fill_valve=0.0)
        if minute % 10 == 9:  # what 0.1 K takes is filled in one step
            b.at(
                minute * 60 + 30,
                **{**CALM, "temperature": celsius, "pressure": 2.0},
                fill_valve=1.0,
            )
            lift = 1016.0 * 0.1 / 297 / (1 + 0.7 / 1.18)
            b.at(
                minute * 60 + 40,
                **{**CALM, "temperature": celsius, "pressure": 2.0 + lift},
                fill_valve=0.0,
            )
            drawn += 1
    assert drawn == 30
    assert abs(last(b, "gas_use")) < 6.0


def test_residual_after_cycles_agrees_with_the_table(lab: Callable[..., Bench]) -> None:
    """antechamber.csv: 3 cycles at 10 mbar from air, pure refill, leave 0.20 ppm (derived)."""
    b = lab()
    b.at(
        0, **{**CALM, "oxygen": 0.0, "pressure": 0.0}, large_pressure=1013.25, large_outer_door=0.0
    )
    b.at(1, large_outer_door=1.0)
    b.at(60, large_outer_door=0.0)
    second = 70
    for _ in range(3):
        b.hold(second, second + 60, large_pressure=10.0, large_evacuating=1.0)
        b.hold(second + 60, second + 120, large_pressure=1013.25, large_evacuating=0.0)
        second += 120
    b.hold(second, second + 80, large_pressure=1013.25)
    assert last(b, "large_residual") == pytest.approx(0.20135, rel=1e-3)


@pytest.mark.long
def test_all_of_it_survives_a_snapshot(lab: Callable[..., Bench]) -> None:
    """A watch restored in the middle says the same, to the last digit."""
    runs = []
    for freeze in (False, True):
        b = lab()
        for second in range(0, 2 * H, 2):
            oxygen = 0.05 + (20.0 * math.exp(-(second - H) / 80) if second >= H else 0.0)
            b.at(second, **{**CALM, "oxygen": oxygen}, fill_valve=float(second % 100 < 6))
            if freeze and second in (1001 * 2, H + 60, H + 200):
                b.freeze()
        runs.append((b.derived, json.dumps(b.watch.save(), sort_keys=True)))
    assert runs[0] == runs[1]


@pytest.mark.long
def test_items_out_of_order_and_odd_values_never_raise(lab: Callable[..., Bench]) -> None:
    """Infinite, negative and missing numbers on every signal at once."""
    b = lab()
    names = [*CALM, "fill_valve", "large_pressure", "large_inner_door", "large_evacuating"]
    odd = [math.inf, -math.inf, math.nan, -5.0, 1e100, 0.0, None]
    qualities = [
        *(Quality.GOOD, Quality.LOW, Quality.OVER_RANGE),
        *(Quality.UNDER_RANGE, Quality.NO_ANSWER, Quality.INSTRUMENT_FAULT),
    ]
    for second in range(4000):
        readings = {
            f"heron.{name}": Reading(odd[(second // 9 + k) % 7], qualities[second % 6])
            for k, name in enumerate(names)
        }
        at_ms = b.drive.at_ms or 1_772_417_640_000
        b.drive.feed(Scan(at_ms + 1000, at_ms + 1000, "panel", readings))
    json.dumps([b.watch.outlook_table(), b.watch.ledger_table(), b.watch.save()], allow_nan=False)
