"""An expression with its units checked, ready to be computed.

Every part has a measure: what it measures (powers of the dimensions of ``units``), how many base
units one of its own is, and whether it counts from a zero of its own, as degC does. Sums need the
same measure on both sides, products add powers. A value stays in the unit it comes in as long as
that fits, so that nothing is lost by converting it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import assert_never

from dewline.errors import FormulaError, OutOfRange, UnitError
from dewline.formulas.functions import FUNCTIONS, Function
from dewline.formulas.grammar import Call, Constant, Name, Negated, Node, Operation, names_of, parse
from dewline.units import dimension, linear, normal_unit

Values = Mapping[str, float]
Compute = Callable[[Values], float]
Powers = tuple[tuple[str, int], ...]
# The unit of a result, by what it measures, where the expression does not come out in one.
_HOMES = ("", "ppm", "mbar", "K", "s", "L", "kg", "L/min", "L/min/h", "ppm/h", "mbar/h", "K/h")
_BASE = {
    "fraction": "ppm",
    "pressure": "Pa",
    "temperature": "K",
    "time": "s",
    "volume": "m3",
    "mass": "kg",
    "bytes": "MB",
    "current": "A",
}


@dataclass(frozen=True, slots=True)
class PartUnit:
    """What is known of a signal: its unit, and whether its pressure is against the room."""

    unit: str
    gauge: bool = False


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked expression: the signals it needs, and the unit of what it gives."""

    parts: tuple[str, ...]
    unit: str
    _compute: Compute

    def value(self, values: Values) -> float | None:
        """Its value from those of its parts, each in the unit of its signal.

        None where there is none: a division by zero, a frost point of no water.
        """
        try:
            found = self._compute(values)
        except (ZeroDivisionError, OverflowError, OutOfRange):
            return None
        return found if isfinite(found) else None


def formula(text: str, source_of: Callable[[str], PartUnit], unit: str | None = None) -> Formula:
    """The formula of an expression; FormulaError where it cannot be read or its units do not fit.

    ``source_of`` knows the signals by the names that stand in the text. ``unit``: what it is to
    come in; None: what it comes out in.
    """
    tree = parse(text)
    made = _Maker(source_of).make(tree)
    wanted = made.measure.unit if unit is None else unit
    if wanted is None:
        wanted = _home(made.measure)
    made = _into(made, wanted)
    return Formula(tuple(names_of(tree)), normal_unit(wanted), made.compute)


@dataclass(frozen=True, slots=True)
class _Measure:
    """What a value is in. ``unit``: the name of that, if it has one; ``absolute``: it counts from
    a zero of its own, with which nothing can be added or multiplied; ``gauge``: from the room's.
    """

    powers: Powers
    scale: float  # base units in one
    unit: str | None
    absolute: bool = False
    gauge: bool = False


@dataclass(frozen=True, slots=True)
class _Part:
    measure: _Measure
    compute: Compute


def _measure_of(unit: str, *, gauge: bool = False) -> _Measure:
    """FormulaError for a unit that dewline does not know."""
    try:
        top, *times = dimension(unit).split("/")
        base = _base_unit(unit)
        scale, zero = (1.0, 0.0) if base is None else linear(unit, base)
    except UnitError as error:
        raise FormulaError(str(error), "write a unit that dewline knows") from None
    powers = {} if top in ("number", "") else {top: 1}
    if times:
        powers["time"] = powers.get("time", 0) - len(times)
    if base is not None:
        scale = linear(unit, base, difference=True)[0]
    if top == "fraction":
        scale *= 1e-6  # from ppm to the plain number that a share is of something
    return _Measure(_powers(powers), scale, normal_unit(unit), zero != 0.0, gauge)


def _base_unit(unit: str) -> str | None:
    """The unit in which all of one dimension are compared; None where there is only one."""
    top, *times = dimension(unit).split("/")
    base = _BASE.get(top, "" if top == "number" else None)
    return None if base is None else base + "/s" * len(times)


def _powers(powers: Mapping[str, int]) -> Powers:
    return tuple(sorted((name, power) for name, power in powers.items() if power))


def _words(measure: _Measure) -> str:
    """What a measure is, for people: ``pressure``, ``volume / time``."""
    top = " x ".join(n for n, p in measure.powers for _ in range(p)) or "number"
    below = "".join(f" / {n}" for n, p in measure.powers for _ in range(-p))
    return f"{top}{below}" + (f" in {measure.unit}" if measure.absolute else "")


def _home(measure: _Measure) -> str:
    """A unit for what has none; a share times something is that something."""
    for measured in (measure, _without_share(measure)):
        for unit in _HOMES:
            if _measure_of(unit).powers == measured.powers:
                return unit
    raise FormulaError(f"comes out as {_words(measure)}", "divide or multiply it into a unit")


def _without_share(measure: _Measure) -> _Measure:
    others = tuple(p for p in measure.powers if p[0] != "fraction")
    return measure if not others else replace(measure, powers=others)


def _into(part: _Part, unit: str) -> _Part:
    """A part converted into a unit; FormulaError where it measures something else."""
    wanted, given = _measure_of(unit), part.measure
    if given.unit == wanted.unit:
        return part
    if given.powers != wanted.powers:
        given = _without_share(given)
    if given.powers != wanted.powers:
        raise FormulaError(f"comes out as {_words(given)}, not {_words(wanted)}", "mend the unit")
    if given.absolute != wanted.absolute:
        shown = "a temperature, not a difference" if given.absolute else "a difference in K"
        raise FormulaError(f"comes out as {shown}", "mend the unit, or the expression")
    factor, shift = given.scale / wanted.scale, 0.0
    if given.absolute and given.unit is not None:
        factor, shift = linear(given.unit, unit)
    return _Part(wanted, _times_plus(part.compute, factor, shift))


