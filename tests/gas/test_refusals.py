"""No function of the gas room answers a nonsensical question with a number."""

import inspect
import math
from collections.abc import Callable
from typing import Any

import pytest

from dewline.errors import OutOfRange
from dewline.gas import (
    air,
    antechamber,
    bed,
    cleanup,
    coverage,
    dilution,
    give,
    hold,
    humidity,
    ingress,
    leak,
    permeation,
    trend,
)
from dewline.gas.antechamber import Cycle
from dewline.gas.leak import HoldPoint

ROOM = (
    *(air, antechamber, bed, cleanup, coverage, dilution),
    *(give, hold, humidity, ingress, leak, permeation, trend),
)
POINT = HoldPoint(300.0, 295.15, 101_325.0)
TIMES = [float(t) for t in range(0, 3600, 20)]
READINGS = [hold.HoldReading(t, 5.0, 22.0, 1013.0) for t in TIMES]
OXYGEN = [ingress.OxygenReading(t, 1.0 + t / 3600) for t in TIMES]
CYCLE = Cycle(1000.0, 101_325.0, 1.0)

# One sane call of every public function; each number in it is replaced in turn.
CALLS: list[tuple[Callable[..., Any], dict[str, Any]]] = [
    (humidity.ice_pressure_pa, {"temperature_k": 230.0}),
    (humidity.liquid_pressure_pa, {"temperature_k": 300.0}),
    (humidity.supercooled_pressure_pa, {"temperature_k": 250.0}),
    (humidity.dew_pressure_pa, {"dew_point_c": -20.0}),
    (humidity.stable_pressure_pa, {"temperature_c": -20.0}),
    (humidity.vapour_pressure_pa, {"ppm": 1.0, "pressure_pa": 1e5}),
    (humidity.ppm_of_vapour, {"vapour_pa": 1.0, "pressure_pa": 1e5}),
    (humidity.frost_point_c, {"ppm": 1.0, "pressure_pa": 1e5}),
    (humidity.dew_point_c, {"ppm": 1.0, "pressure_pa": 1e5}),
    (air.room_air, {"temperature_c": 23.0, "humidity_percent": 50.0, "pressure_pa": 1e5}),
    (
        leak.pressure_hold,
        {
            "volume_m3": 1.2,
            "start": POINT,
            "end": POINT,
            "duration_s": 3600.0,
            "compliance_m3_pa": 1e-6,
        },
    ),
    (
        leak.compliance_from_step,
        {"volume_m3": 1.2, "pressure_pa": 1e5, "added_m3": 1e-3, "rise_pa": 50.0},
    ),
    (leak.iso_10648_2_class, {"hourly_rate_per_h": 1e-3}),
    (leak.mbar_l_per_s, {"flow_pa_m3_s": 1.0}),
    (
        dilution.volumes_needed,
        {"start_ppm": 1e5, "target_ppm": 10.0, "inlet_ppm": 1.0, "mixing": 0.7},
    ),
    (dilution.purge_s, {"volumes": 3.0, "volume_m3": 1.2, "flow_m3_h": 18.0}),
    (antechamber.residual_ppm, {"start_ppm": 1e5, "cycle": CYCLE, "cycles": 3}),
    (antechamber.cycles_needed, {"start_ppm": 1e5, "target_ppm": 10.0, "cycle": CYCLE}),
    (
        antechamber.absolute_pa,
        {"gauge_pa": -9e4, "barometer_pa": 1e5, "gauge_error_pa": 1e3},
    ),
    (antechamber.dose_m3, {"residual_ppm": 100.0, "volume_m3": 0.06}),
    (
        bed.uptake_mol,
        {
            "flow_m3_h": 60.0,
            "gas_k": 295.0,
            "pressure_pa": 1e5,
            "inlet_ppm": 10.0,
            "duration_s": 60.0,
            "outlet_ppm": 1.0,
        },
    ),
    (bed.litres, {"amount_mol": 1.0}),
    (bed.grams, {"amount_mol": 1.0, "gas": "oxygen"}),
    (bed.regeneration, {"oxygen_g": 10.0, "hydrogen_share": 0.05, "utilisation": 0.5}),
    (
        permeation.permeation_cm3_h,
        {"barrer": 1.3, "area_m2": 0.9, "thickness_m": 4e-4, "difference_pa": 2e4},
    ),
    (
        permeation.rise_ppm_h,
        {"flow_cm3_h": 1.7, "volume_m3": 1.2, "gas_k": 295.0, "pressure_pa": 1e5},
    ),
    (
        cleanup.balance,
        {
            "volume_m3": 1.2,
            "flow_m3_h": 60.0,
            "efficiency": 0.95,
            "leak_per_h": 1e-4,
            "source_cm3_h": 1.8,
            "outlet_ppm": 0.1,
            "air_ppm": 209_460.0,
        },
    ),
    (cleanup.source_isolated_cm3_h, {"slope_ppm_h": 1.0, "volume_m3": 1.2}),
    (coverage.half_width, {"normal_standard": 1.0, "rectangular_half": 1.0}),
    (give.seen_give, {"readings": READINGS, "volume_l": 1200.0, "missed_share": 0.1}),
    (hold.compliance_of, {"ports": "free", "gloves": 2}),
    (hold.evaluate, {"readings": READINGS, "volume_l": 1200.0}),
    (
        hold.measured_compliance,
        {
            "volume_l": 1200.0,
            "pressure_mbar": 1018.0,
            "added_l": 2.0,
            "rise_mbar": 1.0,
            "rise_standard_mbar": 0.05,
        },
    ),
    (hold.planned_s, {"expanded_per_h": 1e-4, "volume_l": 1200.0, "expected_change_k": 0.5}),
    (
        ingress.evaluate_oxygen,
        {"readings": OXYGEN, "volume_l": 1200.0, "air_ppm": 209_460.0},
    ),
    (trend.block_medians, {"times": TIMES, "values": TIMES}),
    (trend.independent_count, {"residuals": TIMES}),
    (trend.fit, {"times": TIMES, "values": TIMES}),
]
CASES = [
    pytest.param(call, sane, name, id=f"{call.__module__.split('.')[-1]}.{call.__name__}-{name}")
    for call, sane in CALLS
    for name, value in sane.items()
    if isinstance(value, float)
]


