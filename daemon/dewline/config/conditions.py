"""A layered rule to the condition of a RulePlan, in the unit of its signal."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, TypeGuard

from dewline.config.fields import Limit, example
from dewline.config.roles import ROLES
from dewline.config.rule_schema import CONDITIONS
from dewline.config.rules import Layered
from dewline.errors import UnitError
from dewline.units import Quantity, convert, dimension, parse_quantity
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    ConditionPlan,
    Count,
    Falling,
    FalseFor,
    Guard,
    Outside,
    Reaches,
    Rising,
    SignalPlan,
    StaleAfter,
    TrueFor,
    UnchangedFor,
)

Resolve = Callable[[str], SignalPlan | None]
_NEEDS: dict[str, tuple[str, ...]] = {
    "over": ("rising", "falling"),
    "confidence": ("rising", "falling"),
    "ignore_below": ("unchanged_for",),
    "of": ("above_own",),
    "count": ("above", "below", "outside"),
}
OVER_MS = 30 * 60_000
CONFIDENCE = 0.95
SLOPE_DEADBAND = 0.2


class _Wrong(Exception):
    """Reported already."""


def check_shape(rule: Layered) -> bool:
    """Exactly one condition, with only what belongs to it. Reports; True if it can be built."""
    found = rule.conditions
    if len(found) > 1:
        rule.report(found[-1], f"stands beside `{found[0]}`", "keep one condition a rule")
        return False
    if not found:
        if not rule.broken():
            rule.report(None, "has no condition", f"add one of: {', '.join(CONDITIONS)}")
        return False
    condition = found[0]
    for key, fitting in _NEEDS.items():
        if key in rule.values and condition not in fitting:
            rule.report(key, f"means nothing for `{condition}`", "leave it out")
    return _in_pairs(rule, condition)


def _in_pairs(rule: Layered, condition: str) -> bool:
    """``count`` and ``within`` go together, as do ``reaches`` and ``within``."""
    has = rule.values.keys()
    first = "reaches" if condition == "reaches" else "count"
    for key, other in ((first, "within"), ("within", first), ("above_own", "of")):
        if key in has and other not in has:
            rule.report(key, f"stands without `{other}`", f"add `{other}:`")
            return False
    return True


def condition_of(
    rule: Layered, signal: SignalPlan, resolve: Resolve
) -> tuple[ConditionPlan, str] | None:
    """The condition and the unit of its limit; None where a problem was reported."""
    try:
        return _build(_Maker(rule, signal, resolve), rule.conditions[0])
    except _Wrong:
        return None


def deadband_of(rule: Layered, signal: SignalPlan, condition: ConditionPlan) -> float | None:
    """In the unit of the limit; None where the rule does not say."""
    if "deadband" not in rule.values:
        return None
    slope = isinstance(condition, Rising | Falling)
    if not slope and not isinstance(condition, Above | Below | Outside | Count | AboveOwn):
        rule.report("deadband", f"means nothing for `{rule.conditions[0]}`", "leave it out")
        return None
    try:
        maker = _Maker(rule, signal, lambda _: None)
        width = maker.slope("deadband") if slope else maker.step("deadband")
    except _Wrong:
        return None
    _check_deadband(rule, signal, condition, width)
    return width


def guard_of(rule: Layered, resolve: Resolve) -> Guard | str | None:
    """``only_while``; the name of the signal that is missing; None without one or if wrong."""
    text = rule.values.get("only_while")
    if text is None:
        return None
    name, side, limit = text.split(" ", 2)
    found = resolve(name)
    if found is None:
        return str(name)
    low, _, high = limit.partition(" and ") if side == "between" else (limit, "", "")
    try:
        number = _number("only_while", rule, low, found)
        if side == "between":
            return _between(rule, found.name, number, _number("only_while", rule, high, found))
    except _Wrong:
        return None
    return Guard(found.name, "above" if side == "above" else "below", number)


def _between(rule: Layered, signal: str, low: float, high: float) -> Guard | None:
    if low >= high:
        rule.report(
            "only_while", f"nothing is between {low} and {high}", "write the lower one first"
        )
        return None
    return Guard(signal, "between", low, high)


def _number(key: str, rule: Layered, text: str, signal: SignalPlan) -> float:
    try:
        number = float(text) if not signal.unit else parse_quantity(text).to(signal.unit)
    except (UnitError, ValueError) as error:
        rule.report(key, str(error), _example(signal.unit))
        raise _Wrong from error
    if not math.isfinite(number):
        rule.report(key, f"{text} is no number", _example(signal.unit))
        raise _Wrong
    return number


def _check_deadband(
    rule: Layered, signal: SignalPlan, condition: ConditionPlan, width: float
) -> None:
    if width < 0:
        rule.report("deadband", "is negative", "write how far back the value must come")
    inner = condition.condition if isinstance(condition, Count) else condition
    numbers = [v for v in (getattr(inner, f, None) for f in ("low", "high")) if _is_number(v)]
    if len(numbers) == 2 and 2 * width >= numbers[1] - numbers[0]:
        rule.report("deadband", "is as wide as the band", "write less than half the band")
    # A share or a concentration cannot fall below zero: such an alarm would never end.
    limit = inner.limit if isinstance(inner, Above) and signal.unit in ("ppm", "%") else None
    if isinstance(limit, float) and width >= limit > 0:
        rule.report("deadband", "is as large as the limit", "write a part of the limit")


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, float)


class _Maker:
    """Reads the keys of one rule in the unit of one signal."""

    def __init__(self, rule: Layered, signal: SignalPlan, resolve: Resolve) -> None:
        self.rule, self.signal, self._resolve = rule, signal, resolve

    def wrong(self, key: str, problem: str, remedy: str) -> _Wrong:
        self.rule.report(key, problem, remedy)
        return _Wrong()

    def level(self, key: str, value: Limit) -> float | str:
        """A limit: a number in the signal's unit, or the full name of the signal that holds it."""
        if isinstance(value, Quantity):
            return self.amount(key, value, self.signal.unit)
        found = self._resolve(value)
        if found is None:
            raise self.wrong(
                key,
                f"{value!r} is no signal of {self.signal.place}",
                f"map it under signals, or {_example(self.signal.unit)}",
            )
        if found.unit != self.signal.unit:
            raise self.wrong(
                key,
                f"{found.name} is in {found.unit or 'no unit'}",
                f"name a signal in {self.signal.unit or 'no unit'}",
            )
        return found.name

    def amount(self, key: str, value: Quantity, unit: str, *, difference: bool = False) -> float:
        remedy = _example(unit)
        if unit and not value.unit:
            raise self.wrong(key, f"{value.value:g} has no unit", remedy)
        try:
            number = convert(value.value, value.unit, unit, difference=difference)
        except UnitError:
            found, wanted = dimension(value.unit), dimension(unit)
            shown = f"{value.value:g} {value.unit}".rstrip()
            raise self.wrong(key, f"{shown} is {found}, not {wanted}", remedy) from None
        if not math.isfinite(number):
            raise self.wrong(key, "is beyond all numbers", remedy)
        return number

    def step(self, key: str) -> float:
        """A difference in the signal's unit."""
        value: Quantity = self.rule.values[key]
        return self.amount(key, value, self.signal.unit, difference=True)

    def slope(self, key: str) -> float:
        """Units of the signal an hour."""
        value: Quantity = self.rule.values[key]
        return self.amount(key, value, f"{self.signal.unit}/h", difference=True)

    def get(self, key: str, default: Any = None) -> Any:
        return self.rule.values.get(key, default)


