"""A rule as somebody writes it, on a box whose signals have every unit, fed by hand."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from dewline.config import load
from dewline.watch_plan import WatchPlan
from tests.watch.conftest import Bench

# Own names, so that no role of dewline has a say in what they mean.
UNITS = {
    "trace": "ppm",
    "gauge": "mbar",
    "bottle": "bar",
    "cold": "degC",
    "part": "%",
    "draught": "m3/h",
    "heap": "kg",
    "plain": "",
}
KEPT_IN = {"bottle": "mbar"}  # the unit inside the house, where it is another one


def load_rules(folder: Path, rules: dict[str, Any], **signals: str) -> WatchPlan:
    """The plan of these rules at heron, read from YAML; ``signals``: further ones of heron."""
    registers: list[dict[str, Any]] = [
        {"name": name, "table": "holding", "address": 2 * i, "type": "float32",
         "word_order": "ABCD", **({"unit": unit} if unit else {})}
        for i, (name, unit) in enumerate(UNITS.items())
    ]  # fmt: skip
    registers.append({"name": "switch", "table": "coil", "address": 0, "type": "bit"})
    config = {
        "site": "saltmarsh",
        "buses": {"panel": {"modbus_tcp": {"host": "127.0.0.1"}}},
        "instruments": {"panel": {"bus": "panel", "profile": "bench", "every": "1 s"}},
        "boxes": {
            "heron": {
                "signals": {name: f"panel.{name}" for name in (*UNITS, "switch")} | signals,
            }
        },
        "rules": rules,
    }
    (folder / "profiles").mkdir(exist_ok=True)
    profile = yaml.safe_dump({"title": "bench", "registers": registers})
    (folder / "profiles" / "bench.yaml").write_text(profile)
    (folder / "saltmarsh.yaml").write_text(yaml.safe_dump(config))
    return load(folder / "saltmarsh.yaml").plan.watch


class RuleBench(Bench):
    """Rules at heron by name, as they stand in YAML, and when each has raised."""

    def __init__(self, folder: Path, rules: dict[str, dict[str, Any]], **signals: str) -> None:
        super().__init__(load_rules(folder, rules, **signals))
        self.rules = tuple(rules)

    def feed(self, seconds: float, **values: float | None) -> None:
        """Readings of heron, each in the unit it is written in; None is no answer."""
        factor = {n: 1000.0 if n.removesuffix("_set") in KEPT_IN else 1.0 for n in values}
        self.at(seconds, **{name: v and v * factor[name] for name, v in values.items()})

    def raised_s(self, rule: str) -> list[float]:
        """The seconds at which a rule was raised."""
        return [s for s, transition, _ in self.told(rule) if transition == "raised"]


def for_every_unit(**keys: float) -> dict[str, dict[str, Any]]:
    """The same rule for a signal of each unit, named after it; ``keys`` in its unit."""
    return {
        name: {"signal": name} | {key: quantity(value, unit) for key, value in keys.items()}
        for name, unit in UNITS.items()
    }


def quantity(value: float, unit: str) -> str | float:
    """How a value stands in a rule."""
    return f"{value!r} {unit}" if unit else value
