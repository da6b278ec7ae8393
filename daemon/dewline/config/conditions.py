"""The condition, deadband and guard of a layered rule, in the unit of its signal."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal

from dewline.config.fields import Limit, example
from dewline.config.roles import ANTECHAMBER, DERIVED, ROLES
from dewline.config.rule_schema import CONDITIONS
from dewline.config.rules import LayeredRule
from dewline.errors import UnitError
from dewline.units import Quantity, convert, dimension, parse_quantity
from dewline.watch_plan import (
    Above,
    AboveOwn,
    Below,
    BelowOwn,
    ConditionPlan,
    Count,
    Falling,
    FalseFor,
    Guard,
    Outside,
    Reaches,
    Rising,
    SignalLimit,
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
    "direction": ("reaches",),
    "of": ("above_own", "below_own"),
    "count": ("above", "below", "outside"),
}
OVER_MS = 30 * 60_000
CONFIDENCE = 0.95
OUTLOOK_MS = 4 * 3_600_000  # the watch looks ahead from the last four hours
MOST_EVERY = 8  # so many readings are needed in them at least
SEEN_AFTER_MS = 20 * 60_000  # five medians, until a change of pace shows in the outlook
Direction = Literal["rising", "falling", "either"]


class _Wrong(Exception):
    """Raised where a problem was reported and nothing can be built."""


def check_shape(rule: LayeredRule) -> bool:
    """Whether the rule has exactly one condition, so that it can be built; reports problems.

    A key that does not belong to the condition is reported too, without keeping it from being
    built.
    """
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
        if key in rule.origin and condition not in fitting:
            rule.report(key, f"means nothing for `{condition}`", "leave it out")
    return _in_pairs(rule, condition)


def _in_pairs(rule: LayeredRule, condition: str) -> bool:
    """Whether each key that needs another one has it, as ``reaches`` needs ``within``."""
    has = rule.origin.keys()
    first = "reaches" if condition == "reaches" else "count"
    pairs = ((first, "within"), ("within", first), ("above_own", "of"), ("below_own", "of"))
    for key, other in pairs:
        if key in has and other not in has:
            rule.report(key, f"stands without `{other}`", f"add `{other}:`")
            return False
    return True


def condition_of(
    rule: LayeredRule, signal: SignalPlan, resolve: Resolve
) -> tuple[ConditionPlan, str] | None:
    """The condition and the unit of its limit; None where a problem was reported.

    ``resolve`` finds the signal that a limit names, None where there is none.
    """
    try:
        return _build(_Maker(rule, signal, resolve))
    except _Wrong:
        return None


def deadband_of(rule: LayeredRule, signal: SignalPlan, condition: ConditionPlan) -> float | None:
    """The deadband in the unit of the limit; None where the rule gives none or it is wrong.

    Reports one that the condition does not use, a negative one, and one so large that the alarm
    could not end.
    """
    value = rule.spec.deadband
    if value is None:
        return None
    slope = isinstance(condition, Rising | Falling)
    levels = Above | Below | Outside | Count | AboveOwn | BelowOwn
    if not slope and not isinstance(condition, levels):
        rule.report("deadband", f"means nothing for `{rule.conditions[0]}`", "leave it out")
        return None
    try:
        maker = _Maker(rule, signal, lambda _: None)
        width = maker.slope("deadband", value) if slope else maker.step("deadband", value)
    except _Wrong:
        return None
    _check_deadband(rule, signal, condition, width)
    return width


def guards_of(rule: LayeredRule, resolve: Resolve) -> list[Guard] | str:
    """The guards of ``only_while``; fewer where a problem was reported.

    A text is the name of a signal that a guard asks for and that is missing.
    """
    guards: list[Guard] = []
    for text in rule.spec.only_while or ():
        guard = _guard(rule, text, resolve)
        if isinstance(guard, str):
            return guard
        guards += [] if guard is None else [guard]
    return guards


def _guard(rule: LayeredRule, text: str, resolve: Resolve) -> Guard | str | None:
    name, side, limit = text.split(" ", 2)
    found = resolve(name)
    if found is None:
        return name
    low, _, high = limit.partition(" and ") if side == "between" else (limit, "", "")
    try:
        number = _guard_limit(rule, low, found)
        if side != "between":
            return Guard(found.name, "above" if side == "above" else "below", number)
        top = _guard_limit(rule, high, found)
    except _Wrong:
        return None
    if number < top:
        return Guard(found.name, "between", number, top)
    rule.report("only_while", f"nothing is between {number} and {top}", "write the lower one first")
    return None


def _guard_limit(rule: LayeredRule, text: str, signal: SignalPlan) -> float:
    try:
        number = float(text) if not signal.unit else parse_quantity(text).to(signal.unit)
    except (UnitError, ValueError) as error:
        rule.report("only_while", str(error), _example(signal.unit))
        raise _Wrong from error
    if not math.isfinite(number):
        rule.report("only_while", f"{text} is no number", _example(signal.unit))
        raise _Wrong
    return number


def _check_deadband(
    rule: LayeredRule, signal: SignalPlan, condition: ConditionPlan, width: float
) -> None:
    if width < 0:
        rule.report("deadband", "is negative", "write how far back the value must come")
    inner = condition.condition if isinstance(condition, Count) else condition
    low, high = (inner.low, inner.high) if isinstance(inner, Outside) else (0.0, math.inf)
    if isinstance(low, float) and isinstance(high, float) and 2 * width >= high - low:
        rule.report("deadband", "is as wide as the band", "write less than half the band")
    # A share or a concentration cannot fall below zero: such an alarm would never end.
    limit = inner.limit if isinstance(inner, Above) and signal.unit in ("ppm", "%") else None
    if isinstance(limit, float) and width >= limit > 0:
        rule.report("deadband", "is as large as the limit", "write a part of the limit")


class _Maker:
    """Reads the values of one rule in the unit of one signal; _Wrong where a value is wrong."""

    def __init__(self, rule: LayeredRule, signal: SignalPlan, resolve: Resolve) -> None:
        self.rule, self.signal, self._resolve = rule, signal, resolve

    def wrong(self, key: str, problem: str, remedy: str) -> _Wrong:
        self.rule.report(key, problem, remedy)
        return _Wrong()

    def level(self, key: str, value: Limit) -> float | str | SignalLimit:
        """A limit: a number in the signal's unit, or the signal that holds it.

        The fixed limit after ``else`` stands for a signal that the place does not have.
        """
        unit = self.signal.unit
        if isinstance(value, Quantity):
            return self.amount(key, value, unit)
        otherwise = None if value.otherwise is None else self.amount(key, value.otherwise, unit)
        found = self._resolve(value.name)
        if found is None and otherwise is not None:
            return otherwise
        if found is None:
            raise self.wrong(
                key,
                f"{value.name!r} is no signal of {self.signal.place}",
                f"map it under signals, or {_example(unit)}",
            )
        if found.unit != unit:
            raise self.wrong(
                key,
                f"{found.name} is in {found.unit or 'no unit'}",
                f"name a signal in {unit or 'no unit'}",
            )
        computed = found.instrument is None and found.formula is None
        if otherwise is None and not computed:
            self.rule.warn(
                key,
                f"neither raises nor ends its alarm while {found.name} is not read",
                f"add a fixed limit for that time: {value.name} else NUMBER {unit}".rstrip(),
            )
        if value.plus is None and otherwise is None:
            return found.name
        plus = 0.0 if value.plus is None else self.step(key, value.plus)
        return SignalLimit(found.name, plus, otherwise)

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

    def step(self, key: str, value: Quantity) -> float:
        """A difference in the signal's unit."""
        return self.amount(key, value, self.signal.unit, difference=True)

    def slope(self, key: str, value: Quantity) -> float:
        """Units of the signal an hour."""
        return self.amount(key, value, f"{self.signal.unit}/h", difference=True)


