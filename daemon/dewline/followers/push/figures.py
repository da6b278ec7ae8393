"""Numbers and times as a person reads them on a page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, tzinfo
from typing import Literal

from dewline.events import EventDocument
from dewline.readings import parse_iso_utc

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
