"""Expressions of signals: read by a grammar of their own, refused where units do not fit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dewline.errors import FormulaError
from dewline.formulas.formula import PartUnit, formula
from dewline.formulas.grammar import names_of, parse, with_full_names
from dewline.gas.humidity import frost_point_c, ppm_of_vapour, supercooled_pressure_pa

UNITS = {
    "oxygen": "ppm",
    "outlet_oxygen": "ppm",
    "share": "%",
    "flow": "m3/h",
    "draught": "L/min",
    "pressure": "mbar",
    "barometer": "mbar",
    "warm": "degC",
    "tepid": "degF",
    "bag": "kg",
    "loop": "mA",
    "turns": "rpm",
    "number": "",
}
VALUES = {
    "oxygen": 5.0,
    "outlet_oxygen": 3.0,
    "share": 50.0,
    "flow": 60.0,
    "draught": 100.0,
    "pressure": 3.0,
    "barometer": 1013.0,
    "warm": 20.0,
    "tepid": 50.0,
    "bag": 2.0,
    "loop": 4.0,
    "turns": 50.0,
    "number": 2.0,
}


def unit_of(name: str) -> PartUnit:
    """What is known of each signal of these tests."""
    if name not in UNITS:
        raise FormulaError(f"has no signal {name}", "map it")
    return PartUnit(UNITS[name], gauge=name == "pressure")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("oxygen - outlet_oxygen", 2.0, "ppm"),
        ("oxygen − 0.5 ppm", 4.5, "ppm"),
        ("oxygen + 1 %", 10_005.0, "ppm"),
        ("outlet_oxygen / oxygen", 0.6, ""),
        ("oxygen * 2 - outlet_oxygen / 3", 9.0, "ppm"),
        ("2 × (oxygen - outlet_oxygen) ÷ number", 2.0, "ppm"),
        ("-oxygen + 6 ppm", 1.0, "ppm"),
        ("flow - draught", 54.0, "m3/h"),
        ("draught-flow", -900.0, "L/min"),
        ("flow * oxygen", 0.005, "L/min"),  # 60 m3/h x 5e-6 = 0.3 L/h
        ("share * pressure", 1.5, "mbar"),
        ("10 min * flow", 10_000.0, "L"),
        ("(pressure - 1 mbar) / 2 h", 1.0, "mbar/h"),
        ("warm + 8 K", 28.0, "degC"),
        ("8 K + warm", 28.0, "degC"),
        ("warm - tepid", 10.0, "K"),
        ("(warm - 10 degC) * 2", 20.0, "K"),
        ("min(warm, tepid)", 10.0, "degC"),
        ("max(oxygen, outlet_oxygen, 4 ppm)", 5.0, "ppm"),
        ("loop + 1 A", 1004.0, "mA"),
        ("turns * 2", 100.0, "rpm"),
        ("pressure + barometer", 1016.0, "mbar"),
    ],
)
def test_values_and_units_are_those_of_the_sum_on_paper(text: str, value: float, unit: str) -> None:
    """By hand; a unit is kept as long as it fits, so nothing is lost by converting it."""
    made = formula(text, unit_of)
    assert made.value(VALUES) == pytest.approx(value, rel=1e-12)
    assert made.unit == unit
    assert set(made.parts) <= UNITS.keys()


def test_a_unit_may_be_asked_for() -> None:
    """0.3 L/h of oxygen through the loop is 300 mL/h."""
    made = formula("flow * oxygen", unit_of, "mL/h")
    assert made.value(VALUES) == pytest.approx(300.0)
    assert made.unit == "mL/h"
    assert formula("warm", unit_of, "degF").value(VALUES) == pytest.approx(68.0)


def test_sums_of_gas_are_those_of_gas() -> None:
    """A frost point, back to its ppm, and the water of a room's air."""
    made = formula("frost_point(oxygen, pressure + barometer)", unit_of)
    assert made.value(VALUES) == frost_point_c(5.0, 101_600.0)
    assert made.unit == "degC"
    back = formula("ppm_of_frost_point(frost_point(oxygen, barometer), barometer)", unit_of)
    assert back.value(VALUES) == pytest.approx(5.0, rel=1e-6)
    room = formula("water_of_air(warm, share, barometer)", unit_of)
    # Over liquid at 20 degC; the law for supercooled water is another one, equal within 0.1 %.
    half = 0.5 * supercooled_pressure_pa(293.15)
    assert room.value(VALUES) == pytest.approx(ppm_of_vapour(half, 101_300.0), rel=1e-3)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("oxygen + pressure", "adds fraction and pressure"),
        ("oxygen - 3", "subtracts fraction and number"),
        ("min(oxygen, flow)", "takes min of fraction and volume / time"),
        ("oxygen * oxygen", "comes out as fraction x fraction"),
        ("bag / flow", "comes out as mass x time / volume"),
        ("warm + tepid", "adds two temperatures"),
        ("8 K - warm", "subtracts a temperature from K"),
        ("2 * warm", "multiplies or divides a temperature"),
        ("max(warm, 8 K)", "a temperature and a difference"),
        ("frost_point(oxygen, pressure)", "a pressure against the room"),
        ("frost_point(oxygen)", "gives frost_point 1 parts"),
        ("frost_point(warm, barometer)", "temperature in degC, not fraction"),
        ("oxygen + nothing", "has no signal nothing"),
        ("2 oxygen", "no unit dewline knows"),
        ("oxygen outlet_oxygen", "goes on with 'outlet_oxygen'"),
        ("oxygen +", "its end"),
        ("(oxygen", "not closed"),
        ("sum(oxygen)", "no function 'sum'"),
        ("min(oxygen)", "min of one part"),
        ("oxygen ** 2", "'*' where"),
        ("oxygen > 2 ppm", "no part of one"),
        ("__import__('os').system('true')", "no part of one"),
        ("oxygen.real", "has no signal oxygen.real"),
        ("lambda: oxygen", "no part of one"),
        ("(" * 40 + "oxygen" + ")" * 40, "too many brackets"),
        ("oxygen" + " + oxygen" * 90, "longer than 500"),
    ],
)
def test_what_does_not_fit_is_refused(text: str, problem: str) -> None:
    """With what is wrong and what to write; no Python is ever run."""
    with pytest.raises(FormulaError) as caught:
        formula(text, unit_of)
    assert problem in str(caught.value)
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("text", "unit", "problem"),
    [
        ("oxygen", "mbar", "fraction, not pressure"),
        ("warm - tepid", "degC", "a difference in K"),
        ("warm", "K", "a temperature, not a difference"),
        ("oxygen", "parsec", "no unit dewline knows"),
    ],
)
def test_a_unit_that_does_not_fit_is_refused(text: str, unit: str, problem: str) -> None:
    """The unit asked for has to measure what comes out."""
    with pytest.raises(FormulaError, match=problem):
        formula(text, unit_of, unit)


