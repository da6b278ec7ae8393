"""The one mechanism that saves and restores the parts of the watch."""

from __future__ import annotations

import importlib
import json
import pkgutil
from collections import deque
from typing import Any

import pytest

import dewline.watch
from dewline.watch.saved import Kept, _hints


class Inner(Kept):
    """A part of its own."""

    count: int = 0


class Outer(Kept):
    """A part with values, a part, parts by name, and one that not every plan has."""

    when: tuple[int, float] = (0, 0.0)
    _ring: deque[int]
    inner: Inner
    by_name: dict[str, Inner]
    deep: dict[str, dict[str, Inner]]
    perhaps: Inner | None

    def __init__(self, names: tuple[str, ...] = (), *, perhaps: bool = True) -> None:
        self._ring = deque(maxlen=3)
        self.inner = Inner()
        self.by_name = {name: Inner() for name in names}
        self.deep = {"x": {name: Inner() for name in names}}
        self.perhaps = Inner() if perhaps else None
        self.other: object = object()


class Longer(Outer):
    """Adds to what its base keeps."""

    more: str | None = None


def through_json(part: Kept) -> Any:
    """What a snapshot holds of a part."""
    return json.loads(json.dumps(part.save(), allow_nan=False))


def filled(names: tuple[str, ...]) -> Longer:
    """A part with values in all its places."""
    part = Longer(names)
    part.when, part.more = (5, 1.5), "m"
    part._ring.extend((1, 2, 3, 4))
    part.inner.count = 7
    for number, inner in enumerate((*part.by_name.values(), *part.deep["x"].values())):
        inner.count = number + 1
    assert part.perhaps is not None
    part.perhaps.count = 9
    return part


def test_a_part_is_restored_whole_and_in_place() -> None:
    """Values of their types, a ring with its longest length, inner parts the same objects."""
    state = through_json(filled(("a", "b")))
    part = Longer(("a", "b"))
    inner, by_name = part.inner, dict(part.by_name)
    part.restore(state)
    assert through_json(part) == state
    assert (part.when, part.more, list(part._ring)) == ((5, 1.5), "m", [2, 3, 4])
    assert part._ring.maxlen == 3
    assert part.inner is inner
    assert part.by_name == by_name
    assert set(state) == {"when", "ring", "inner", "by_name", "deep", "perhaps", "more"}


def test_only_what_both_plans_know_is_restored() -> None:
    """A part that is new keeps its beginning, one that is gone is left out; also where all are."""
    state = through_json(filled(("a", "b")))
    part = Longer(("b", "c"), perhaps=False)
    part.restore(state)
    assert {name: inner.count for name, inner in part.by_name.items()} == {"b": 2, "c": 0}
    assert part.perhaps is None
    empty = Longer()
    empty.restore(state)
    assert empty.by_name == {}


def test_what_a_state_lacks_stays_as_it_is() -> None:
    """An attribute that came after the state was saved begins as in a new watch."""
    part = filled(("a",))
    part.restore({"more": None, "inner": {}})
    assert (part.more, part.when, part.inner.count) == (None, (5, 1.5), 7)


def kept_classes() -> list[type[Kept]]:
    """Every part of the watch."""
    for module in pkgutil.walk_packages(dewline.watch.__path__, "dewline.watch."):
        importlib.import_module(module.name)
    found, todo = [], [Kept]
    while todo:
        todo += (subclasses := todo.pop().__subclasses__())
        found += [c for c in subclasses if c.__module__.startswith("dewline.watch.")]
    return found


@pytest.mark.parametrize("kind", kept_classes(), ids=lambda kind: kind.__qualname__)
def test_every_part_names_the_types_of_its_state(kind: type[Kept]) -> None:
    """Each can be resolved, and each attribute is named once."""
    assert set(kind.KEPT) <= set(_hints(kind))
    assert len(set(kind.KEPT)) == len(kind.KEPT)
