"""The grammar of a rule. It is the same in every layer; all keys are optional in each."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, WithJsonSchema

from dewline.config.fields import (
    NAME,
    SIGNAL,
    Amount,
    Duration,
    LimitField,
    Name,
    PositiveDuration,
    Words,
    _named,
    _text,
    refuse,
)
from dewline.events import Priority
from dewline.watch_plan import Mode

CONDITIONS = (
    "above",
    "below",
    "outside",
    "rising",
    "falling",
    "stale_after",
    "unchanged_for",
    "reaches",
    "above_own",
    "below_own",
    "true_for",
    "false_for",
)
# Keys that belong to a condition; another condition in a later layer removes them.
COMPANIONS = ("over", "confidence", "ignore_below", "within", "direction", "of", "count")

_PLACED = rf"(({NAME}|\{{supply\}}|\{{purifier\}})\.)?(\{{antechamber\}}_)?{SIGNAL}"
SignalRef = Annotated[str, _named(_PLACED, "signal"), _text(_PLACED)]
_PARENT = rf"({NAME}\.)?{NAME}"
Parent = Annotated[str, _named(_PARENT, "rule"), _text(_PARENT)]
_GUARD = r"(\{antechamber\}_)?[a-z][a-z0-9_]* ((above|below) \S.*|between \S.* and \S.*)"


def _guards(value: object) -> tuple[str, ...]:
    """One guard, or a list of them, as a tuple."""
    texts = value if isinstance(value, list) else [value]
    for text in texts or [value]:
        if not isinstance(text, str) or not re.fullmatch(_GUARD, text):
            refuse(f'{text!r} is no condition: "other_signal above 0.5"', f"match {_GUARD}")
    return tuple(texts)


_GUARD_SCHEMA = {"type": "string", "pattern": f"^{_GUARD}$"}
_GUARDS_SCHEMA = {"anyOf": [_GUARD_SCHEMA, {"type": "array", "items": _GUARD_SCHEMA}]}
Guards = Annotated[tuple[str, ...], PlainValidator(_guards), WithJsonSchema(_GUARDS_SCHEMA)]


class Strict(BaseModel):
    """No unknown keys, no silent conversions."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class RuleSpec(Strict):
    """One layer of one rule."""

    signal: SignalRef | None = None
    above: LimitField | None = None
    below: LimitField | None = None
    outside: Annotated[list[LimitField], Field(min_length=2, max_length=2)] | None = None
    rising: Amount | None = None
    falling: Amount | None = None
    over: PositiveDuration | None = None
    confidence: Annotated[float, Field(ge=0.5, lt=1.0)] | None = None
    stale_after: PositiveDuration | None = None
    unchanged_for: PositiveDuration | None = None
    ignore_below: Amount | None = None
    reaches: Amount | None = None
    within: PositiveDuration | None = None
    direction: Literal["rising", "falling"] | None = None
    above_own: Annotated[float, Field(gt=0)] | None = None
    below_own: Annotated[float, Field(gt=0)] | None = None
    of: Literal["idle-baseline", "best"] | None = None
    true_for: Duration | None = None
    false_for: Duration | None = None
    count: Annotated[int, Field(ge=2, le=10_000)] | None = None
    only_while: Guards | None = None
    regime: Literal["positive", "negative"] | None = None
    deadband: Amount | None = None
    on_delay: Duration | None = None
    off_delay: Duration | None = None
    priority: Priority | None = None
    night: Priority | None = None
    latch: bool | None = None
    acknowledge: Literal["required", "auto"] | None = None
    suppress_while: dict[Mode, PositiveDuration] | None = None
    under: list[Parent] | None = None
    remind_every: PositiveDuration | None = None
    advice: Words | None = None
    when_over: Words | None = None
    caution: Words | None = None
    disabled: Words | None = None


class RuleSetFile(Strict):
    """A rule set: a file of rules that several sites may share."""

    title: Words | None = None
    rules: dict[Name, RuleSpec]
