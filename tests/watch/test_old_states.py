"""States that an older program saved: they open, and nothing of them is lost.

``saved_by_version_1.json`` holds three states of one box, recorded at commit 5bd6980: in a
regeneration, in a stop of the loop, and in a transfer. The courses in their histories are cut to
the last six values.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from dewline.watch.watch import Watch
from dewline.watch_plan import (
    Above,
    AnalyzerPlan,
    AntechamberPlan,
    BoxPlan,
    FalseFor,
    PurifierPlan,
    RulePlan,
    SignalPlan,
    WatchPlan,
)
from tests.watch.test_saved_watch import NOT_KEPT, RENAMED

STATES: dict[str, Any] = json.loads(
    (Path(__file__).parent / "data" / "saved_by_version_1.json").read_text(encoding="utf-8")
)
UNITS = {
    "large_pressure": "mbar", "bed_in_loop": "", "bed_temperature": "degC",
    "regeneration_step": "", "forming_gas_flow": "L/min", "freezer_compressor": "",
    "relief_valve": "", "circulation_flow": "m3/h",
}  # fmt: skip

# What is kept since then, and how it stands where nothing was recorded.
NEWER: dict[str, dict[str, Any]] = {"sensors": {"zeroed": {}}}


# What version 1 did not have: attributes of the nitrogen and of a box, and parts of a box.
NITROGEN_SINCE = ("calm_ml", "floor_ml", "late_ml", "late_ms")
PARTS_SINCE = ("purge limit oxygen", "purge limit moisture")
BOX_SINCE = ("fill_ms", "relief_ms", "last_mbar", "last_ms")


@pytest.fixture
def plan(
    make_plan: Callable[..., WatchPlan],
    make_rule: Callable[..., RulePlan],
    make_signal: Callable[..., SignalPlan],
) -> WatchPlan:
    """The plan under which the states were recorded."""
    rules = [
        make_rule("high", "oxygen", Above(1.0), unit="ppm"),
        make_rule("wet", "moisture", Above(5.0), unit="ppm", on_s=120),
        make_rule("stopped", "circulating", FalseFor(180_000), unit="s"),
        make_rule("doubt", "oxygen_doubt", Above(1.0)),
    ]
    made = make_plan(rules, extra=[make_signal(f"heron.{r}", u) for r, u in UNITS.items()])
    analyzers = (
        AnalyzerPlan("oxygen", "zirconia", "box", 0.05),
        AnalyzerPlan("moisture", "capacitive", "box", 0.3),
    )
    made.boxes["heron"] = BoxPlan(
        name="heron", gas="argon", volume_m3=1.2, purifier="p1", refill_from="box",
        antechambers=(AntechamberPlan("large", 0.062, 3, 5.0),), analyzers=analyzers,
    )  # fmt: skip
    made.purifiers["p1"] = PurifierPlan(
        name="p1", flow_m3_h=60.0, oxygen_capacity_l=30.0, water_capacity_kg=1.2, beds=2
    )
    return made


def renamed(value: Any, part: str) -> Any:
    """A state of version 1 with the keys of today, without what is not kept any more."""
    if isinstance(value, dict):
        names = RENAMED.get(part, {})
        kept = {k: renamed(v, part) for k, v in value.items() if k not in NOT_KEPT}
        return {names.get(k) or k.lstrip("_"): v for k, v in kept.items()}
    return value


@pytest.mark.parametrize("moment", STATES)
@pytest.mark.parametrize("part", ["derive", "explain", "sensors"])
def test_a_state_of_version_1_is_restored_whole(plan: WatchPlan, moment: str, part: str) -> None:
    """Saved again by the watch that took it over, every value is the one that was recorded."""
    watch = Watch(plan)
    watch.restore(STATES[moment])
    saved = json.loads(json.dumps(watch.save(), allow_nan=False))
    recorded = renamed(STATES[moment][part], part)
    for box in saved[part]["boxes"].values() if part == "derive" else ():
        for name in (*PARTS_SINCE, *BOX_SINCE):
            del box[name]
        for name in NITROGEN_SINCE:
            del box["nitrogen"][name]
    for box in recorded["boxes"].values() if part == "derive" else ():
        chamber = box["transfer large"]["chamber"]
        chamber["rise_from"] = chamber["rise_from"] or [0, 0.0]  # none was written as []
    assert saved[part] == {**NEWER.get(part, {}), **recorded}