@pytest.mark.parametrize("text", ["oxygen / number", "frost_point(oxygen, barometer)"])
def test_where_there_is_no_value_none_is_given(text: str) -> None:
    """A division by zero, the frost point of no water."""
    assert formula(text, unit_of).value(VALUES | {"number": 0.0, "oxygen": 0.0}) is None


def test_names_are_found_and_written_out() -> None:
    """Functions and units are no signals."""
    text = "max(oxygen, house-gas.flow * 2 ppm / 1 L/min) − min (oxygen,5 ppm)"
    assert names_of(parse(text)) == ["oxygen", "house-gas.flow"]
    full = with_full_names(text, lambda name: name if "." in name else f"heron.{name}")
    assert names_of(parse(full)) == ["heron.oxygen", "house-gas.flow"]
    assert full == "max(heron.oxygen, house-gas.flow * 2 ppm / 1 L/min) - min (heron.oxygen,5 ppm)"


Sum = tuple[str, float]  # an expression and its value in ppm, reckoned beside it


def joined(left: Sum, sign: str, right: Sum) -> Sum:
    """Two expressions as one, and its value by Python's own reckoning."""
    (a, x), (b, y) = left, right
    values = {"+": x + y, "-": x - y, "min": min(x, y), "max": max(x, y)}
    return (f"({a} {sign} {b})" if sign in "+-" else f"{sign}({a}, {b})", values[sign])


LEAVES = [("oxygen", 5.0), ("outlet_oxygen", 3.0), ("2.5 ppm", 2.5), ("0.01 %", 100.0)]
SUMS: st.SearchStrategy[Sum] = st.recursive(
    st.sampled_from(LEAVES),
    lambda part: st.builds(joined, part, st.sampled_from(["+", "-", "min", "max"]), part),
    max_leaves=8,
)


@given(SUMS)
def test_sums_of_one_measure_are_as_python_reckons_them(told: Sum) -> None:
    """Whatever the brackets: each expression is built beside its value."""
    text, value = told
    found = formula(text, unit_of, "ppm").value(VALUES)
    assert found == pytest.approx(value, rel=1e-9, abs=1e-9)
