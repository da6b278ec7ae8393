"""What people and faults can do in a lab, by name.

An act is a function of the plant, a place and keyword-only parameters; the
first paragraph of its docstring is its meaning in ``dewline simulate --acts``.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import get_type_hints

from dewline_sim.physics import box_acts, plant_acts
from dewline_sim.physics.plant import Plant
from dewline_sim.typed_tree import value_of

Act = Callable[..., None]
#: Every public function of the two modules is an act.
_TABLE: dict[str, Act] = {
    name: act
    for module in (box_acts, plant_acts)
    for name, act in inspect.getmembers(module, inspect.isfunction)
    if act.__module__ == module.__name__ and not name.startswith("_")
}


def perform(plant: Plant, name: str, place: str, params: Mapping[str, object]) -> None:
    """Carry out one act at one place.

    Raises ValueError for an unknown act, place or parameter, a missing
    parameter or one of the wrong kind, naming what is known.
    """
    act = _TABLE.get(name)
    if act is None:
        raise ValueError(f"no act {name!r}; known are {', '.join(sorted(_TABLE))}")
    if place not in plant.places():
        raise ValueError(f"no place {place!r}; known are {', '.join(plant.places())}")
    act(plant, place, **_checked(name, act, params))


def listing() -> dict[str, str]:
    """Every act with its parameters, their defaults where they have one, and its meaning."""
    return {name: _described(act) for name, act in sorted(_TABLE.items())}


def _described(act: Act) -> str:
    parameters = [
        p.name if p.default is p.empty else f"{p.name}={p.default}"
        for p in _parameters(act).values()
    ]
    return f"({', '.join(parameters)}) {meaning(act)}"


def meaning(act: Act) -> str:
    """The first paragraph of its docstring, in one line."""
    return " ".join((act.__doc__ or "").partition("\n\n")[0].split())


def _parameters(act: Act) -> dict[str, inspect.Parameter]:
    return {
        p.name: p
        for p in inspect.signature(act).parameters.values()
        if p.kind is inspect.Parameter.KEYWORD_ONLY
    }


def _checked(name: str, act: Act, given: Mapping[str, object]) -> dict[str, object]:
    """The parameters, numbers as floats where floats are wanted."""
    known = _parameters(act)
    for key in given:
        if key not in known:
            options = ", ".join(known) or "none"
            raise ValueError(f"{name}: no parameter {key!r}; known are {options}")
    for key, parameter in known.items():
        if parameter.default is parameter.empty and key not in given:
            raise ValueError(f"{name}: {key} must be given")
    hints = get_type_hints(act)
    return {key: value_of(hints[key], value, f"{name}: {key}") for key, value in given.items()}
