"""Register maps, own values and typical sensors of the lab's instruments: ``instruments.yaml``."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from typing import TypedDict

from dewline_sim.instruments.registers import Register, check_map
from dewline_sim.typed_tree import Tree, build, read_yaml


class _Instruments(TypedDict):
    maps: dict[str, dict[str, Tree]]
    own: dict[str, float]
    sensors: dict[str, Tree]


def _map(profile: str, registers: Mapping[str, Tree]) -> tuple[Register, ...]:
    """One register map; ValueError where two of its registers lie on each other."""
    found = tuple(
        build(Register, {"name": name, **entry}, f"{profile}.{name}")
        for name, entry in registers.items()
    )
    check_map(found)
    return found


_FILE = resources.files("dewline_sim.instruments") / "instruments.yaml"
_INSTRUMENTS = build(_Instruments, read_yaml(_FILE), "instruments.yaml")

MAPS = {profile: _map(profile, entries) for profile, entries in _INSTRUMENTS["maps"].items()}
OWN: Mapping[str, float] = _INSTRUMENTS["own"]
TYPICAL: Mapping[str, Tree] = _INSTRUMENTS["sensors"]
