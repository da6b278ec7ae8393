"""Rules whose limit lies where their signal can never be: they would be listed, and never fire."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import inf

from dewline.config.plan import RegisterPlan
from dewline.config.profiles import raw_unit, register_plan
from dewline.config.site import ParsedSite, SignalMapping
from dewline.errors import UnitError
from dewline.watch_plan import (
    Above,
    Below,
    ConditionPlan,
    Count,
    Guard,
    Outside,
    Reaches,
    RulePlan,
    SignalLimit,
    UnchangedFor,
)

# Lowest and highest value, and the values from which and up to which the floor is shown.
Range = tuple[float, float, float, float]
_BITS = {"int16": 16, "uint16": 16, "int32": 32, "uint32": 32}


@dataclass(frozen=True, slots=True)
class NeverHolds:
    """Why a rule, or one side of it (``half``), can never hold; ``key``: where that is written."""

    key: str
    problem: str
    remedy: str
    half: bool = False


def ranges_of(site: ParsedSite) -> dict[str, Range]:
    """The lowest and the highest value that each signal can have, as far as its register says."""
    return {m.full: found for m in site.mappings() if (found := _readable(site, m))}


def never_holds(plan: RulePlan, ranges: Mapping[str, Range]) -> list[NeverHolds]:
    """What of a rule can never hold: limits and guards out of reach, guards against its condition.

    ``ranges``: what can be read of each signal.
    """
    found = list(_beyond(plan, ranges[plan.signal])) if plan.signal in ranges else []
    found += _against_itself(plan)
    remedy = "leave it out, or change one of the limits"
    for number, guard in enumerate(plan.guards):
        if _excluded(plan.condition, guard, plan.signal):
            problem = f"never holds while {plan.signal} is past the limit of the rule"
            found.append(NeverHolds("only_while", problem, remedy))
        if guard.signal in ranges and _beyond_guard(guard, ranges[guard.signal]):
            problem = f"asks {guard.signal} for what its register never shows"
            found.append(NeverHolds("only_while", problem, "write a limit within its range"))
        if any(_apart(guard, other) for other in plan.guards[:number]):
            problem = f"asks {guard.signal} for two things that are never so at once"
            found.append(NeverHolds("only_while", problem, remedy))
    return found


def _against_itself(plan: RulePlan) -> Iterator[NeverHolds]:
    """Limits that are the rule's own signal: it is never, or always, past them."""
    for key, limit in _all_limits(plan.condition):
        name = limit.signal if isinstance(limit, SignalLimit) else limit
        if name == plan.signal:
            yield NeverHolds(key, f"compares {plan.signal} with itself", "name another signal")


def _all_limits(condition: ConditionPlan) -> Iterator[tuple[str, float | str | SignalLimit]]:
    """The key of every limit of a level, and the limit."""
    match condition:
        case Count(condition=inner):
            yield from _all_limits(inner)
        case Above(limit=limit):
            yield "above", limit
        case Below(limit=limit):
            yield "below", limit
        case Outside(low=low, high=high):
            yield "outside", low
            yield "outside", high
        case _:
            return


def _ends(guard: Guard) -> tuple[float, float]:
    """The open interval in which a guard holds."""
    if guard.side == "below":
        return (-inf, guard.limit)
    return (guard.limit, inf if guard.high is None else guard.high)


def _beyond_guard(guard: Guard, readable: Range) -> bool:
    low, high = _ends(guard)
    return low >= readable[1] or high <= readable[0]


def _apart(one: Guard, other: Guard) -> bool:
    """Whether two guards on one signal can never hold together."""
    (low, high), (other_low, other_high) = _ends(one), _ends(other)
    return one.signal == other.signal and max(low, other_low) >= min(high, other_high)


def _readable(site: ParsedSite, mapping: SignalMapping) -> Range | None:
    """The lowest and the highest value that a signal can have, by its register."""
    profile, register = site.profile_of(mapping.instrument), site.register_of(mapping)
    if profile is None or register is None:
        return None
    if register.type == "bit":
        return (0.0, 1.0, 0.0, 0.0)
    unit = mapping.role.unit if mapping.role is not None else None
    try:
        plan = register_plan(profile, register, raw_unit(register), 0)
        plan = plan if unit is None else register_plan(profile, register, unit, 0)
    except UnitError:
        return None
    return range_of(plan)


def range_of(register: RegisterPlan) -> Range:
    """The lowest and the highest value of a register, in its canonical unit.

    Then the values between which it is shown as its floor (``RegisterPlan.floor_from``).
    """
    ends = register.valid or (register.span if register.loop else None)
    low, high = ends or _of_type(register)
    floor = low if register.floor is None else register.floor
    return (low if ends else floor, high, max(low, register.floor_from), floor)


def _of_type(register: RegisterPlan) -> tuple[float, float]:
    bits = _BITS.get(register.type)
    if bits is None:
        return (-inf, inf)
    signed = register.type.startswith("int")
    ends = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
    values = [(e * register.scale + register.offset) * register.factor + register.shift
              for e in ends]  # fmt: skip
    return (min(values), max(values))


def _beyond(plan: RulePlan, readable: Range) -> Iterator[NeverHolds]:
    low, high, floor_from, floor = readable
    limits = list(_limits(plan.condition))
    for key, limit, past in limits:
        beyond = limit >= high if past == "above" else limit <= low
        if key == "reaches":
            beyond = not low <= limit <= high
        hidden = past == "below" and floor_from < limit <= floor
        if not (beyond or hidden):
            continue
        unit = plan.unit if key != "ignore_below" else ""
        shown = f"{limit:g} {unit}".rstrip()
        problem = f"{plan.signal} is never {past} {shown}"
        remedy = f"its register ends at {high if limit >= high else low:g} {unit}".rstrip()
        if hidden:
            problem = f"{plan.signal} is shown as {floor:g} {unit} down to {floor_from:g} {unit}"
            remedy = f"{shown} is under the `floor` of the profile"
        yield NeverHolds(
            key,
            problem,
            f"{remedy}: change the limit, or `valid`, `span` or `floor` of the profile",
            half=hidden or len(limits) > 1,
        )


def _limits(condition: ConditionPlan) -> Iterator[tuple[str, float, str]]:
    """The key of every limit that is a number, the number, and the side on which it is passed."""
    match condition:
        case Count(condition=inner):
            yield from _limits(inner)
        case Above(limit=float(limit)):
            yield "above", limit, "above"
        case Below(limit=float(limit)):
            yield "below", limit, "below"
        case Outside(low=low, high=high):
            yield from (("outside", low, "below"),) if isinstance(low, float) else ()
            yield from (("outside", high, "above"),) if isinstance(high, float) else ()
        case Reaches(limit=limit):
            yield "reaches", limit, "at"
        case UnchangedFor(ignore_below=float(limit)):
            yield "ignore_below", limit, "above"
        case _:
            return


def _excluded(condition: ConditionPlan, guard: Guard, signal: str) -> bool:
    """Whether a guard on the rule's own signal keeps it from ever being past its limit."""
    if guard.signal != signal:
        return False
    bottom, top = _ends(guard)
    inner = condition.condition if isinstance(condition, Count) else condition
    match inner:
        case Above(limit=float(limit)) | Reaches(limit=limit, direction="falling"):
            return top <= limit
        case Below(limit=float(limit)) | Reaches(limit=limit, direction="rising"):
            return bottom >= limit
        case _:
            return False