def _build(make: _Maker) -> tuple[ConditionPlan, str]:
    unit = make.signal.unit
    level = _level(make)
    spec = make.rule.spec
    if level is not None and spec.count is not None and spec.within is not None:
        _check_count(make, spec.count, spec.within)
        return (Count(spec.count, spec.within, level), unit)
    if level is not None:
        return (level, unit)
    slope = _slope(make)
    if slope is not None:
        return (slope, f"{unit}/h")
    looked_up = _reaches(make) or _own(make)
    if looked_up is not None:
        return (looked_up, unit)
    return (_timed(make), "s")


def _level(make: _Maker) -> Above | Below | Outside | None:
    spec = make.rule.spec
    if spec.above is not None:
        return Above(make.level("above", spec.above))
    if spec.below is not None:
        return Below(make.level("below", spec.below))
    if spec.outside is None:
        return None
    low, high = (make.level("outside", end) for end in spec.outside)
    if isinstance(low, float) and isinstance(high, float) and low >= high:
        raise make.wrong("outside", "is reversed or empty", "write the lower limit first")
    return Outside(low, high)


def _check_count(make: _Maker, count: int, within_ms: int) -> None:
    """Refuse a count that no series of readings can come to in that time: _Wrong."""
    most = within_ms // (2 * make.signal.every_ms) + 1  # every other reading begins it again
    if count > most:
        problem = f"{make.signal.name} is read too seldom to begin so often in that time"
        raise make.wrong("count", problem, f"write {most} or less, or a longer `within`")


