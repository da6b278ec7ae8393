"""What people and faults can do in a lab, by name.

An act is a function of the plant, a place and keyword-only parameters; the
first paragraph of its docstring is its meaning in ``dewline simulate --acts``.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping

from dewline_sim.physics import box_acts, plant_acts
from dewline_sim.physics.plant import Plant

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
    act(plant, place, **_checked(name, _parameters(act), params))


def listing() -> dict[str, str]:
    """Every act with its parameters, their defaults where they have one, and its meaning."""
    return {name: _described(name, act) for name, act in sorted(_TABLE.items())}


def _described(name: str, act: Act) -> str:
    parameters = [
        p.name if p.default is p.empty else f"{p.name}={p.default}"
        for p in _parameters(act).values()
    ]
    summary = (act.__doc__ or name.replace("_", " ")).partition("\n\n")[0]
    return f"({', '.join(parameters)}) {' '.join(summary.split())}"


def _parameters(act: Act) -> dict[str, inspect.Parameter]:
    return {
        p.name: p
        for p in inspect.signature(act).parameters.values()
        if p.kind is inspect.Parameter.KEYWORD_ONLY
    }


def _checked(
    name: str, known: dict[str, inspect.Parameter], given: Mapping[str, object]
) -> dict[str, object]:
    for key in given:
        if key not in known:
            options = ", ".join(known) or "none"
            raise ValueError(f"{name}: no parameter {key!r}; known are {options}")
    for key, parameter in known.items():
        if parameter.default is parameter.empty and key not in given:
            raise ValueError(f"{name}: {key} must be given")
    return {key: _shaped(f"{name}: {key}", known[key], value) for key, value in given.items()}


def _shaped(where: str, parameter: inspect.Parameter, value: object) -> object:
    """Numbers for numbers, words for words, true or false for switches."""
    kind = str(parameter.annotation)
    if value is None and "None" in kind:
        return None
    if "bool" in kind:
        fits: bool = isinstance(value, bool)
    elif "int" in kind:
        fits = isinstance(value, int) and not isinstance(value, bool)
    elif "float" in kind:
        fits = isinstance(value, int | float) and not isinstance(value, bool)
    else:
        fits = isinstance(value, str)
    if not fits:
        raise ValueError(f"{where}: {value!r} is not a {kind}")
    return value
