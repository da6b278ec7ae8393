"""A story: a lab, a start, and what happens when. Read from YAML, sizes drawn by the seed.

    title: ...            start: "2026-03-02T20:00:00Z"    hours: 12
    lab: saltmarsh        names: [heron, egret]   change: {...} laid over the lab, key by key
    draw: {size: [0.5, 2.0], hole_mm: [0.1, 0.4, log]}
    timeline:
      - {at: "20:40", do: transfer, place: heron, with: {chamber: large, cycles: 3}}
      - {at: "+6:00", instrument: egret-trace, do: freeze, with: {register: o2}}
      - {at: ["02:00", "02:30"], fault: {kind: silence, link: analyzers, unit: 12}, for: 10 min,
         wrong: {cause: instrument-silent, place: egret}}

``at`` is a time of day (the next one after the start, UTC), ``+H:MM`` after the
start, ``+Dd HH:MM`` on a later day, or a pair between which it is drawn.
``daily: true`` repeats an item every day. ``$name`` stands for a drawn size.
``wrong`` is the truth a judge is scored by: what is wrong, where, from when.
"""

from __future__ import annotations

import math
import random
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import yaml

from dewline_sim.setup import StoryError, expanded, filled, merged

DAY_MS = 86_400_000
_UNITS_MS = {"s": 1000, "min": 60_000, "h": 3_600_000, "d": DAY_MS}
_CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?")
_KEYS = {"at", "do", "place", "with", "instrument", "fault", "for", "wrong", "right", "daily"}


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happens at ``at_ms``."""

    at_ms: int
    do: str | None = None
    place: str | None = None
    instrument: str | None = None
    params: Mapping[str, Any] | None = None
    fault: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Wrong:
    """The truth: what is wrong, where, from when to when (None: to the end)."""

    cause: str
    place: str
    from_ms: int
    to_ms: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Story:
    """A story with every size drawn."""

    name: str
    title: str
    about: str
    seed: int
    start_ms: int
    end_ms: int
    setup: Mapping[str, Any]  # lab, buses, instruments, boxes, ... of the lab's file
    happenings: tuple[Happening, ...]
    wrongs: tuple[Wrong, ...]
    sizes: Mapping[str, float]


def scenarios() -> Traversable:
    """The folder of the stories that come with the simulator."""
    return resources.files("dewline_sim") / "scenarios"


def names() -> dict[str, str]:
    """Story name -> title."""
    found = {}
    for file in sorted(scenarios().iterdir(), key=lambda f: f.name):
        if file.name.endswith(".yaml"):
            found[file.name.removesuffix(".yaml")] = str(_read(file).get("title", ""))
    return found


def load(name: str, seed: int = 1, hours: float | None = None) -> Story:
    """A story by name or by path of its YAML file. StoryError where it cannot be read."""
    file: Traversable | Path = Path(name)
    if not name.endswith((".yaml", ".yml")):
        file = scenarios() / f"{name}.yaml"
    if not file.is_file():
        raise StoryError(f"no story {name!r}; there are {', '.join(names())}")
    return tell(_read(file), Path(name).stem, seed, hours)


def tell(document: Mapping[str, Any], name: str, seed: int, hours: float | None = None) -> Story:
    """Draw the sizes and lay out the timeline of a story already read."""
    setup = document["lab"]
    if isinstance(setup, str):
        setup = expanded(
            _read(scenarios() / "labs" / f"{setup}.yaml"), document.get("names") or ["heron"]
        )
    rng = random.Random(f"{seed}/{name}")
    draw = {**(setup.get("draw") or {}), **(document.get("draw") or {})}
    sizes = {k: _drawn(v, rng) for k, v in draw.items()}
    start_ms = round(datetime.fromisoformat(str(document["start"])).timestamp() * 1000)
    end_ms = start_ms + round(float(hours or document["hours"]) * 3_600_000)
    setup = filled(merged(setup, document.get("change") or {}), sizes)
    happenings: list[Happening] = []
    wrongs: list[Wrong] = []
    for number, written in enumerate(document.get("timeline") or (), 1):
        if unknown := set(written) - _KEYS:
            raise StoryError(f"{name}: item {number} has unknown {', '.join(sorted(unknown))}")
        item = filled(written, sizes)
        at_ms = _when(item["at"], start_ms, rng)
        for day in range((end_ms - at_ms) // DAY_MS + 1 if item.get("daily") else 1):
            _lay_out(item, at_ms + day * DAY_MS, happenings, wrongs)
    happenings.sort(key=lambda h: h.at_ms)
    return Story(
        name,
        str(document.get("title", name)),
        str(document.get("about", "")),
        seed,
        start_ms,
        end_ms,
        setup,
        tuple(happenings),
        tuple(sorted(wrongs, key=lambda w: w.from_ms)),
        sizes,
    )


def _lay_out(
    item: Mapping[str, Any], at_ms: int, happenings: list[Happening], wrongs: list[Wrong]
) -> None:
    until_ms = at_ms + duration_ms(item["for"]) if "for" in item else None
    if fault := item.get("fault"):
        timed = {**fault, "from_ms": at_ms, "until_ms": until_ms}
        happenings.append(Happening(at_ms, fault=timed))
    if do := item.get("do"):
        happenings.append(
            Happening(at_ms, do, item.get("place"), item.get("instrument"), item.get("with") or {})
        )
    if wrong := item.get("wrong"):
        wrongs.append(
            Wrong(wrong["cause"], wrong["place"], at_ms, until_ms, str(wrong.get("note", "")))
        )
    if right := item.get("right"):
        for i, known in enumerate(wrongs):
            same = (known.cause, known.place) == (right["cause"], right["place"])
            if same and known.to_ms is None:
                wrongs[i] = Wrong(known.cause, known.place, known.from_ms, at_ms, known.note)


def duration_ms(text: str) -> int:
    """``10 min``, ``2 h`` in ms."""
    number, _, unit = str(text).partition(" ")
    if unit not in _UNITS_MS:
        raise StoryError(f"{text!r} is no duration; write e.g. '10 min'")
    return round(float(number) * _UNITS_MS[unit])


def _when(at: Any, start_ms: int, rng: random.Random) -> int:
    if isinstance(at, list):
        low, high = (_moment(str(a), start_ms) for a in at)
        return rng.randrange(low, high + 1, 1000)
    return _moment(str(at), start_ms)


def _moment(text: str, start_ms: int) -> int:
    if text.startswith("+"):
        days, _, clock = text[1:].rpartition("d ")
        if days:
            return start_ms - start_ms % DAY_MS + int(days) * DAY_MS + _clock_ms(clock)
        return start_ms + _clock_ms(text[1:])
    moment = start_ms - start_ms % DAY_MS + _clock_ms(text)
    return moment if moment >= start_ms else moment + DAY_MS


def _clock_ms(text: str) -> int:
    match = _CLOCK.fullmatch(text.strip())
    if match is None:
        raise StoryError(f"{text!r} is no time; write e.g. '02:14' or '+6:00'")
    hours, minutes, seconds = (int(g or 0) for g in match.groups())
    return (hours * 60 + minutes) * 60_000 + seconds * 1000


def _drawn(bounds: Any, rng: random.Random) -> float:
    low, high, *how = bounds
    if how == ["log"]:
        return math.exp(rng.uniform(math.log(low), math.log(high)))
    if how == ["whole"]:
        return rng.randint(low, high)
    return rng.uniform(low, high)


def _read(file: Traversable | Path) -> dict[str, Any]:
    with file.open(encoding="utf-8") as stream:
        document = yaml.load(stream, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    if not isinstance(document, dict):
        raise StoryError(f"{file.name}: not a story")
    return document