def _slope(make: _Maker) -> Rising | Falling | None:
    spec = make.rule.spec
    limit = spec.falling if spec.rising is None else spec.rising
    if limit is None:
        return None
    kind = "falling" if spec.rising is None else "rising"
    if _is_switch(make.signal):
        raise make.wrong(kind, f"{make.signal.name} is a 0/1 signal", "use true_for or false_for")
    per_h = make.slope(kind, limit)
    if per_h <= 0:
        raise make.wrong(kind, "is not positive", "write how fast; `falling` says which way")
    over = spec.over or OVER_MS
    if make.signal.every_ms * 20 > over:
        raise make.wrong(
            kind if spec.over is None else "over",
            f"has fewer than 20 readings of {make.signal.name}",
            f"write over: {make.signal.every_ms * 20 / 60_000:.3g} min or more",
        )
    return (Rising if kind == "rising" else Falling)(per_h, over, spec.confidence or CONFIDENCE)


def _reaches(make: _Maker) -> Reaches | None:
    spec = make.rule.spec
    if spec.reaches is None or spec.within is None:
        return None
    limit = make.amount("reaches", spec.reaches, make.signal.unit)
    _check_outlook(make, spec.within)
    # A gas that dewline knows is bad above its limit; of the rest both directions may be meant.
    known = make.signal.role in ROLES or make.signal.role in DERIVED
    usual: Direction = "rising" if known and make.signal.unit == "ppm" else "either"
    return Reaches(limit, spec.within, spec.direction or usual)


def _check_outlook(make: _Maker, within_ms: int) -> None:
    """Refuse an outlook that cannot be seen in time, or never: _Wrong."""
    signal, least_ms = make.signal, (make.rule.spec.on_delay or 0) + SEEN_AFTER_MS
    if _is_switch(signal):
        raise make.wrong("reaches", f"{signal.name} is a 0/1 signal", "use true_for or false_for")
    if signal.every_ms * MOST_EVERY > OUTLOOK_MS:
        raise make.wrong(
            "reaches",
            f"{signal.name} is read too seldom to be foreseen from four hours",
            "use above or below",
        )
    if within_ms < least_ms:
        raise make.wrong(
            "within",
            "is too short: the limit is reached before the outlook and on_delay are through",
            f"write {least_ms / 60_000:g} min or more",
        )


def _own(make: _Maker) -> AboveOwn | BelowOwn | None:
    """Only a trace gas has an idle baseline; an idle baseline has past nights."""
    spec, signal = make.rule.spec, make.signal
    times = spec.below_own if spec.above_own is None else spec.above_own
    if times is None or spec.of is None:
        return None
    kind = "below_own" if spec.above_own is None else "above_own"
    gas = signal.role.removesuffix("_idle") in ("oxygen", "moisture")
    if spec.of == "idle-baseline" and not gas:
        raise make.wrong(kind, f"{signal.name} has no idle baseline", "use `of: best`, or a limit")
    if spec.of == "best" and (dimension(signal.unit) == "temperature" or _is_switch(signal)):
        raise make.wrong(kind, f"no share can be taken of {signal.name}", "use above or below")
    return (BelowOwn if kind == "below_own" else AboveOwn)(times, spec.of)


def _timed(make: _Maker) -> ConditionPlan:
    """Conditions whose limit is a time."""
    spec = make.rule.spec
    every_ms = make.signal.every_ms
    if spec.stale_after is not None and spec.stale_after <= every_ms:
        raise make.wrong(
            "stale_after",
            f"is no longer than the {every_ms} ms between readings of {make.signal.name}",
            f"write at least {3 * every_ms / 1000:g} s",
        )
    if spec.stale_after is not None:
        return StaleAfter(spec.stale_after)
    if spec.unchanged_for is not None:
        floor = spec.ignore_below
        least = None if floor is None else make.amount("ignore_below", floor, make.signal.unit)
        return UnchangedFor(spec.unchanged_for, least)
    _must_be_bool(make)
    return FalseFor(spec.false_for or 0) if spec.true_for is None else TrueFor(spec.true_for)


def _is_switch(signal: SignalPlan) -> bool:
    """Whether its role is that of a bit; of a signal of one's own that is not known."""
    role = ROLES.get(signal.role) or ANTECHAMBER.get(signal.role.partition("_")[2])
    return not signal.unit and role is not None and role.kind == "bool"


def _must_be_bool(make: _Maker) -> None:
    role = ROLES.get(make.signal.role)
    if make.signal.unit or (
        role is not None and role.kind == "analog" and role.name != "bed_in_loop"
    ):
        raise make.wrong(
            make.rule.conditions[0],
            f"{make.signal.name} is no 0/1 signal",
            "use above, below or outside",
        )


def _example(unit: str) -> str:
    return f"write a share, for example 19.5 {unit}" if unit == "%" else example(dimension(unit))
