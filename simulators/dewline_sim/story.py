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
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from dewline_sim.setup import Item, Setup, StoryFile, expanded, filled, merged
from dewline_sim.typed_tree import Tree, build, read_yaml, tree_of

DAY_MS = 86_400_000
_UNITS_MS = {"s": 1000, "min": 60_000, "h": 3_600_000, "d": DAY_MS}
_CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?")


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happens at ``at_ms``: an act at a place or on an instrument, or a fault."""

    at_ms: int
    do: str | None = None
    place: str | None = None
    instrument: str | None = None
    params: Mapping[str, object] | None = None
    fault: Mapping[str, object] | None = None


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
    """A story with every size drawn, and its happenings in order of time (epoch ms, UTC)."""

    name: str
    title: str
    about: str
    seed: int
    start_ms: int
    end_ms: int
    setup: Setup  # lab, buses, instruments, boxes, ... of the lab's file
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
            found[file.name.removesuffix(".yaml")] = str(read_yaml(file).get("title", ""))
    return found


def load(name: str, seed: int = 1, hours: float | None = None) -> Story:
    """A story by name or by path of its YAML file. ValueError where there is none in it."""
    file: Traversable | Path = Path(name)
    if not name.endswith((".yaml", ".yml")):
        file = scenarios() / f"{name}.yaml"
    if not file.is_file():
        raise ValueError(f"no story {name!r}; there are {', '.join(names())}")
    return tell(read_yaml(file), Path(name).stem, seed, hours)


def tell(document: Mapping[str, object], name: str, seed: int, hours: float | None = None) -> Story:
    """Draw the sizes and lay out the timeline of a story already read.

    ``hours`` cuts it short or goes on after its last item. Raises ValueError
    that names the place of a mistake.
    """
    file = build(StoryFile, document, name)
    lab = _lab_of(file)
    rng = random.Random(f"{seed}/{name}")
    draw = {**tree_of(lab.get("draw"), f"{name}.lab.draw"), **(file.get("draw") or {})}
    sizes = {k: _drawn(v, rng) for k, v in draw.items()}
    start_ms = round(datetime.fromisoformat(str(file["start"])).timestamp() * 1000)
    end_ms = start_ms + round(float(hours or file["hours"]) * 3_600_000)
    timeline = _Timeline(start_ms, end_ms, rng)
    for number, written in enumerate(file.get("timeline") or (), 1):
        timeline.add(build(Item, filled(written, sizes), f"{name}: item {number}"))
    return Story(
        name, file.get("title", name), file.get("about", ""), seed, start_ms, end_ms,
        build(Setup, filled(merged(lab, file.get("change") or {}), sizes), f"{name}.lab"),
        tuple(sorted(timeline.happenings, key=lambda h: h.at_ms)),
        tuple(sorted(timeline.wrongs, key=lambda w: w.from_ms)), sizes,
    )  # fmt: skip


def _lab_of(file: StoryFile) -> Tree:
    lab = file["lab"]
    if isinstance(lab, str):
        return expanded(
            read_yaml(scenarios() / "labs" / f"{lab}.yaml"), file.get("names") or ["heron"]
        )
    return lab


class _Timeline:
    """What happens and what is wrong, laid out item by item. Times in epoch ms."""

    def __init__(self, start_ms: int, end_ms: int, rng: random.Random) -> None:
        self.happenings: list[Happening] = []
        self.wrongs: list[Wrong] = []
        self._start_ms = start_ms
        self._end_ms = end_ms
        self._rng = rng

    def add(self, item: Item) -> None:
        """Lay out one item, on every day where it is daily."""
        at_ms = self._when(item["at"])
        for day in range((self._end_ms - at_ms) // DAY_MS + 1 if item.get("daily") else 1):
            at = at_ms + day * DAY_MS
            until_ms = at + duration_ms(item["for"]) if "for" in item else None
            self.happenings += _happenings(item, at, until_ms)
            if wrong := item.get("wrong"):
                note = wrong.get("note", "")
                self.wrongs.append(Wrong(wrong["cause"], wrong["place"], at, until_ms, note))
            if right := item.get("right"):
                self._set_right(right, at)

    def _set_right(self, right: Mapping[str, str], at_ms: int) -> None:
        """End what is wrong with the same cause at the same place."""
        for i, known in enumerate(self.wrongs):
            same = (known.cause, known.place) == (right["cause"], right["place"])
            if same and known.to_ms is None:
                self.wrongs[i] = replace(known, to_ms=at_ms)

    def _when(self, at: object) -> int:
        """A moment, or one drawn between two in whole seconds."""
        if isinstance(at, list):
            low, high = (_moment(str(a), self._start_ms) for a in at)
            return self._rng.randrange(low, high + 1, 1000)
        return _moment(str(at), self._start_ms)


def _happenings(item: Item, at_ms: int, until_ms: int | None) -> Iterator[Happening]:
    if fault := item.get("fault"):
        yield Happening(at_ms, fault={**fault, "from_ms": at_ms, "until_ms": until_ms})
    if do := item.get("do"):
        params = item.get("with") or {}
        yield Happening(at_ms, do, item.get("place"), item.get("instrument"), params)


def duration_ms(text: str) -> int:
    """``10 min``, ``2 h`` in ms; also s and d. ValueError where it is no duration."""
    number, _, unit = str(text).partition(" ")
    if unit not in _UNITS_MS:
        raise ValueError(f"{text!r} is no duration; write e.g. '10 min'")
    return round(float(number) * _UNITS_MS[unit])


def _moment(text: str, start_ms: int) -> int:
    """Epoch ms of a time of day after the start, or of one counted from it."""
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
        raise ValueError(f"{text!r} is no time; write e.g. '02:14' or '+6:00'")
    hours, minutes, seconds = (int(g or 0) for g in match.groups())
    return (hours * 60 + minutes) * 60_000 + seconds * 1000


def _drawn(bounds: object, rng: random.Random) -> float:
    """A size between two bounds: evenly, by its logarithm (``log``), or ``whole``."""
    if not isinstance(bounds, list):
        raise ValueError(f"{bounds!r} is no pair of bounds")
    low, high, *how = bounds
    if how == ["log"]:
        return math.exp(rng.uniform(math.log(low), math.log(high)))
    if how == ["whole"]:
        return rng.randint(low, high)
    return rng.uniform(low, high)
