"""The named sums of ``gas`` that an expression may use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dewline.gas.air import room_air
from dewline.gas.constants import ZERO_C_K
from dewline.gas.humidity import dew_point_c, frost_point_c, ice_pressure_pa, ppm_of_vapour


@dataclass(frozen=True, slots=True)
class Function:
    """A sum of ``gas``: the units it takes and gives. A pressure in Pa has to be absolute."""

    takes: tuple[str, ...]
    gives: str
    compute: Callable[..., float]


def _ppm_of_frost_point(frost_point_c: float, pressure_pa: float) -> float:
    return ppm_of_vapour(ice_pressure_pa(frost_point_c + ZERO_C_K), pressure_pa)


def _water_of_air(temperature_c: float, humidity_percent: float, pressure_pa: float) -> float:
    return room_air(temperature_c, humidity_percent, pressure_pa).water_ppm


FUNCTIONS: dict[str, Function] = {
    "frost_point": Function(("ppm", "Pa"), "degC", frost_point_c),
    "dew_point": Function(("ppm", "Pa"), "degC", dew_point_c),
    "ppm_of_frost_point": Function(("degC", "Pa"), "ppm", _ppm_of_frost_point),
    "water_of_air": Function(("degC", "%", "Pa"), "ppm", _water_of_air),
}
