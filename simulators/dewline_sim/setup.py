"""The files of stories and labs: their form, and how a lab is laid out for its boxes.

A lab's file has a part ``each`` that is repeated for every box. In it the word
BOX stands for a box's name, N for its number from 1, and a text ``=10+N`` for
that sum. Places stand in mappings by name, so that a story can change one of
them; ``spec_of`` turns them into what the physics wants.
"""

# No `from __future__ import annotations`: a TypedDict must see `Required` when it is made.
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Required, TypedDict

from dewline_sim.faults import LinkKind
from dewline_sim.typed_tree import Tree, tree_of

_SUM = re.compile(r"=(\d+)\+N")


class StoryFile(TypedDict, total=False):
    """A story as it is written. ``lab`` names a lab's file or is one."""

    title: str
    about: str
    lab: Required[str | Tree]
    names: list[str]
    start: Required[object]  # ISO 8601; YAML reads it as a date where it is not quoted
    hours: float
    draw: Tree | None
    change: Tree | None
    timeline: list[Tree] | None


#: One item of a timeline; ``at`` is a text or a pair of them.
Item = TypedDict(
    "Item",
    {
        "at": Required[object], "do": str, "place": str, "with": Tree | None, "instrument": str,
        "fault": Tree, "for": str, "wrong": dict[str, str], "right": dict[str, str], "daily": bool,
    },
    total=False,
)  # fmt: skip


class BusEntry(TypedDict, total=False):
    """A bus of the lab. ``baud`` is for serial ones."""

    kind: Required[LinkKind]
    baud: int


class InstrumentEntry(TypedDict, total=False):
    """An instrument of the lab: how it is read, and how it is wired to the physics.

    ``wiring`` names PLACE.ROLE for a register that shows another place,
    ``sensors`` changes what is typical of a register's sensor, ``own`` sets
    what the instrument reports of itself. The rest is for the watcher's config.
    """

    bus: Required[str]
    profile: Required[str]
    place: Required[str]
    unit: int
    every: str
    timeout: str
    gap_before: str
    turnaround: str
    max_registers: int
    max_gap: int
    wiring: dict[str, str]
    sensors: dict[str, Tree]
    own: dict[str, float]


class Setup(TypedDict, total=False):
    """A lab's file, laid out for its boxes, with every size filled in.

    ``lab`` is the physics. Places are written as in the watcher's config, which
    takes them over unread; here only their ``signals`` are used.
    """

    buses: Required[dict[str, BusEntry]]
    instruments: Required[dict[str, InstrumentEntry]]
    lab: Tree
    site: str
    timezone: str
    draw: Tree
    services: dict[str, Tree]
    purifiers: dict[str, Tree]
    boxes: dict[str, Tree]
    site_signals: dict[str, Tree]
    rule_sets: list[str]
    rules: object


def expanded(document: Mapping[str, object], names: Sequence[str]) -> Tree:
    """A lab's file with ``each`` laid out for these boxes."""
    out = {k: v for k, v in document.items() if k != "each"}
    for number, name in enumerate(names, 1):
        each = _mapped(document.get("each"), _for_box(name, number))
        out = merged(out, tree_of(each, "each"))
    return out


def _for_box(name: str, number: int) -> Callable[[str], object]:
    """Fills in one box's name and number in a text of ``each``."""

    def fill(text: str) -> object:
        if match := _SUM.fullmatch(text):
            return int(match[1]) + number
        return text.replace("BOX", name).replace("pN", f"p{number}")

    return fill


def filled(tree: object, sizes: Mapping[str, float]) -> object:
    """The tree with every text ``$name`` replaced by its drawn size.

    Raises ValueError for a name that is not drawn.
    """

    def fill(text: str) -> object:
        if not text.startswith("$"):
            return text
        if text[1:] not in sizes:
            raise ValueError(f"{text} is not drawn")
        return sizes[text[1:]]

    return _mapped(tree, fill)


def _mapped(tree: object, fill: Callable[[str], object]) -> object:
    """The tree with ``fill`` applied to every text in it, keys included."""
    if isinstance(tree, dict):
        return {fill(k): _mapped(v, fill) for k, v in tree.items()}
    if isinstance(tree, list):
        return [_mapped(v, fill) for v in tree]
    return fill(tree) if isinstance(tree, str) else tree


def merged(base: Mapping[str, object], over: Mapping[str, object]) -> Tree:
    """``over`` laid over ``base``, key by key and level by level.

    Null takes a key away; lists and scalars are replaced whole.
    """
    out = dict(base)
    for key, value in over.items():
        known = out.get(key)
        if value is None:
            out.pop(key, None)
        elif isinstance(known, dict) and isinstance(value, dict):
            out[key] = merged(known, value)
        else:
            out[key] = value
    return out


def spec_of(setup: Mapping[str, object]) -> Tree:
    """The physics' part of a lab, its places by name turned into lists."""
    spec = dict(tree_of(setup.get("lab"), "lab"))
    for group in ("boxes", "purifiers", "services"):
        places = spec.get(group)
        if isinstance(places, dict):
            spec[group] = [
                {"name": name, **tree_of(entry, f"lab.{group}.{name}")}
                for name, entry in places.items()
            ]
    return spec
