"""What boxes share: gas supplies, mains, room and weather, each by its law."""

import math

import pytest

from dewline_sim.lab import Lab
from dewline_sim.physics.climate import Climate
from dewline_sim.physics.mixture import O2, vapour_pressure_pa
from dewline_sim.physics.ramp import Ramp
from dewline_sim.physics.spec import (
    BoxSpec,
    ClimateSpec,
    LabSpec,
    SupplySpec,
)
from tests.sim.still_lab import HERON, NOON_MS, STILL, see, still


def test_cylinders_empty_and_change_over() -> None:
    """Two 10 m3 cylinders: the second takes over near 8 bar, then pressure and flow end."""
    supply = SupplySpec(kind="cylinder", cylinder_l=1.0)
    lab = still(services=(supply,))
    lab.act("purge_on", HERON, flow_l_min=100.0)
    lab.run(110)
    truth = lab.truth("house-nitrogen")
    assert truth["cylinder_1"] < 20
    assert truth["cylinder_2"] == pytest.approx(200.0)
    assert truth["pressure"] == pytest.approx(6.0, abs=0.2)
    lab.run(200)
    truth = lab.truth("house-nitrogen")
    assert truth["pressure"] < 4.0
    assert see(lab, "purge_flow") == 0.0
    lab.act("cylinder_change", "house-nitrogen")
    lab.run(5)
    assert lab.truth("house-nitrogen")["pressure"] > 5.5


def test_a_liquid_vessel_keeps_its_pressure_until_it_is_empty() -> None:
    """Level falls, pressure stays; at the very end both are gone."""
    lab = still(services=(SupplySpec(kind="liquid", liquid_l=2.0),))
    lab.act("purge_on", HERON, flow_l_min=300.0)
    lab.run(120)
    assert 30 < lab.truth("house-nitrogen")["level"] < 70
    assert lab.truth("house-nitrogen")["pressure"] > 5.5
    lab.run(300)
    assert lab.truth("house-nitrogen")["pressure"] < 4.0
    lab.act("cylinder_level", "house-nitrogen", percent=100.0)
    lab.run(5)
    assert lab.truth("house-nitrogen")["level"] > 98


def test_supply_flow_is_what_the_boxes_draw() -> None:
    """House flow (L/min at 0 degC, 1013.25 mbar) is the sum of fills and purges."""
    lab = still(boxes=(BoxSpec(), BoxSpec(name="egret")))
    for name in (HERON, "egret"):
        lab.act("purge_on", name, flow_l_min=60.0)
    lab.run(60)
    drawn = sum(lab.truth(n)["purge_flow"] for n in (HERON, "egret")) * 273.15 / 296.5
    assert lab.truth("house-nitrogen")["flow"] == pytest.approx(drawn, rel=0.02)


def test_the_day_moves_temperature_and_relative_humidity_against_it() -> None:
    """Warmest at 15 h, coldest at 3 h, absolute humidity the same: RH falls as it warms."""
    climate = Climate(ClimateSpec(weather_percent=0.0), 1, NOON_MS / 1000)
    seen = {}
    for hour in range(24):
        climate.update(hour * 3600.0, 3600.0, 0.0)
        seen[round(climate.local_hour(hour * 3600.0))] = (
            climate.temperature_c, climate.humidity_percent, climate.vapour_pa,
        )  # fmt: skip
    assert seen[15][0] == pytest.approx(24.5)
    assert seen[3][0] == pytest.approx(21.5)
    assert seen[3][1] > seen[15][1] + 5
    assert seen[3][2] == pytest.approx(seen[15][2])
    assert seen[3][2] == pytest.approx(0.5 * vapour_pressure_pa(23.0), rel=1e-6)


def test_season_and_weather_stay_within_their_swings() -> None:
    """July is damper than January by twice the season; the barometer keeps its swing."""
    spec = ClimateSpec(season_percent=15.0, weather_percent=0.0, weather_mbar=6.0)
    january = Climate(spec, 3, 1_767_225_600.0)
    july = Climate(spec, 3, 1_784_505_600.0)
    assert july.vapour_pa / january.vapour_pa == pytest.approx(65 / 35, rel=0.1)
    swings = []
    for hour in range(0, 24 * 60, 3):
        january.update(hour * 3600.0, 3600.0, 0.0)
        swings.append(january.barometer_pa / 100)
    assert 1007 <= min(swings) < 1010
    assert 1016 < max(swings) <= 1019.5


def test_room_air_recovers_by_ventilation() -> None:
    """dO2/dt = n (20.946 - O2): after an hour at 2 changes 86 % of the loss is made good."""
    climate = Climate(ClimateSpec(air_changes_per_h=2.0), 1, 0.0)
    climate.update(0.0, 0.0, 15.0)
    lost = 0.20946 - climate.room_oxygen
    assert lost == pytest.approx(0.20946 * (1 - math.exp(-0.1)))
    for minute in range(60):
        climate.update(minute * 60.0, 60.0, 0.0)
    assert (0.20946 - climate.room_oxygen) / lost == pytest.approx(math.exp(-2.0), rel=1e-6)
    assert climate.air[O2] < climate.room_oxygen
    assert sum(climate.air) == pytest.approx(1.0)


def test_a_ramp_goes_straight_and_can_turn() -> None:
    """Half way at half time, there afterwards, and on from where it is when told anew."""
    ramp = Ramp(6.0)
    ramp.go(4.0, 100.0, 100.0)
    assert [ramp.at(t) for t in (100.0, 150.0, 200.0, 999.0)] == [6.0, 5.0, 4.0, 4.0]
    ramp.go(0.0, 1000.0, 100.0)
    ramp.go(4.0, 1050.0, 50.0)
    assert ramp.at(1075.0) == 3.0
    assert ramp.at(1e9) == 4.0


def test_power_of_one_box_leaves_the_others() -> None:
    """A plug pulled at one box: its purifier stops, the neighbour's runs on."""
    spec = LabSpec(
        boxes=(BoxSpec(), BoxSpec(name="egret", purifier="p2")),
        purifiers=tuple(type(LabSpec().purifiers[0])(name=n) for n in ("p1", "p2")),
        climate=STILL,
    )
    lab = Lab(spec, 1, NOON_MS)
    lab.act("lights", HERON, warmer_k=3.0)
    lab.act("purge_on", HERON)
    lab.act("power_cut", HERON)
    lab.run(600)
    one, other = lab.truth(HERON), lab.truth("egret")
    assert (one["powered"], one["circulating"], one["purging"], one["light"]) == (0, 0, 0, 0)
    assert (other["powered"], other["circulating"]) == (1, 1)
    assert lab.truth("site")["mains_present"] == 1.0
