"""Sensors: their lags, limits, zero, drift, stores and switches, against hand-worked figures."""

from __future__ import annotations

import math
import random

import pytest

from dewline_sim.instruments.frost import frost_point_c, ice_pressure_pa
from dewline_sim.instruments.instrument import Instrument
from dewline_sim.instruments.registers import Register, State, check_map
from dewline_sim.instruments.sensors import KINDS, Sensor, build
from dewline_sim.instruments.text_meters import FrostMeter, MoistureMeter
from dewline_sim.typed_tree import build as typed

AIR = 209_460.0


def run(sensor: Sensor, seconds: int, seed: int = 1, **truth: float) -> list[float]:
    """Indications, one a second."""
    rng = random.Random(seed)
    shown = []
    for _ in range(seconds):
        sensor.tick(1.0, truth, rng.gauss(0.0, 1.0))
        shown.append(sensor.value)
    return shown


def quiet(kind: str, role: str, **settings: object) -> Sensor:
    """A sensor of a kind without noise."""
    return typed(KINDS[kind], {"role": role, **settings}, kind)


def test_lag_up_and_down() -> None:
    """A first-order element covers 1 - 1/e of a step in one time constant, each way its own."""
    sensor = quiet("plain", "x", lag_up_s=30.0, lag_down_s=300.0)
    run(sensor, 1, x=0.0)
    assert run(sensor, 30, x=100.0)[-1] == pytest.approx(100 * (1 - math.exp(-1)), rel=1e-9)
    run(sensor, 3000, x=100.0)
    assert run(sensor, 300, x=0.0)[-1] == pytest.approx(100 * math.exp(-1), rel=1e-3)


@pytest.mark.parametrize(("lag_s", "seen"), [(300.0, 0.16), (10.0, 0.74), (1200.0, 0.05)])
def test_a_lagging_sensor_shows_little_of_a_spike(lag_s: float, seen: float) -> None:
    """Of a spike that decays with 76 s, a sensor of lag L shows r^(r/(1-r)), r = L/76 s.

    Peak of the response of a first-order lag to a decaying exponential, by hand.
    """
    sensor = quiet("plain", "x", lag_up_s=lag_s, lag_down_s=lag_s)
    sensor.tick(1.0, {"x": 0.0}, 0.0)
    shown = []
    for t in range(3000):
        sensor.tick(1.0, {"x": math.exp(-(t + 0.5) / 76.0)}, 0.0)
        shown.append(sensor.value)
    ratio = lag_s / 76.0
    assert max(shown) == pytest.approx(ratio ** (ratio / (1 - ratio)), rel=0.01)
    assert max(shown) == pytest.approx(seen, abs=0.01)


def test_area_survives_the_lag() -> None:
    """However slow the sensor, the area under an impulse is the impulse's."""
    sensor = quiet("plain", "x", lag_up_s=200.0, lag_down_s=200.0)
    run(sensor, 1, x=0.0)
    area = sum(run(sensor, 60, x=50.0)) + sum(run(sensor, 5000, x=0.0))
    assert area == pytest.approx(60 * 50.0, rel=0.01)


def test_saturation_and_floor() -> None:
    """Above its range a sensor says so and stays at the end; below its floor it shows the floor."""
    sensor = quiet("plain", "x", high=2000.0, low=-2.0, floor=0.1)
    run(sensor, 1, x=5000.0)
    assert (sensor.state, sensor.value) == (State.OVER, 2000.0)
    run(sensor, 1, x=0.01)
    assert (sensor.state, sensor.value) == (State.SOUND, 0.1)
    run(sensor, 1, x=-7.0)
    assert (sensor.state, sensor.value) == (State.UNDER, -2.0)


def test_zero_gain_drift_slip() -> None:
    """shown = (truth x gain + zero) x slip, and a drift moves the zero by its rate a day."""
    sensor = quiet("plain", "x", zero=0.2, gain=0.9)
    assert run(sensor, 1, x=1.0)[-1] == pytest.approx(1.1)
    sensor.slip = 10.0
    assert run(sensor, 1, x=1.0)[-1] == pytest.approx(11.0)
    drifting = quiet("plain", "x", drift_per_d=2.4)
    assert run(drifting, 3600, x=1.0)[-1] == pytest.approx(1.1, rel=1e-6)


def test_noise_is_what_it_is_said_to_be() -> None:
    """Standard deviation and mean of ten thousand indications."""
    shown = run(quiet("plain", "x", noise=0.05), 10_000, x=3.0)
    mean = sum(shown) / len(shown)
    assert mean == pytest.approx(3.0, abs=0.003)
    spread = math.sqrt(sum((v - mean) ** 2 for v in shown) / len(shown))
    assert spread == pytest.approx(0.05, rel=0.05)


