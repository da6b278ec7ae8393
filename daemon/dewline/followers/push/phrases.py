"""Plain words for what an event says: what is wrong, how bad, since when, when it gets worse."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Any, Literal

from dewline.readings import parse_iso_utc
from dewline.watch_plan import (
    DAEMON,
    Above,
    AboveOwn,
    Below,
    ConditionPlan,
    Count,
    Falling,
    FalseFor,
    Outside,
    Reaches,
    Rising,
    RulePlan,
    StaleAfter,
    TrueFor,
    UnchangedFor,
)

Document = Mapping[str, Any]
Kind = Literal["level", "slope", "silence", "still", "on", "off", "other"]
WEEK_MS = 7 * 86_400_000
SOON_S = 120.0  # what comes sooner is there before the page is read
FAR_S = 86_400.0  # what comes later can be seen in the morning
# What belongs to an antechamber bears its name in front.
_CHAMBER = re.compile(
    r"(?!forming_gas_)(.+)_(pressure|evacuating|refilling|inner_door|outer_door|residual)"
)

# What a switch says in words, on and off, by the end of its role.
_SWITCHES: tuple[tuple[str, str, str], ...] = (
    ("_door", "open", "closed"),
    ("_valve", "open", "shut"),
    ("circulating", "runs", "stopped"),
    ("mains_present", "back", "lost"),
    ("emergency_stop", "pressed", "released"),
    ("", "on", "off"),
)


def place_name(place: str) -> str:
    """How a place is called on a page: HERON."""
    return "DEWLINE" if place == DAEMON else place.upper()


def subject(document: Document) -> str:
    """What it is about: ``HERON moisture``, ``DEWLINE analyzers lost``."""
    place, _, rule = document["alarm"].partition(".")
    if place == DAEMON:
        name, _, fate = rule.rpartition("-")
        return f"DEWLINE {name} {fate}".replace("  ", " ")
    role = document["signal"].partition(".")[2]
    words = role.replace("circulating", "circulation").removesuffix("_present")
    words = words.removesuffix("_doubt")
    if words.endswith("_idle"):
        words = f"{words.removesuffix('_idle')} in quiet hours"
    if chamber := _CHAMBER.fullmatch(words):
        words = f"{chamber[1]} antechamber {chamber[2]}"
    shown_at = place_name(document["signal"].partition(".")[0])
    shown = place_name(place)
    prefix = shown if shown_at == shown else f"{shown} {shown_at}"
    return f"{prefix} {words.removeprefix(f'{shown_at.lower()}_').replace('_', ' ')}"


def kind_of(document: Document, rule: RulePlan | None) -> Kind:
    """What kind of condition it is; read off the units where the rule is not known any more."""
    if rule is not None:
        return _kind_of_condition(rule.condition)
    if document["limit_unit"] == "s" and document["unit"] != "s":
        return "silence" if (document["quality"] or "").startswith("bad") else "other"
    return "slope" if (document["limit_unit"] or "").endswith(("/h", "/d")) else "level"


def _kind_of_condition(condition: ConditionPlan) -> Kind:
    match condition:
        case Above() | Below() | Outside() | AboveOwn() | Count() | Reaches():
            return "level"
        case Rising() | Falling():
            return "slope"
        case StaleAfter():
            return "silence"
        case UnchangedFor():
            return "still"
        case TrueFor():
            return "on"
        case FalseFor():
            return "off"


def trouble(document: Document, rule: RulePlan | None) -> str:
    """How bad: ``6.2 ppm, above 5 ppm``; empty where the subject says it all."""
    if document["box"] == DAEMON and document["limit_unit"] in ("s", "", None):
        return ""
    match kind_of(document, rule):
        case "silence":
            return "NOT WATCHED, no reading"
        case "still":
            return f"stands still at {figure(document['value'], document['unit'])}"
        case "on":
            return _switch(document, on=True)
        case "off":
            return _switch(document, on=False)
        case _:
            return _doubt(document) or f"{_shown(document)}{_against(document, rule)}"


def _doubt(document: Document) -> str:
    """How far a reading can be trusted, in words; empty for what is no doubt."""
    if not document["signal"].endswith("_doubt"):
        return ""
    return "not to be trusted" if (document["limit"] or 0.0) > 1.0 else "not proven for long"


def _switch(document: Document, *, on: bool) -> str:
    role = document["signal"].partition(".")[2]
    for ending, when_on, when_off in _SWITCHES:
        if role.endswith(ending):
            return when_on if on else when_off
    raise AssertionError("the last ending fits every role")


def _shown(document: Document) -> str:
    value = figure(document["value"], document["unit"])
    for digits in (4, 5):  # 4 bar, below 4 bar
        if value == figure(document["limit"], document["limit_unit"]):
            value = figure(document["value"], document["unit"], digits)
    if document["quality"] == "uncertain/over-range":
        return f"over its range, at least {value}"
    if document["quality"] == "uncertain/under-range":
        return f"under its range, {value} or less"
    return value


def _against(document: Document, rule: RulePlan | None) -> str:
    if document["limit"] is None:
        return ""
    limit = figure(document["limit"], document["limit_unit"])
    words = None if rule is None else _measure(rule.condition, limit)
    if words is None and kind_of(document, rule) == "slope":
        words = f"moving more than {limit}"
    if words is not None:
        return f", {words}"
    side = _side(document, rule)
    was = "was " if _came_back(document, side) else ""
    return f", {was}{side} {limit}"


def stands_off(raised: Document, ended: Document, rule: RulePlan | None) -> bool:
    """It ended although it is as bad as before: what the rule hangs on has ended."""
    value, limit = ended["value"], raised["limit"]
    if rule is None or rule.only_while is None or value is None or limit is None:
        return False
    level = isinstance(rule.condition, Above | Below | Outside)
    if not level or ended["unit"] != raised["limit_unit"]:
        return False
    return bool(value > limit if _side(raised, rule) == "above" else value < limit)


def _came_back(document: Document, side: str) -> bool:
    """It still counts as an alarm, by its off-delay or its latch, but is past its limit no more."""
    value, limit = document["value"], document["limit"]
    return value is not None and (value <= limit if side == "above" else value >= limit)


def _measure(condition: ConditionPlan, limit: str) -> str | None:
    """What the limit means where it is more than a line that is crossed."""
    match condition:
        case Rising():
            return f"climbing more than {limit}"
        case Falling():
            return f"falling more than {limit}"
        case Reaches():
            return f"on its way to {limit}"
        case Count(count=count):
            return f"past {limit} {count} times"
        case AboveOwn(times=times):
            return f"above {times:g} times its own usual"
        case _:
            return None


def _side(document: Document, rule: RulePlan | None) -> str:
    """On which side of its limit it went: by its rule, else by its value."""
    value, limit = document["value"], document["limit"]
    match rule.condition if rule is not None else None:
        case Above():
            return "above"
        case Below():
            return "below"
        case Outside(low=low):
            return "below" if limit == low else "above"
        case _:
            return "above" if value is None or value > limit else "below"


def matter(document: Document, rule: RulePlan | None) -> str:
    """What it was about, without its figures: ``HERON oxygen above 100 ppm``."""
    kind, what = kind_of(document, rule), subject(document)
    if document["box"] == DAEMON:
        return what
    if doubt := _doubt(document):
        return f"{what} {doubt}"
    if kind in ("on", "off"):
        return f"{what} {_switch(document, on=kind == 'on')}"
    if kind == "silence":
        return f"{what} not watched"
    if kind == "still" or document["limit"] is None:
        return f"{what}{' standing still' if kind == 'still' else ''}"
    against = _against({**document, "value": None}, rule)
    return f"{what}{against.replace(',', '', 1)}"


_SHOWN: Mapping[str, str] = {"degC": "°C", "m3/h": "m³/h"}
# Unit of the house, from where on a person takes another, that one, and how many to one of it.
_BIGGER: tuple[tuple[str, float, str, float], ...] = (
    ("mbar", 1000.0, "bar", 1000.0),
    ("ppm", 10_000.0, "%", 10_000.0),
)


def figure(value: float | None, unit: str | None, digits: int = 3) -> str:
    """A number as a person reads it, with its unit: supply in bar, a rush of air in per cent."""
    if value is None:
        return "no reading"
    for small, least, big, ratio in _BIGGER:
        if unit == small and abs(value) >= least:
            return f"{value / ratio:.{digits}g} {big}"
    size = abs(value)
    text = f"{value:.0f}" if size >= 1000 else f"{value:.{digits}g}"
    return f"{text.replace('e-0', 'e-')} {_SHOWN.get(unit or '', unit or '')}".rstrip()


def clock(time_ms: int, zone: tzinfo, now_ms: int) -> str:
    """A moment as the clock on the wall shows it, with the day where that is not clear."""
    moment = datetime.fromtimestamp(time_ms / 1000, zone)
    today = datetime.fromtimestamp(now_ms / 1000, zone)
    if moment.date() == today.date() or abs(now_ms - time_ms) < 12 * 3_600_000:
        return f"{moment:%H:%M}"
    if abs(now_ms - time_ms) < WEEK_MS:
        return f"{moment:%a %H:%M}"
    return f"{moment.day} {moment:%b %H:%M}"


def time_of(document: Document, key: str = "time") -> int:
    """A time of an event in ms; that of the event itself where ``key`` is null."""
    return parse_iso_utc(document[key] or document["time"])


def reason(document: Document) -> str:
    """Why, as a set with its confidence; empty while it is not known."""
    cause = document["cause"]
    if cause["name"] == "unknown":
        return ""
    names = " or ".join(name.replace("-", " ") for name in (cause["name"], *cause["or"]))
    return f"{names} ({cause['confidence']:.1g})"


def time_left(document: Document, zone: tzinfo, now_ms: int) -> tuple[str, ...]:
    """How long there is, at length and in short; nothing where it is not foreseen.

    ``5 ppm about 06:30 (05:30-08:10).`` and ``5 ppm about 06:30.``
    """
    outlook = document["outlook"]
    if outlook is None or outlook["in_s"] is None or not SOON_S <= outlook["in_s"] <= FAR_S:
        return ()
    start_ms = time_of(document)

    def at(seconds: float) -> str:
        return clock(start_ms + round(seconds * 1000), zone, now_ms)

    low_s, high_s = outlook["low_s"], outlook["high_s"]
    span = "" if low_s is None or high_s is None else f" ({at(low_s)}-{at(high_s)})"
    back = "Back to " if _goes_back(document) else ""
    said = f"{back}{figure(outlook['limit'], outlook['unit'])} about {at(outlook['in_s'])}"
    return f"{said}{span}.", f"{said}."


def _goes_back(document: Document) -> bool:
    """What is foreseen lies on the good side: it mends by itself."""
    value, limit, ahead = document["value"], document["limit"], document["outlook"]["limit"]
    if value is None or limit is None or document["unit"] != document["limit_unit"]:
        return False
    return bool(ahead < limit < value or ahead > limit > value)


def duration(ms: int) -> str:
    """``3 min``, ``2 h 10 min``, ``4 d``."""
    minutes = max(0, round(ms / 60_000))
    if minutes < 1:
        return f"{max(1, round(ms / 1000))} s"
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min".removesuffix(" 0 min")
    return f"{round(minutes / 1440)} d"
