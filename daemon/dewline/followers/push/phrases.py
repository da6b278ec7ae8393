"""An event document in plain words, numbers and times: what is wrong, how bad, since when.

A rule tells more than its event: what kind of condition it has, and on which side of its limit the
signal went. ``rule`` is None where the config no longer has it; then the units of the event decide.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Literal

from dewline.events import EventDocument, TroubleDocument
from dewline.readings import parse_iso_utc
from dewline.watch_plan import (
    DAEMON,
    Above,
    AboveOwn,
    Below,
    BelowOwn,
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

MOST_STANDING = 3  # on a lock screen
WEEK_MS = 7 * 86_400_000

_SHOWN: Mapping[str, str] = {"degC": "°C", "m3/h": "m³/h"}
# (unit, threshold, display unit, divisor): from the threshold on, values are shown in the other.
_BIGGER: tuple[tuple[str, float, str, float], ...] = (
    ("mbar", 1000.0, "bar", 1000.0),
    ("ppm", 10_000.0, "%", 10_000.0),
)


def figure(value: float | None, unit: str | None, digits: int = 3) -> str:
    """A number with its unit, to ``digits`` significant digits; large ones in bar or per cent."""
    if value is None:
        return "no reading"
    for small, least, big, ratio in _BIGGER:
        if unit == small and abs(value) >= least:
            return f"{value / ratio:.{digits}g} {big}"
    size = abs(value)
    text = f"{value:.0f}" if size >= 1000 else f"{value:.{digits}g}"
    return f"{text.replace('e-0', 'e-')} {_SHOWN.get(unit or '', unit or '')}".rstrip()


def clock(time_ms: int, zone: tzinfo, now_ms: int) -> str:
    """A moment as a clock at the site shows it, with the day where more than 12 h lie between."""
    moment = datetime.fromtimestamp(time_ms / 1000, zone)
    today = datetime.fromtimestamp(now_ms / 1000, zone)
    if moment.date() == today.date() or abs(now_ms - time_ms) < 12 * 3_600_000:
        return f"{moment:%H:%M}"
    if abs(now_ms - time_ms) < WEEK_MS:
        return f"{moment:%a %H:%M}"
    return f"{moment.day} {moment:%b %H:%M}"


def time_of(document: EventDocument, key: Literal["time", "since"] = "time") -> int:
    """A time of an event, UTC epoch in ms; that of the event itself where ``key`` is null."""
    return parse_iso_utc(document[key] or document["time"])


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


_OWN = {"idle-baseline": "usual", "best": "best"}
Kind = Literal["level", "slope", "silence", "still", "on", "off", "other"]
_KINDS: Mapping[type, Kind] = {
    Rising: "slope",
    Falling: "slope",
    StaleAfter: "silence",
    UnchangedFor: "still",
    TrueFor: "on",
    FalseFor: "off",
}
SOON_S = 120.0  # what comes sooner is there before the page is read
FAR_S = 86_400.0  # what comes later can be seen in the morning
# Signals of an antechamber begin with its name.
_CHAMBER = re.compile(
    r"(?!forming_gas_)(.+)_(pressure|evacuating|refilling|inner_door|outer_door|residual)"
)

# What a switch says in words, on and off, by the end of its role.
_SWITCHES: Mapping[str, tuple[str, str]] = {
    "_door": ("open", "closed"),
    "_valve": ("open", "shut"),
    "circulating": ("runs", "stopped"),
    "mains_present": ("back", "lost"),
    "emergency_stop": ("pressed", "released"),
    "": ("on", "off"),
}


def place_name(place: str) -> str:
    """How a place is called on a page: HERON."""
    return "DEWLINE" if place == DAEMON else place.upper()


def subject(document: EventDocument) -> str:
    """What it is about: ``HERON moisture``, ``DEWLINE analyzers lost``.

    An alarm of the daemon's own box is called by its rule, every other by its signal. A signal of
    another place names that place too: ``HERON ROOM oxygen``.
    """
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


def kind_of(document: EventDocument, rule: RulePlan | None) -> Kind:
    """What kind of condition it is, by its rule, else by its units."""
    if rule is not None:
        return _KINDS.get(type(rule.condition), "level")
    if document["limit_unit"] == "s" and document["unit"] != "s":
        return "silence" if (document["quality"] or "").startswith("bad") else "other"
    return "slope" if (document["limit_unit"] or "").endswith(("/h", "/d")) else "level"


def trouble(document: EventDocument, rule: RulePlan | None) -> str:
    """How bad: ``6.2 ppm, above 5 ppm``.

    Empty where the subject already says it, as for a bus of the daemon that is lost.
    """
    if document["box"] == DAEMON and document["limit_unit"] in ("s", "", None):
        return ""
    match kind_of(document, rule):
        case "silence":
            return f"NOT WATCHED, no reading{_last_good(document)}"
        case "still":
            return f"stands still at {figure(document['value'], document['unit'])}"
        case "on":
            return _switch(document, on=True)
        case "off":
            return _switch(document, on=False)
        case _:
            return _doubt(document) or f"{_shown(document)}{_against(document, rule)}"


def _doubt(document: EventDocument) -> str:
    """How far a reading can be trusted, for a ``_doubt`` signal; empty for any other."""
    if not document["signal"].endswith("_doubt"):
        return ""
    return "not to be trusted" if (document["limit"] or 0.0) > 1.0 else "not proven for long"


def _switch(document: EventDocument, *, on: bool) -> str:
    role = document["signal"].partition(".")[2]
    when_on, when_off = next(words for end, words in _SWITCHES.items() if role.endswith(end))
    return when_on if on else when_off


def _shown(document: EventDocument) -> str:
    value = figure(document["value"], document["unit"])
    for digits in (4, 5):  # 4 bar, below 4 bar
        if value == figure(document["limit"], document["limit_unit"]):
            value = figure(document["value"], document["unit"], digits)
    if document["quality"] == "uncertain/over-range":
        return f"over its range{_last_good(document)}"
    if document["quality"] == "uncertain/under-range":
        return f"under its range{_last_good(document)}"
    return value


def _last_good(document: EventDocument) -> str:
    """`` (last 4.1 ppm, 5 s before)``: what was shown before the reading was not good any more."""
    last = document["last_good"]
    if last is None:
        return ""
    before_ms = time_of(document) - parse_iso_utc(last["time"])
    return f" (last {figure(last['value'], document['unit'])}, {duration(before_ms)} before)"


def _against(document: EventDocument, rule: RulePlan | None) -> str:
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


def stands_off(raised: EventDocument, ended: EventDocument, rule: RulePlan | None) -> bool:
    """Whether an alarm ended only because ``only_while`` of its rule did, the value as bad as ever.

    Only a level with its limit in the unit of the signal can be judged; else False.
    """
    value, limit = ended["value"], raised["limit"]
    if rule is None or rule.only_while is None or value is None or limit is None:
        return False
    level = isinstance(rule.condition, Above | Below | Outside)
    if not level or ended["unit"] != raised["limit_unit"]:
        return False
    return value > limit if _side(raised, rule) == "above" else value < limit


def _came_back(document: EventDocument, side: str) -> bool:
    """Whether the value is back within its limit while the alarm waits for off-delay or latch."""
    value, limit = document["value"], document["limit"]
    if value is None or limit is None:
        return False
    return value <= limit if side == "above" else value >= limit


def _measure(condition: ConditionPlan, limit: str) -> str | None:
    """What the limit means, for a condition other than crossing it; None for a plain level."""
    match condition:
        case Rising() | Falling():
            way = "climbing" if isinstance(condition, Rising) else "falling"
            return f"{way} more than {limit}"
        case Reaches():
            return f"on its way to {limit}"
        case Count(count=count):
            return f"past {limit} {count} times"
        case AboveOwn(times=times, of=of):
            return f"above {times:g} times its own {_OWN[of]}"
        case BelowOwn(times=times, of=of):
            return f"below {times:g} times its own {_OWN[of]}"
        case _:
            return None


def _side(document: EventDocument, rule: RulePlan | None) -> str:
    """On which side of its limit it went: by its rule, else by its value."""
    value, limit = document["value"], document["limit"]
    match rule.condition if rule is not None else None:
        case Above():
            return "above"
        case Below():
            return "below"
        case Outside(low=float(low)):
            return "below" if limit == low else "above"
        case _:
            return "above" if value is None or limit is None or value > limit else "below"


def matter(document: EventDocument, rule: RulePlan | None) -> str:
    """What it was about, without the value: ``HERON oxygen above 100 ppm``.

    For pages that come after the time of the event, when its value is no longer true.
    """
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


def end(raised: EventDocument, ended: EventDocument, rule: RulePlan | None) -> str:
    """What is over, without a word on anything else: ``HERON fill valve shut``."""
    kind = kind_of(raised, rule)
    if raised["box"] != DAEMON and kind in ("on", "off"):
        return f"{subject(ended)} {_switch(ended, on=kind == 'off')}"
    return f"{matter(raised, rule)} is over"


def standing(beside: EventDocument, rules: Mapping[str, RulePlan]) -> str:
    """What stands beside the end of an alarm: ``oxygen 402 ppm and rising, pressure 0.1 mbar``."""
    return ", ".join(_one_standing(beside, one, rules) for one in beside["stands"][:MOST_STANDING])


def _one_standing(
    beside: EventDocument, one: TroubleDocument, rules: Mapping[str, RulePlan]
) -> str:
    document: EventDocument = {
        **beside,
        "alarm": one["alarm"],
        "box": one["box"],
        "signal": one["signal"],
        "value": one["value"],
        "unit": one["unit"],
        "quality": one["quality"],
        "limit": one["limit"],
        "limit_unit": one["limit_unit"],
        "last_good": None,
    }
    rule = rules.get(one["alarm"])
    what = subject(document).removeprefix(f"{place_name(beside['box'])} ")
    if kind_of(document, rule) not in ("level", "slope") or _doubt(document):
        return f"{what} {trouble(document, rule)}".rstrip()
    trend = f" and {one['trend']}" if one["trend"] else ""
    return f"{what} {_shown(document)}{trend}"


def reason(document: EventDocument) -> str:
    """Why, as a set with its confidence; empty while it is not known."""
    cause = document["cause"]
    if cause["name"] == "unknown":
        return ""
    names = " or ".join(name.replace("-", " ") for name in (cause["name"], *cause["or"]))
    return f"{names} ({cause['confidence']:.1g})"


def time_left(document: EventDocument, zone: tzinfo, now_ms: int) -> tuple[str, ...]:
    """When a limit is reached, in a long and a short wording; none where that is not foreseen.

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
    back = "Back to " if _goes_back(document, outlook["limit"]) else ""
    said = f"{back}{figure(outlook['limit'], outlook['unit'])} about {at(outlook['in_s'])}"
    return f"{said}{span}.", f"{said}."


def climbing_gas(document: EventDocument) -> str:
    """A gas in a stopped loop and how fast it climbs: ``oxygen 0.9 ppm, +1.4 ppm/h``."""
    gas = document["signal"].partition(".")[2].replace("_", " ")
    value, outlook = document["value"], document["outlook"]
    shown = f"{gas} {figure(value, document['unit'], 2)}"
    if value is None or outlook is None or not outlook["in_s"]:
        return shown
    per_h = (outlook["limit"] - value) / outlook["in_s"] * 3600
    return f"{shown}, {per_h:+.2g} {document['unit']}/h"


def _goes_back(document: EventDocument, foreseen: float) -> bool:
    """Whether the value is past the limit of the alarm, and ``foreseen`` lies back within it."""
    value, limit = document["value"], document["limit"]
    if value is None or limit is None or document["unit"] != document["limit_unit"]:
        return False
    return foreseen < limit < value or foreseen > limit > value