def _times_plus(compute: Compute, factor: float, shift: float = 0.0) -> Compute:
    if factor == 1.0 and shift == 0.0:
        return compute
    return lambda values: compute(values) * factor + shift


class _Maker:
    """Makes the parts of an expression, from the leaves to the root."""

    def __init__(self, source_of: Callable[[str], PartUnit]) -> None:
        self._source_of = source_of

    def make(self, node: Node) -> _Part:
        """The part that computes a node; FormulaError where its units do not fit."""
        match node:
            case Constant(value, unit):
                return _Part(_measure_of(unit), lambda _: value)
            case Name(name):
                source = self._source_of(name)
                measure = _measure_of(source.unit, gauge=source.gauge)
                return _Part(measure, lambda values: values[name])
            case Negated(of):
                return _multiplied("*", _Part(_measure_of(""), lambda _: -1.0), self.make(of))
            case Operation(sign, left, right):
                join = _added if sign in "+-" else _multiplied
                return join(sign, self.make(left), self.make(right))
            case Call(function, parts):
                return _called(function, [self.make(part) for part in parts])
            case _:
                assert_never(node)


def _same(left: _Part, right: _Part, doing: str) -> None:
    if left.measure.powers != right.measure.powers:
        shown = f"{_words(left.measure)} and {_words(right.measure)}"
        raise FormulaError(f"{doing} {shown}", "write parts that measure the same")


def _added(sign: str, left: _Part, right: _Part) -> _Part:
    _same(left, right, "adds" if sign == "+" else "subtracts")
    one, other = left.measure, right.measure
    if other.absolute and (one.absolute if sign == "+" else not one.absolute):
        doing = "adds two temperatures" if sign == "+" else "subtracts a temperature from K"
        raise FormulaError(doing, "write a difference in K, such as + 8 K")
    if one.absolute and other.absolute and one.unit and other.unit:
        factor, shift = linear(other.unit, one.unit)
        measure = replace(one, absolute=False, unit="K" if one.unit == "degC" else None)
        return _Part(measure, _sum(left.compute, _times_plus(right.compute, factor, shift), sign))
    if other.absolute:  # 8 K + a temperature
        left, right = right, left
        one, other = other, one
    gauge = one.gauge and other.gauge
    measure = replace(one, gauge=gauge)
    right = _Part(measure, _times_plus(right.compute, other.scale / one.scale))
    return _Part(measure, _sum(left.compute, right.compute, sign))


def _sum(left: Compute, right: Compute, sign: str) -> Compute:
    if sign == "+":
        return lambda values: left(values) + right(values)
    return lambda values: left(values) - right(values)


def _multiplied(sign: str, left: _Part, right: _Part) -> _Part:
    one, other = left.measure, right.measure
    if one.absolute or other.absolute:
        raise FormulaError(
            "multiplies or divides a temperature", "subtract another temperature from it first"
        )
    way = 1 if sign == "*" else -1
    powers = dict(one.powers)
    for name, power in other.powers:
        powers[name] = powers.get(name, 0) + way * power
    plain = (other.unit == "" and one.unit) or (way == 1 and one.unit == "" and other.unit)
    scale = one.scale * other.scale**way
    measure = _Measure(
        _powers(powers), scale, plain or ("" if one.unit == other.unit == "" else None)
    )
    a, b = left.compute, right.compute
    if sign == "*":
        return _Part(measure, lambda values: a(values) * b(values))
    return _Part(measure, lambda values: a(values) / b(values))


def _called(name: str, parts: Sequence[_Part]) -> _Part:
    if name in ("min", "max"):
        return _extreme(name, parts)
    function = FUNCTIONS.get(name)
    if function is None:
        known = ", ".join(("min", "max", *FUNCTIONS))
        raise FormulaError(f"has no function {name!r}", f"known: {known}")
    return _of_gas(name, function, parts)


def _extreme(name: str, parts: Sequence[_Part]) -> _Part:
    if len(parts) < 2:
        raise FormulaError(f"takes {name} of one part", f"write {name}(a, b)")
    first = parts[0].measure
    computes = [parts[0].compute]
    for part in parts[1:]:
        _same(parts[0], part, f"takes {name} of")
        if part.measure.absolute != first.absolute:
            raise FormulaError(f"takes {name} of a temperature and a difference", "write one kind")
        factor, shift = part.measure.scale / first.scale, 0.0
        if first.absolute and first.unit and part.measure.unit:
            factor, shift = linear(part.measure.unit, first.unit)
        computes.append(_times_plus(part.compute, factor, shift))
    choose = min if name == "min" else max
    return _Part(first, lambda values: choose(compute(values) for compute in computes))


def _of_gas(name: str, function: Function, parts: Sequence[_Part]) -> _Part:
    if len(parts) != len(function.takes):
        shown = ", ".join(_words(_measure_of(unit)) for unit in function.takes)
        raise FormulaError(f"gives {name} {len(parts)} parts", f"write {name}({shown})")
    computes: list[Compute] = []
    for part, unit in zip(parts, function.takes, strict=True):
        if part.measure.gauge:
            remedy = "write pressure + barometer, or pressure + 1013.25 mbar"
            raise FormulaError(f"gives {name} a pressure against the room", remedy)
        try:
            computes.append(_into(part, unit).compute)
        except FormulaError as error:
            raise FormulaError(f"gives {name} a part that {error}", error.remedy) from None
    compute = function.compute
    return _Part(
        _measure_of(function.gives), lambda values: compute(*(part(values) for part in computes))
    )