def test_wet_cell_after_room_air() -> None:
    """Common practice, no source: about 10 ppm after 1 h, 1 ppm in 2-8 h, 0.1 ppm in a day."""
    cell = build("o2", "oxygen", {"noise": 0.0, "noise_share": 0.0})
    run(cell, 3600, oxygen=AIR)
    assert cell.state is State.OVER
    shown = run(cell, 90_000, oxygen=0.0)
    assert 5.0 < shown[3600] < 20.0
    assert 2.0 < next(t for t, v in enumerate(shown) if v < 1.0) / 3600 < 8.0
    assert 0.02 < shown[86_400 - 1] < 0.3


def test_a_short_rush_leaves_little_behind() -> None:
    """Ten minutes at 3000 ppm charge a cell a hundredth of what air does."""
    cell = build("o2", "oxygen", {"noise": 0.0, "noise_share": 0.0})
    run(cell, 600, oxygen=3000.0)
    assert run(cell, 600, oxygen=0.0)[-1] < 0.3


def test_hot_cell_burns_solvent() -> None:
    """C7H8 + 9 O2 -> 7 CO2 + 4 H2O: 1 ppm toluene hides 9 ppm oxygen, 1 ppm H2 half a ppm."""
    cell = quiet("zirconia", "oxygen", low=-2.0)
    assert run(cell, 1, oxygen=20.0, solvent_vapour=1.0)[-1] == pytest.approx(11.0)
    assert run(cell, 1, oxygen=20.0, hydrogen=4.0)[-1] == pytest.approx(18.0)
    assert run(cell, 1, oxygen=1.0, solvent_vapour=3.0)[-1] == 0.0  # no less than none is left


def test_film_dries_slower_the_drier_it_is() -> None:
    """From 10 to 1 ppm takes a while, from 1 to 0.2 ppm much longer."""
    film = build("h2o", "moisture", {"noise": 0.0, "noise_share": 0.0, "warm_up_s": 0.0})
    run(film, 3600, moisture=10.0)
    shown = run(film, 40_000, moisture=0.1)
    to_one = next(t for t, v in enumerate(shown) if v < 1.0)
    to_fifth = next(t for t, v in enumerate(shown) if v < 0.2)
    assert to_fifth > 3 * to_one
    assert run(film, 200, moisture=10.0)[-1] > 9.0  # and it wets within minutes


@pytest.mark.parametrize(
    ("ppm", "frost_c"),
    [(0.1, -89.755), (1, -76.189), (5, -65.466), (100, -42.077), (1000, -20.196)],
)
def test_frost_points(ppm: float, frost_c: float) -> None:
    """Murphy and Koop (2005) at 101 325 Pa; values worked out apart from this code with numpy."""
    assert frost_point_c(ppm, 101_325.0) == pytest.approx(frost_c, abs=0.002)


def test_ice_at_the_triple_point() -> None:
    """611.657 Pa at 273.16 K (IAPWS), which eq. 7 of Murphy and Koop meets to 1e-5."""
    assert ice_pressure_pa(273.16) == pytest.approx(611.657, rel=2e-5)


def analyzer() -> Instrument:
    """A trace analyzer that has run for an hour in a steady box."""
    made = Instrument("heron-trace", "trace-gas", "heron", seed=3, own={"serial_number": 7})
    told(made, 0, 3600)
    return made


def told(instrument: Instrument, from_s: int, seconds: int, **change: float) -> None:
    """Let it run."""
    truth = {"oxygen": 0.5, "moisture": 1.0, "temperature": 23.0, "pressure": 3.0} | change
    for second in range(from_s, from_s + seconds):
        instrument.tick(second * 1000, {"heron": truth})


def test_frozen_register_and_frozen_block() -> None:
    """One frozen register repeats while its neighbours live; a frozen block repeats bit for bit."""
    one = analyzer()
    one.act("freeze", {"register": "o2"})
    before = dict(one.words()["input"])
    told(one, 3600, 5, oxygen=50.0, moisture=30.0)
    after = one.words()["input"]
    assert [after[a] for a in (0, 1)] == [before[a] for a in (0, 1)]
    assert [after[a] for a in (2, 3)] != [before[a] for a in (2, 3)]
    one.act("freeze", {})
    block = dict(one.words()["input"])
    told(one, 3605, 60, moisture=99.0)
    assert one.words()["input"] == block