def test_every_public_function_is_on_the_list() -> None:
    """A new function of the room comes under these laws by itself, or this fails."""
    public = {
        function
        for module in ROOM
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and not name.startswith("_")
    }
    assert public == {call for call, _ in CALLS}


@pytest.mark.parametrize(("call", "sane", "name"), CASES)
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_not_a_number_is_refused(
    call: Callable[..., Any], sane: dict[str, Any], name: str, bad: float
) -> None:
    """NaN or an infinity in any one argument raises OutOfRange and says what is allowed."""
    call(**sane)
    with pytest.raises(OutOfRange, match="allowed"):
        call(**{**sane, name: bad})


@pytest.mark.parametrize(
    ("call", "sane", "name"),
    [
        case
        for case in CASES
        if isinstance(case.values[2], str)
        and case.values[2].startswith(("pressure", "volume", "mixing", "humidity", "gas_k"))
    ],
)
@pytest.mark.parametrize("bad", [-1.0, -1e9])
def test_negative_pressure_volume_and_share_are_refused(
    call: Callable[..., Any], sane: dict[str, Any], name: str, bad: float
) -> None:
    """What cannot be negative is refused when it is."""
    with pytest.raises(OutOfRange, match="allowed"):
        call(**{**sane, name: bad})


@pytest.mark.parametrize("field", ["gauge_pa", "gas_k", "barometer_pa"])
def test_hold_points_are_checked(field: str) -> None:
    """A hold refuses a point that is no number, and one of negative absolute pressure."""
    fields = {"gauge_pa": 300.0, "gas_k": 295.15, "barometer_pa": 101_325.0}
    with pytest.raises(OutOfRange, match="allowed"):
        leak.pressure_hold(1.2, POINT, HoldPoint(**{**fields, field: math.nan}), 3600)
    with pytest.raises(OutOfRange, match="allowed"):
        leak.pressure_hold(1.2, POINT, HoldPoint(-102_000.0, 295.15, 101_325.0), 3600)


@pytest.mark.parametrize(
    "cycle",
    [
        Cycle(0, 101_325),
        Cycle(-5, 101_325),
        Cycle(101_325, 101_325),
        Cycle(2e5, 1e5),
        Cycle(math.nan, 1e5),
        Cycle(1e3, math.inf),
        Cycle(1e3, 1e5, math.nan),
        Cycle(1e3, 1e5, -1.0),
    ],
)
def test_impossible_cycles_are_refused(cycle: Cycle) -> None:
    """A cycle needs 0 < low < high, both absolute, and a refill gas between 0 and 1e6 ppm."""
    with pytest.raises(OutOfRange, match="allowed"):
        antechamber.residual_ppm(1e5, cycle, 3)


def test_negative_counts_are_refused() -> None:
    """Fewer than no cycles are refused."""
    with pytest.raises(OutOfRange, match="allowed"):
        antechamber.residual_ppm(1e5, CYCLE, -1)


def test_nothing_settles_without_a_sink() -> None:
    """A box with neither flow through a bed nor leak has no steady state."""
    still = {"volume_m3": 1.2, "efficiency": 0.9, "leak_per_h": 0.0, "source_cm3_h": 1.0}
    with pytest.raises(OutOfRange, match="nothing settles"):
        cleanup.balance(**still, flow_m3_h=0.0)


def test_a_step_stiffer_than_a_rigid_box_is_refused() -> None:
    """1 L into 1.2 m³ can raise the gauge by at most 0.84 mbar at 1013 mbar."""
    with pytest.raises(OutOfRange, match=r"0\.844"):
        leak.compliance_from_step(1.2, 101_325, 1e-3, 100.0)
