"""The grammar of an instrument profile."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, WithJsonSchema

from dewline.config.fields import Amount, Signal, Words, refuse
from dewline.config.nodes import choice
from dewline.config.plan import RegisterType, Table, WordOrder
from dewline.config.rule_schema import Strict
from dewline.errors import UnitError
from dewline.readings import QUALITY_BY_TEXT, Quality
from dewline.units import normal_unit

# A sentinel names only the reason; the reason decides how bad the reading is.
REASONS: dict[str, Quality] = {
    text.partition("/")[2]: quality for text, quality in QUALITY_BY_TEXT.items() if "/" in text
}


def _integer_keys(value: object) -> object:
    """Keys of a mapping are text in YAML of ours; here they must be whole numbers."""
    if not isinstance(value, dict):
        return value
    whole: dict[int, object] = {}
    for key, item in value.items():
        try:
            whole[int(str(key), 0)] = item
        except ValueError:
            refuse(f"{key!r} is no raw value", "write a whole number, as in 32767 or 0xFFFF")
    return whole


def _unit(value: str) -> str:
    try:
        return normal_unit(value)
    except UnitError as error:
        refuse(str(error), "write a unit dewline knows, as in ppm, mbar, degC, L/min or %")


def _pattern(value: str) -> str:
    try:
        compiled = re.compile(value)
    except (re.error, RecursionError, OverflowError) as error:
        refuse(f"is no regular expression: {error}", "mend it; try it with one line by hand")
    if not compiled.groupindex:
        refuse("has no named group", "name each value, as in (?P<frost_point>[+-]\\d+)")
    return value


def _reason(value: object) -> Quality:
    if not isinstance(value, str) or value not in REASONS:
        refuse(f"{value!r} is not allowed", choice(list(REASONS), value))
    return REASONS[value]


Reason = Annotated[Quality, PlainValidator(_reason)]
Unit = Annotated[str, AfterValidator(_unit)]
Band = Annotated[list[Amount], Field(min_length=2, max_length=2)]
_KEYED = {"type": "object", "patternProperties": {r"^-?(0x[0-9A-Fa-f]+|\d+)$": {"type": "string"}}}
Sentinels = Annotated[dict[int, Reason], BeforeValidator(_integer_keys), WithJsonSchema(_KEYED)]
States = Annotated[dict[int, Words], BeforeValidator(_integer_keys), WithJsonSchema(_KEYED)]


_SIX_DIGITS = (100_000, 300_000, 400_000)  # a manual's tables: discrete, input, holding


def _address(value: object) -> object:
    """Refuse a manual's number of six digits in words of its own; all else is checked after."""
    if isinstance(value, int):
        for leading in _SIX_DIGITS:
            if leading < value <= leading + 65_536:
                refuse(
                    f"{value} is a manual's number, with the table as its first digit",
                    f"write {value - leading - 1}: addresses count from 0",
                )
    return value


Address = Annotated[int, BeforeValidator(_address), Field(ge=0, le=65535)]


class RegisterConfig(Strict):
    """One value of an instrument."""

    name: Signal
    table: Table | None = None
    address: Address | None = None
    type: RegisterType = "uint16"
    word_order: WordOrder | None = None
    scale: float = 1.0
    offset: float = 0.0
    unit: Unit = ""
    valid: Band | None = None
    floor: Amount | None = None
    sentinels: Sentinels = Field(default_factory=dict)
    loop: Literal["4-20mA"] | None = None
    span: Band | None = None
    reference: Literal["absolute", "gauge"] | None = None
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    states: States = Field(default_factory=dict)


class Stream(Strict):
    """An instrument that talks on its own, a line at a time."""

    pattern: Annotated[str, AfterValidator(_pattern)]
    line_end: Annotated[str, Field(min_length=1, max_length=4)] = "\r\n"
    max_line: Annotated[int, Field(ge=8, le=4096)] = 200
    checksum: Literal["none", "xor-hex"] = "none"


class Ask(Stream):
    """An instrument that answers when ``send`` was sent."""

    send: Annotated[str, Field(min_length=1, max_length=200)]


class ProfileHead(Strict):
    """A profile but for its registers, which are read one by one."""

    title: Words | None = None
    registers: Sequence[object] = Field(default_factory=list)
    stream: Stream | None = None
    ask: Ask | None = None


class ProfileFile(ProfileHead):
    """A whole profile, for the JSON Schema."""

    registers: list[RegisterConfig] = Field(default_factory=list)