def _build(make: _Maker, kind: str) -> tuple[ConditionPlan, str]:
    unit = make.signal.unit
    if kind in ("above", "below", "outside"):
        return (_counted(make, _level(make, kind)), unit)
    if kind in ("rising", "falling"):
        return (_slope(make, kind), f"{unit}/h")
    if kind in ("reaches", "above_own"):
        return (_own(make) if kind == "above_own" else _reaches(make), unit)
    return (_timed(make, kind), "s")


def _timed(make: _Maker, kind: str) -> ConditionPlan:
    """Conditions whose limit is a time."""
    if kind == "stale_after":
        return _stale(make)
    if kind == "unchanged_for":
        floor = make.get("ignore_below")
        least = None if floor is None else make.amount("ignore_below", floor, make.signal.unit)
        return UnchangedFor(make.get(kind), least)
    _must_be_bool(make, kind)
    for_ms = int(make.get(kind))
    return TrueFor(for_ms) if kind == "true_for" else FalseFor(for_ms)


def _reaches(make: _Maker) -> Reaches:
    return Reaches(
        make.amount("reaches", make.get("reaches"), make.signal.unit), int(make.get("within"))
    )


def _level(make: _Maker, kind: str) -> Above | Below | Outside:
    value = make.get(kind)
    if kind == "above":
        return Above(make.level(kind, value))
    if kind == "below":
        return Below(make.level(kind, value))
    low, high = (make.level(kind, end) for end in value)
    if not isinstance(low, str) and not isinstance(high, str) and low >= high:
        raise make.wrong(kind, "is reversed or empty", "write the lower limit first")
    return Outside(low, high)


def _counted(make: _Maker, inner: Above | Below | Outside) -> Above | Below | Outside | Count:
    if make.get("count") is None:
        return inner
    return Count(make.get("count"), make.get("within"), inner)


def _slope(make: _Maker, kind: str) -> Rising | Falling:
    per_h = make.slope(kind)
    if per_h <= 0:
        raise make.wrong(kind, "is not positive", "write how fast; `falling` says which way")
    over, confidence = make.get("over", OVER_MS), make.get("confidence", CONFIDENCE)
    if make.signal.every_ms * 20 > over:
        raise make.wrong(
            "over" if "over" in make.rule.values else kind,
            f"has fewer than 20 readings of {make.signal.name}",
            f"write over: {make.signal.every_ms * 20 / 60_000:.3g} min or more",
        )
    return (Rising if kind == "rising" else Falling)(per_h, over, confidence)


def _own(make: _Maker) -> AboveOwn:
    """Only a trace gas has an idle baseline; an idle baseline has past nights."""
    if make.signal.role.removesuffix("_idle") not in ("oxygen", "moisture"):
        raise make.wrong("above_own", f"{make.signal.name} has no idle baseline", "use above")
    return AboveOwn(make.get("above_own"), "idle-baseline")


def _stale(make: _Maker) -> StaleAfter:
    after, every = int(make.get("stale_after")), make.signal.every_ms
    if after <= every:
        raise make.wrong(
            "stale_after",
            f"is no longer than the {every} ms between readings of {make.signal.name}",
            f"write at least {3 * every / 1000:g} s",
        )
    return StaleAfter(after)


def _must_be_bool(make: _Maker, kind: str) -> None:
    role = ROLES.get(make.signal.role)
    if make.signal.unit or (
        role is not None and role.kind == "analog" and role.name != "bed_in_loop"
    ):
        raise make.wrong(
            kind, f"{make.signal.name} is no 0/1 signal", "use above, below or outside"
        )


def _example(unit: str) -> str:
    return f"write a share, for example 19.5 {unit}" if unit == "%" else example(dimension(unit))
