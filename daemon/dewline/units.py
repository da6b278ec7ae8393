"""Quantities with units, as they stand in a config or on a command line.

A quantity is number, space, unit. It is converted once, when it is read; inside, the watch works
in ppm, mbar, degC and s.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from dewline.errors import UnitError

# Factors to the base of each dimension (SI, fraction = 1, °C handled by offset).
# Pressure: conventional inHg and mmHg of NIST SP 811 app. B.8; torr = atm/760.
_ATM_PA = 101_325.0
_UNITS: dict[str, tuple[str, float, float]] = {
    "ppm": ("fraction", 1e-6, 0.0),
    "ppb": ("fraction", 1e-9, 0.0),
    "%": ("fraction", 1e-2, 0.0),
    "Pa": ("pressure", 1.0, 0.0),
    "hPa": ("pressure", 1e2, 0.0),
    "kPa": ("pressure", 1e3, 0.0),
    "mbar": ("pressure", 1e2, 0.0),
    "bar": ("pressure", 1e5, 0.0),
    "psi": ("pressure", 6894.757293168361, 0.0),
    "inHg": ("pressure", 3386.38864034, 0.0),
    "torr": ("pressure", _ATM_PA / 760, 0.0),
    "K": ("temperature", 1.0, 0.0),
    "degC": ("temperature", 1.0, 273.15),
    "degF": ("temperature", 5 / 9, 459.67 * 5 / 9),
    "mL": ("volume", 1e-6, 0.0),
    "cm3": ("volume", 1e-6, 0.0),
    "L": ("volume", 1e-3, 0.0),
    "m3": ("volume", 1.0, 0.0),
    "mm": ("length", 1e-3, 0.0),
    "m2": ("area", 1.0, 0.0),
    "barrer": ("permeability", 1.0, 0.0),
    "ms": ("time", 1e-3, 0.0),
    "s": ("time", 1.0, 0.0),
    "min": ("time", 60.0, 0.0),
    "h": ("time", 3600.0, 0.0),
    "d": ("time", 86_400.0, 0.0),
    "g": ("mass", 1e-3, 0.0),
    "kg": ("mass", 1.0, 0.0),
    "MB": ("bytes", 1e6, 0.0),
    "GB": ("bytes", 1e9, 0.0),
    "mA": ("current", 1e-3, 0.0),
    "A": ("current", 1.0, 0.0),
    "V": ("voltage", 1.0, 0.0),
    "Hz": ("frequency", 1.0, 0.0),
    "rpm": ("speed", 1.0, 0.0),
    "": ("number", 1.0, 0.0),
}
_SAME = {"°C": "degC", "℃": "degC", "°F": "degF", "l": "L", "ml": "mL", "cm³": "cm3", "m³": "m3"}
_QUANTITY = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)[ \u00a0]+(\S+)")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, as it was written."""

    value: float
    unit: str

    def to(self, unit: str, *, difference: bool = False) -> float:
        """The value in ``unit``; UnitError across dimensions.

        ``difference``: it is a difference, so that the zero of a temperature scale does not count.
        """
        return convert(self.value, self.unit, unit, difference=difference)


def _known(unit: str) -> tuple[str, float, float]:
    unit = _SAME.get(unit, unit)
    if unit in _UNITS:
        return _UNITS[unit]
    top, slash, bottom = unit.rpartition("/")
    if slash and bottom in _UNITS and _UNITS[bottom][0] == "time" and unit.count("/") <= 2:
        dimension, factor, _ = _known(top)
        if dimension != "time":
            return (f"{dimension}/time", factor / _UNITS[bottom][1], 0.0)
    raise UnitError(f"{unit!r} is no unit dewline knows")


def normal_unit(unit: str) -> str:
    """The one spelling of a unit (``°C`` -> ``degC``); UnitError if unknown."""
    _known(unit)
    top, slash, bottom = unit.partition("/")
    return _SAME.get(top, top) + slash + bottom


def dimension(unit: str) -> str:
    """What a unit measures: ``fraction``, ``pressure``, ``volume/time`` and so on.

    A unit may be per time, and that again, as the slope of a flow is: ``m3/h/h``.
    """
    return _known(unit)[0]


def parse_quantity(text: str) -> Quantity:
    """Read a text such as ``"5 ppm"``; UnitError says what is wrong with any other."""
    match = _QUANTITY.fullmatch(text.strip())
    if not match:
        raise UnitError(f"{text!r} is not a number, a space and a unit")
    _known(match[2])
    return Quantity(float(match[1]), normal_unit(match[2]))


def linear(source: str, target: str, *, difference: bool = False) -> tuple[float, float]:
    """(factor, shift) with target value = source value x factor + shift.

    UnitError for an unknown unit and across dimensions; ``difference`` as in ``Quantity.to``.
    """
    from_dimension, from_factor, from_offset = _known(source)
    to_dimension, to_factor, to_offset = _known(target)
    if from_dimension != to_dimension:
        raise UnitError(f"{source!r} is {from_dimension}, {target!r} is {to_dimension}")
    shift = 0.0 if difference else (from_offset - to_offset) / to_factor
    return (from_factor / to_factor, shift)


def convert(value: float, source: str, target: str, *, difference: bool = False) -> float:
    """``value`` of unit ``source`` in unit ``target``; UnitError across dimensions."""
    if normal_unit(source) == normal_unit(target):
        return value
    factor, shift = linear(source, target, difference=difference)
    return value * factor + shift