def test_restart_gives_a_block_of_zeros_and_then_warms_up() -> None:
    """Dead without power; then all zeros; then the moisture channel says it is warming up."""
    one = analyzer()
    one.act("power", {"on": False})
    assert one.shown("o2") == (None, "bad/no-answer")
    one.act("power", {"on": True})
    told(one, 3600, 1)
    assert set(one.words()["input"].values()) == {0}
    assert one.shown("o2") == (0.02, "good/low")
    told(one, 3601, 10)
    assert one.shown("h2o")[1] == "uncertain/warming-up"
    told(one, 3611, 900)
    assert one.shown("h2o")[1] == "good"


def test_switched_off_it_still_answers() -> None:
    """Off: zeros, and the status bit says so."""
    one = analyzer()
    one.act("switch", {"on": False})
    told(one, 3600, 2)
    assert one.words()["input"][6] == 0
    assert one.shown("o2") == (0.02, "good/low")


def test_saturated_cell_shows_its_code() -> None:
    """Over its range the oxygen register holds the largest float, words swapped."""
    one = analyzer()
    told(one, 3600, 120, oxygen=30_000.0)
    assert [one.words()["input"][a] for a in (0, 1)] == [0xFFFF, 0x7F7F]
    assert one.shown("o2") == (250_000.0, "uncertain/over-range")


def test_deaf_and_leaking() -> None:
    """A deaf cell does not move; a leaking sample line adds what leaks in."""
    one = analyzer()
    one.act("set", {"register": "o2", "deaf": 1.0})
    told(one, 3600, 600, oxygen=80.0)
    assert one.channel("o2").value == pytest.approx(0.5, abs=0.05)
    one.act("set", {"register": "o2", "deaf": 0.0, "added": 4.0})
    told(one, 4200, 600)
    assert one.channel("o2").value == pytest.approx(4.5, abs=0.1)


def test_one_generator_an_instrument() -> None:
    """Same seed and name, same noise; what is done to one instrument leaves another's noise."""
    first, second = analyzer(), analyzer()
    assert first.words() == second.words()
    other = Instrument("egret-trace", "trace-gas", "heron", seed=3)
    told(other, 0, 3600)
    assert other.channel("o2").value != first.channel("o2").value


def test_reading_leaves_no_trace() -> None:
    """Who reads what and how often changes neither noise nor state, lagging channels or not."""
    read, unread = analyzer(), analyzer()
    for second in range(3600, 3700):
        told(read, second, 1)
        told(unread, second, 1)
        assert read.words() == read.words()
        read.shown("sample_flow")
    assert read.words() == unread.words()


def test_acts_that_make_no_sense() -> None:
    """Unknown acts, registers and settings are refused with words."""
    one = analyzer()
    for name, params in (
        ("dance", {}),
        ("freeze", {"register": "nothing"}),
        ("set", {"register": "o2", "colour": 3}),
        ("power", {}),
        ("own", {"mood": 1}),
    ):
        with pytest.raises(ValueError):
            one.act(name, params)
    with pytest.raises(ValueError, match="kind"):
        build("o2", "oxygen", {"kind": "crystal ball"})
    with pytest.raises(ValueError, match="lagg_s: unknown"):
        build("o2", "oxygen", {"lagg_s": 3.0})


def test_maps_do_not_overlap() -> None:
    """Two registers on one address are refused; bits of a status word may share it."""
    a = Register(name="a", table="input", address=0, type="float32")
    with pytest.raises(ValueError, match="lies on"):
        check_map((a, Register(name="b", table="input", address=1)))
    word = [Register(name=str(b), table="input", address=6, type="bit", bit=b) for b in (0, 1)]
    check_map((a, *word))


def test_frost_meter_talks() -> None:
    """One line: frost point of 1 ppm at the sample's absolute pressure, in a fixed form."""
    meter = FrostMeter(
        "heron-frost", "frost-stream", "heron", sensors={"frost_point": {"noise": 0}}
    )
    told(meter, 0, 5)
    wanted = frost_point_c(1.0, 101_625.0)
    assert meter.line().startswith(f"FP {wanted:+06.1f} C P 1016.".encode())
    assert len(meter.line()) == len(b"FP -076.2 C P 1016.4 mbar\r\n")
    meter.act("set", {"register": "frost_point", "failed": True})
    told(meter, 5, 1)
    assert b"*" in meter.line()


def test_asked_meter_answers_with_a_check() -> None:
    """The two hex digits are the exclusive or of everything before the star."""
    meter = MoistureMeter("heron-wet", "moisture-ask", "heron", sensors={"h2o": {"noise": 0}})
    told(meter, 0, 5)
    body, _, check = meter.line().partition(b"*")
    assert body == b"H +0001.00 ppm "
    total = 0
    for byte in body:
        total ^= byte
    assert check == b"%02X\r" % total
