"""The lab that the rows share: boxes of twelve signals, one instrument each, and its config."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import yaml

# name, scale, unit: one holding register each, in one block. All are roles of the built-in rules.
SIGNALS = (
    ("oxygen", 0.01, "ppm"),
    ("moisture", 0.01, "ppm"),
    ("pressure", 0.01, "mbar"),
    ("temperature", 0.1, "degC"),
    ("circulating", 1, ""),
    ("purging", 1, ""),
    ("regenerating", 1, ""),
    ("large_pressure", 0.1, "mbar"),
    ("large_inner_door", 1, ""),
    ("large_outer_door", 1, ""),
    ("circulation_flow", 0.1, "m3/h"),
    ("bed_temperature", 0.1, "degC"),
)
REFERENCES = {"pressure": "gauge", "large_pressure": "absolute"}
BIRDS = ("heron", "egret", "bittern", "curlew", "avocet", "godwit", "teal", "plover")


def registers() -> list[dict[str, Any]]:
    """The profile's registers."""
    return [
        {"name": name, "table": "holding", "address": address, "type": "uint16", "scale": scale}
        | ({"unit": unit} if unit else {})
        | ({"reference": REFERENCES[name]} if name in REFERENCES else {})
        for address, (name, scale, unit) in enumerate(SIGNALS)
    ]


def box_names(count: int) -> list[str]:
    """``heron``, …, ``heron-2``, …"""
    rounds = range(1, count // len(BIRDS) + 2)
    names = [bird if n == 1 else f"{bird}-{n}" for n in rounds for bird in BIRDS]
    return names[:count]


def document(ports: Sequence[int], every_ms: int) -> dict[str, Any]:
    """A config with one box an instrument, each on a port of its own, the whole rule set."""
    names = box_names(len(ports))
    return {
        "site": "saltmarsh",
        "journal": {"path": "marsh.db", "reserve": "0 MB"},
        "buses": {
            f"{name}-bus": {"modbus_tcp": {"host": "127.0.0.1", "port": port}}
            for name, port in zip(names, ports, strict=True)
        },
        "instruments": {
            f"{name}-panel": {
                "bus": f"{name}-bus",
                "profile": "twelve",
                "every": f"{every_ms} ms",
            }
            for name in names
        },
        "boxes": {
            name: {
                "volume": "1.1 m3",
                "antechambers": {"large": {"volume": "62 L"}},
                "signals": {signal: f"{name}-panel.{signal}" for signal, _, _ in SIGNALS},
            }
            for name in names
        },
        "rule_sets": ["inert-box"],
    }


def write(folder: Path, config: dict[str, Any]) -> Path:
    """Put a config and the profile it names into a folder of its own."""
    (folder / "profiles").mkdir(parents=True, exist_ok=True)
    (folder / "profiles" / "twelve.yaml").write_text(yaml.safe_dump({"registers": registers()}))
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(config, sort_keys=False))
    return path
