"""The result of a leak test as JSON, and what the ledger keeps of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypedDict

from dewline.gas.hold import HoldResult
from dewline.gas.ingress import OxygenResult
from dewline.readings import iso_utc
from dewline.reports.pressure_hold import Findings

# "class" and "from" are Python's own words and need the other way of writing a TypedDict.
_ClassNumber = TypedDict("_ClassNumber", {"class": int | None})
_Times = TypedDict("_Times", {"from": str, "to": str})


class MethodDocument(_ClassNumber):
    """What both methods give. Rates are in 1/h, loss negative; ``budget``: parts of ``expanded``.

    ``resolved``: the rate is larger than its expanded uncertainty. ``class``: of ISO 10648-2.
    """

    seconds: float
    hourly_rate: float
    expanded: float
    resolved: bool
    budget: dict[str, float]


class HoldDocument(MethodDocument):
    """A pressure hold; the raw rate is without, the rigid one with compensation for the air."""

    mean_gauge_mbar: float
    coverage_factor: float
    raw_hourly_rate: float
    rigid_hourly_rate: float


class OxygenDocument(MethodDocument):
    """An oxygen method; ``air_l_h``: air leaking in, in L/h."""

    air_l_h: float


class FindingsDocument(_Times):
    """A leak test; ``own_best``: the smallest rate of earlier tests, in 1/h."""

    box: str
    pressure_hold: HoldDocument | None
    oxygen_method: OxygenDocument | None
    own_best: float | None
    remarks: list[str]


def document(found: Findings, own_best_per_h: float | None = None) -> FindingsDocument:
    """The findings as JSON. ``own_best_per_h``: the best earlier test of the box, in 1/h."""
    return {
        "box": found.box,
        "from": iso_utc(found.from_ms),
        "to": iso_utc(found.to_ms),
        "pressure_hold": None if found.hold is None else _hold_document(found.hold),
        "oxygen_method": None if found.oxygen is None else _oxygen_document(found.oxygen),
        "own_best": own_best_per_h,
        "remarks": list(found.remarks),
    }


def own_best(earlier: Iterable[Mapping[str, object]]) -> float | None:
    """The smallest rate, in 1/h, that earlier tests resolved by either method; None for none.

    ``earlier``: documents of the ledger.
    """
    methods = (test.get(name) for test in earlier for name in ("pressure_hold", "oxygen_method"))
    found = [method for method in methods if isinstance(method, Mapping) and method["resolved"]]
    return min((abs(method["hourly_rate"]) for method in found), default=None)


def _hold_document(found: HoldResult) -> HoldDocument:
    return {
        "seconds": found.duration_s,
        "mean_gauge_mbar": found.mean_gauge_mbar,
        "hourly_rate": found.per_h,
        "expanded": found.expanded_per_h,
        "coverage_factor": found.coverage_factor,
        "raw_hourly_rate": found.raw_l_h / found.volume_l,
        "rigid_hourly_rate": found.rigid_l_h / found.volume_l,
        "resolved": found.resolved,
        "class": found.class_number,
        "budget": {name: part / found.volume_l for name, part in found.budget_l_h.items()},
    }


def _oxygen_document(found: OxygenResult) -> OxygenDocument:
    return {
        "seconds": found.duration_s,
        "hourly_rate": found.per_h,
        "expanded": found.expanded_per_h,
        "air_l_h": found.air_l_h,
        "resolved": found.resolved,
        "class": found.class_number,
        "budget": dict(found.budget_per_h),
    }
