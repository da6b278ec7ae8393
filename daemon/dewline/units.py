"""Quantities with units, as they stand in a config or on a command line.

A quantity is number, space, unit. It is converted once, when it is read; inside, the watch works
in ppm, mbar, degC and s.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from dewline.errors import UnitError

# Conventional psi and inHg of NIST SP 811 app. B.8; torr = atm / 760.
_OLD_PRESSURES = {"psi": 6894.757293168361, "inHg": 3386.38864034, "torr": 101_325.0 / 760}
# Of each dimension the factors of its units to one base (SI, fraction = 1).
_FACTORS: dict[str, dict[str, float]] = {
    "fraction": {"ppm": 1e-6, "ppb": 1e-9, "%": 1e-2},
    "pressure": {"Pa": 1.0, "hPa": 1e2, "kPa": 1e3, "mbar": 1e2, "bar": 1e5} | _OLD_PRESSURES,
    "temperature": {"K": 1.0, "degC": 1.0, "degF": 5 / 9},
    "volume": {"mL": 1e-6, "cm3": 1e-6, "L": 1e-3, "m3": 1.0},
    "length": {"mm": 1e-3},
    "area": {"m2": 1.0},
    "permeability": {"barrer": 1.0},
    "time": {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86_400.0},
    "mass": {"g": 1e-3, "kg": 1.0},
    "bytes": {"MB": 1e6, "GB": 1e9},
    "current": {"mA": 1e-3, "A": 1.0},
    "voltage": {"V": 1.0},
    "frequency": {"Hz": 1.0},
    "speed": {"rpm": 1.0},
    "number": {"": 1.0},
}
_ZERO_K = {"degC": 273.15, "degF": 459.67 * 5 / 9}  # where these scales begin
_UNITS = {
    unit: (dimension, factor, _ZERO_K.get(unit, 0.0))
    for dimension, units in _FACTORS.items()
    for unit, factor in units.items()
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
