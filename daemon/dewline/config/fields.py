"""The kinds of value a config is made of: names, quantities, times of day.

Each is a pydantic type that turns what somebody wrote into canonical units and
says, when it cannot, what is wrong and what to write instead.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Annotated, NoReturn
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from dewline.errors import FormulaError, UnitError
from dewline.formulas.grammar import Name as SignalName
from dewline.formulas.grammar import names_of, parse
from dewline.hours import DAYS, HOLIDAY, Hours, Span
from dewline.units import Quantity, dimension, normal_unit, parse_quantity

NAME = r"[a-z][a-z0-9-]{0,39}"
SIGNAL = r"[a-z][a-z0-9_]{0,39}"
EXAMPLES = {  # what to write, for each dimension
    "fraction": "5 ppm",
    "pressure": "5 mbar",
    "temperature": "22 degC",
    "volume": "60 L",
    "time": "30 s",
    "mass": "1.2 kg",
    "bytes": "16 MB",
    "volume/time": "60 m3/h",
    "fraction/time": "0.5 ppm/h",
    "pressure/time": "1 mbar/h",
    "temperature/time": "2 K/h",
    "volume/time/time": "5 L/min/h",
    "number": "0.5",
    "number/time": "5 /h",
}


def refuse(problem: str, remedy: str) -> NoReturn:
    """Raise the error that ``salvage`` turns into a Problem."""
    raise PydanticCustomError("dewline", "{problem}", {"problem": problem, "remedy": remedy})


def example(wanted: str) -> str:
    """A remedy for a value of that dimension."""
    shown = EXAMPLES.get(wanted)
    return f"write {wanted}, for example {shown}" if shown else f"write {wanted}, with its unit"


def read_quantity(value: object, wanted: str | None = None) -> Quantity:
    """A Quantity of dimension ``wanted``, or of any where that is None.

    Refuses, with what to write instead: a number without a unit, what is no quantity, what is
    not finite, and another dimension.
    """
    remedy = example(wanted) if wanted else 'write a number, a space and a unit, as in "5 ppm"'
    if isinstance(value, int | float) and not isinstance(value, bool):
        refuse(f"{value} has no unit", remedy)
    if not isinstance(value, str):
        refuse(f"{value!r} is no quantity", remedy)
    try:
        quantity = parse_quantity(value)
    except UnitError as error:
        refuse(str(error), remedy)
    if not math.isfinite(quantity.value):
        refuse(f"{value!r} is beyond all numbers", remedy)
    found = dimension(quantity.unit)
    if wanted is not None and found != wanted:
        refuse(f"{value!r} is {found}, not {wanted}", remedy)
    return quantity


def _in_unit(
    unit: str, low: float | None = None, high: float | None = None
) -> Callable[[object], float]:
    wanted = dimension(unit)

    def read(value: object) -> float:
        number = read_quantity(value, wanted).to(unit)
        if low is not None and number < low:
            refuse(f"{value!r} is too little", f"write at least {low:g} {unit}")
        if high is not None and number > high:
            refuse(f"{value!r} is too much", f"write at most {high:g} {unit}")
        return number

    return read


def _ms(low: float, high: float) -> Callable[[object], int]:
    read = _in_unit("ms", low, high)
    return lambda value: round(read(value))


def _schema(wanted: str) -> WithJsonSchema:
    unit = {"type": "string", "description": f"{wanted}: number, space, unit"}
    return WithJsonSchema({**unit, "examples": [EXAMPLES[wanted]]})


_DAY_MS = 86_400_000
Duration = Annotated[int, BeforeValidator(_ms(0, 3650 * _DAY_MS)), _schema("time")]
PositiveDuration = Annotated[int, BeforeValidator(_ms(1, 3650 * _DAY_MS)), _schema("time")]
Cycle = Annotated[int, BeforeValidator(_ms(20, 3_600_000)), _schema("time")]
Volume = Annotated[float, BeforeValidator(_in_unit("m3", 1e-9)), _schema("volume")]
Litres = Annotated[float, BeforeValidator(_in_unit("L", 0)), _schema("volume")]
Flow = Annotated[float, BeforeValidator(_in_unit("m3/h", 0)), _schema("volume/time")]
Kilograms = Annotated[float, BeforeValidator(_in_unit("kg", 0)), _schema("mass")]
Pressure = Annotated[float, BeforeValidator(_in_unit("mbar", 0)), _schema("pressure")]
Ppm = Annotated[float, BeforeValidator(_in_unit("ppm", 0)), _schema("fraction")]
Bytes = Annotated[float, BeforeValidator(_in_unit("MB", 0)), _schema("bytes")]


def _named(pattern: str, shown: str) -> BeforeValidator:
    def read(value: object) -> str:
        if not isinstance(value, str) or not re.fullmatch(pattern, value):
            refuse(f"{value!r} is no {shown}", f"match {pattern}")
        return value

    return BeforeValidator(read)


def _text(pattern: str) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": f"^{pattern}$"})


Name = Annotated[str, _named(NAME, "name: small letters, digits and hyphens"), _text(NAME)]
Signal = Annotated[
    str, _named(SIGNAL, "signal name: small letters, digits and underscores"), _text(SIGNAL)
]


@dataclass(frozen=True, slots=True)
class Definition:
    """A signal that is computed: its expression, and the unit it is to come in."""

    text: str
    unit: str | None = None


_REGISTER = rf"{NAME}\.{SIGNAL}"
_DEFINED = "write INSTRUMENT.REGISTER, or an expression such as oxygen - outlet_oxygen"


def _feed(value: object) -> str | Definition:
    if isinstance(value, str) and re.fullmatch(_REGISTER, value):
        return value
    text, unit = value, None
    if isinstance(value, dict) and "value" in value and value.keys() <= {"value", "unit"}:
        text, unit = value["value"], value.get("unit")
    if not isinstance(text, str) or not isinstance(unit, str | None):
        refuse(f"{value!r} is no register and no expression", _DEFINED)
    try:
        tree = parse(text)
        if (text is value and isinstance(tree, SignalName)) or not names_of(tree):
            refuse(f"{value!r} is no register: INSTRUMENT.REGISTER", _DEFINED)
        return Definition(text, unit if unit is None else normal_unit(unit))
    except FormulaError as error:
        refuse(f"{value!r} {error}", error.remedy)
    except UnitError as error:
        refuse(str(error), "write a unit that dewline knows")


Feed = Annotated[
    str | Definition,
    PlainValidator(_feed),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "description": "INSTRUMENT.REGISTER, or an expression"},
                {
                    "type": "object",
                    "properties": {"value": {"type": "string"}, "unit": {"type": "string"}},
                    "required": ["value"],
                    "additionalProperties": False,
                },
            ],
            "examples": ["heron-trace.o2", "oxygen - outlet_oxygen"],
        }
    ),
]
Host = Annotated[str, _named(r"[A-Za-z0-9._:\-]{1,253}", "host name or address"), _text(r"\S+")]
Topic = Annotated[
    str, _named(r"[A-Za-z0-9_\-]+(/[A-Za-z0-9_\-]+)*", "topic prefix"), _text(r"[^+#$]+")
]


def _url(value: object) -> str:
    # What is written here may hold a password, so it is never repeated.
    if not isinstance(value, str) or not re.fullmatch(r"https?://[^\s/@]+(/[^\s@]*)?", value):
        refuse("is no plain web address", "write http://HOST:PORT, with the token in `token_file`")
    return value


def _file(value: object) -> str:
    # Somebody may have written the secret itself, so it is never repeated.
    if not isinstance(value, str) or not re.fullmatch(r"[^\x00\n]{1,500}", value):
        refuse("is no file name", "write the name of a file")
    if "://" in value:
        refuse("is an address, not a file name", "put the address in a file, and write its name")
    return value


Url = Annotated[str, BeforeValidator(_url), _text(r"https?://\S+")]
Words = Annotated[str, _named(r"(?s).{1,2000}", "text"), WithJsonSchema({"type": "string"})]
FileName = Annotated[str, BeforeValidator(_file), WithJsonSchema({"type": "string"})]

_DAYS = "|".join(DAYS[:HOLIDAY])
_SPAN = re.compile(
    rf"(?P<days>(?:(?:(?:{_DAYS})(?:-(?:{_DAYS}))?|holidays)\s+)*)"
    r"(?P<first>(?:[01]\d|2[0-3]):[0-5]\d)-(?P<last>(?:[01]\d|2[0-3]):[0-5]\d|24:00)"
)
_HOURS_REMEDY = 'write it as "mon-fri 08:00-18:00, sat 09:00-12:00", in quotes'


def _hours(value: object) -> Hours:
    if not isinstance(value, str):
        refuse(f"{value!r} is no span of hours", _HOURS_REMEDY)
    spans = tuple(_span(part.strip()) for part in value.split(","))
    if len({bool(span.days) for span in spans}) == 2:
        bare = next(span.text for span in spans if not span.days)
        refuse(f"{bare!r} names no days, and another span does", f'write "mon-sun {bare}"')
    return spans


def _span(text: str) -> Span:
    match = _SPAN.fullmatch(text)
    if match is None:
        refuse(f"{text!r} is no span of hours", _HOURS_REMEDY)
    days = sorted({day for word in match["days"].split() for day in _days(word)})
    return Span(_minute(match["first"]), _minute(match["last"]) % (24 * 60), tuple(days))


def _days(word: str) -> Iterator[int]:
    """The days of ``sat``, ``mon-fri``, ``fri-mon`` or ``holidays``."""
    first, _, last = word.partition("-")
    day, end = DAYS.index(first), DAYS.index(last or first)
    yield day
    while day != end:
        day = (day + 1) % HOLIDAY
        yield day


def _minute(text: str) -> int:
    return int(text[:2]) * 60 + int(text[3:])


HoursField = Annotated[
    Hours,
    PlainValidator(_hours),
    WithJsonSchema({"type": "string", "examples": ["mon-fri 08:00-18:00, sat 09:00-12:00"]}),
]


def _day(value: object) -> str:
    try:
        return date.fromisoformat(value if isinstance(value, str) else "").isoformat()
    except ValueError:
        refuse(f"{value!r} is no date", 'write it as "2026-12-25", in quotes')


Day = Annotated[
    str, PlainValidator(_day), WithJsonSchema({"type": "string", "examples": ["2026-12-25"]})
]


def _time_of_day(value: object) -> int:
    match = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if match is None:
        refuse(f"{value!r} is no time of day", 'write it as "09:00", in quotes')
    return int(match[1]) * 60 + int(match[2])


TimeOfDay = Annotated[
    int,
    PlainValidator(_time_of_day),
    WithJsonSchema({"type": "string", "examples": ["09:00"]}),
]


def _zone(value: object) -> str:
    try:
        ZoneInfo(value if isinstance(value, str) else "")
    except (KeyError, ValueError, TypeError, OSError):
        refuse(f"{value!r} is no time zone", "write a name as in Europe/Lisbon, or UTC")
    return str(value)


Zone = Annotated[str, BeforeValidator(_zone), WithJsonSchema({"type": "string"})]


@dataclass(frozen=True, slots=True)
class SignalPlus:
    """A limit as it was written: ``freezer_setpoint + 8 K else -25 degC``.

    ``otherwise`` is the limit where there is no such signal, or while it is not good.
    """

    name: str
    plus: Quantity | None = None
    otherwise: Quantity | None = None


Limit = Quantity | SignalPlus  # a number with its unit ("" for a bare one), or a signal
_SIGNAL_PLUS = re.compile(
    rf"(?P<name>(?:\{{antechamber\}}_)?{SIGNAL})"
    r"(?: +(?P<sign>[+-]) +(?P<plus>[^-+ ]\S*(?: +(?!else\b)\S+)?))?"
    r"(?: +else +(?P<otherwise>\S+(?: +\S+)?))?"
)


def _limit(value: object) -> Limit:
    match = _SIGNAL_PLUS.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        return _any_quantity(value)
    plus, otherwise = (
        None if match[part] is None else _written(match[part]) for part in ("plus", "otherwise")
    )
    if plus is not None and match["sign"] == "-":
        plus = Quantity(-plus.value, plus.unit)
    return SignalPlus(match["name"], plus, otherwise)


def _written(text: str) -> Quantity:
    """A quantity inside a longer text, where a bare number is a text too."""
    try:
        return Quantity(float(text), "")
    except ValueError:
        return read_quantity(text)


def _any_quantity(value: object) -> Quantity:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Quantity(float(value), "")
    return read_quantity(value)


_AMOUNT = {"type": ["string", "number"], "examples": ["5 ppm", 0.5]}
_LIMIT = {**_AMOUNT, "examples": ["5 ppm", 0.5, "freezer_setpoint + 8 K else -25 degC"]}
LimitField = Annotated[Limit, PlainValidator(_limit), WithJsonSchema(_LIMIT)]
Amount = Annotated[Quantity, PlainValidator(_any_quantity), WithJsonSchema(_AMOUNT)]


def band(quantities: list[Quantity], unit: str) -> tuple[float, float]:
    """Both ends of a band in ``unit``; UnitError across dimensions."""
    low, high = (q.to(unit) for q in quantities)
    return (low, high)
