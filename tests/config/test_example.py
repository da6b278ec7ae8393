"""The example that a user copies, and what the plan makes of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dewline.config import load, plan_hash, watch_plan_from_json, watch_plan_to_json
from dewline.config.loader import Loaded
from dewline.hours import Span
from dewline.watch_plan import Above, Rising, StaleAfter, UnchangedFor

EXAMPLES = Path(__file__).resolve().parents[2] / "config"


@pytest.fixture(name="example", scope="module")
def example_fixture() -> Loaded:
    return load(EXAMPLES / "example.yaml")


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.yaml")), ids=lambda p: p.name)
def test_every_example_is_right(path: Path) -> None:
    """What a user copies passes without an error."""
    assert load(path).plan.watch.rules


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.yaml")), ids=lambda p: p.name)
def test_built_in_rules_work_with_the_built_in_profiles(path: Path) -> None:
    """No warning is about a built-in rule: each can fire and end with the profiles we ship."""
    assert [w for w in load(path).warnings if w.key.startswith("rules.")] == []


def test_missing_files_and_ports_are_warnings_only(example: Loaded) -> None:
    """A config is checked on another machine than it runs on."""
    keys = {w.key for w in example.warnings}
    assert {"buses.analyzers.modbus_rtu.port", "mqtt.password_file", "mqtt.tls.ca"} <= keys
    assert all(w.line > 0 and w.remedy for w in example.warnings)


def test_quantities_are_canonical(example: Loaded) -> None:
    """Volumes are in m3, flows in m3/h, capacities in L and kg, durations in ms."""
    plan = example.plan
    heron, purifier = plan.watch.boxes["heron"], plan.watch.purifiers["p1"]
    assert heron.volume_m3 == 1.1
    assert [(a.name, a.volume_m3) for a in heron.antechambers] == [
        ("large", 0.062),
        ("small", 0.0035),
    ]
    assert (purifier.flow_m3_h, purifier.oxygen_capacity_l, purifier.water_capacity_kg) == (
        60,
        30,
        1.2,
    )
    assert plan.journal.keep_raw_ms == 30 * 86_400_000
    assert plan.journal.path == EXAMPLES / "saltmarsh.db"
    assert plan.watch.staffed == (Span(8 * 60, 18 * 60, (0, 1, 2, 3, 4)),)
    assert plan.contacts["night-desk"].hours == (Span(19 * 60, 7 * 60),)


def test_rules_of_the_example(example: Loaded) -> None:
    """Every condition of the example becomes what it says, in the signal's unit."""
    rules = example.plan.watch.rules
    assert rules["heron.moisture-high"].condition == Above(3.0)
    assert rules["heron.moisture-high"].deadband == 1.0
    assert rules["heron.moisture-high"].on_delay_ms == 120_000
    assert rules["heron.moisture-high"].suppress_while == (
        ("purging", 4 * 3_600_000),
        ("regenerating", 30 * 3_600_000),
    )
    assert rules["heron.moisture-climbing"].condition == Rising(0.5, 90 * 60_000, 0.95)
    assert rules["heron.moisture-climbing"].unit == "ppm/h"
    assert rules["heron.moisture-stale"].condition == StaleAfter(15_000)
    assert rules["heron.moisture-frozen"].condition == UnchangedFor(6 * 3_600_000, 0.2)


def test_signals_know_their_road(example: Loaded) -> None:
    """A signal names its instrument and bus, so that a lost bus can answer for it."""
    moisture = example.plan.watch.signals["heron.moisture"]
    assert (moisture.instrument, moisture.bus, moisture.unit) == (
        "heron-trace",
        "analyzers",
        "ppm",
    )
    assert example.plan.watch.signals["house-nitrogen.pressure"].unit == "mbar"


def test_watch_plan_survives_json(example: Loaded) -> None:
    """The journal keeps the plan as text; what comes back is the very same."""
    watch = example.plan.watch
    text = watch_plan_to_json(watch)
    back = watch_plan_from_json(text)
    assert back == watch
    assert watch_plan_to_json(back) == text
    assert list(back.rules) == list(watch.rules)
    assert plan_hash(back) == example.plan.hash


def test_hash_names_the_watch_plan(small: str, loaded: object) -> None:
    """The hash follows what is judged, not how it was written down."""
    assert callable(loaded)
    first = loaded(small).plan.hash
    assert len(first) == 16
    assert int(first, 16) >= 0
    assert loaded("# a remark\n" + small).plan.hash == first
    assert loaded(small.replace("above: 5 ppm", "above: 5000 ppb")).plan.hash == first
    assert loaded(small.replace("above: 5 ppm", "above: 6 ppm")).plan.hash != first


def test_the_first_steps_of_the_guide_fit_the_first_config() -> None:
    """What README says to type is answered: the broker is asked for, the alarms are there."""
    plan = load(EXAMPLES / "first.yaml").plan
    readme = (EXAMPLES.parent / "README.md").read_text("utf-8")
    assert plan.mqtt is not None
    named = re.findall(r"venv/bin/dewline (?:ack|shelve) (\S+)", readme)
    assert len(named) >= 2
    assert set(named) <= set(plan.watch.rules)
    assert set(re.findall(r"venv/bin/dewline planned (\S+)", readme)) <= set(plan.watch.boxes)


def test_maintenance_silences_the_plant_and_not_the_gas(example: Loaded) -> None:
    """Work on loop and analyzers is announced as such; a box that loses its gas still calls."""
    rules = example.plan.watch.rules
    silent = {r.rule for r in rules.values() if "maintenance" in dict(r.suppress_while)}
    assert {"circulation-stopped", "oxygen-stale", "oxygen-high"} <= silent
    gas = {"pressure-low", "pressure-extreme", "containment-lost", "oxygen-very-high", "fill-open"}
    assert not silent & gas
