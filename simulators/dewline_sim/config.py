"""The watcher's config of a simulated lab: the lab's own file with the endpoints filled in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import yaml

from dewline_sim.server import Served
from dewline_sim.setup import BusEntry
from dewline_sim.story import Story
from dewline_sim.typed_tree import Tree

#: Keys of an instrument's entry that are for the physics and not for the watcher.
_OF_PHYSICS = ("place", "wiring", "sensors", "own")
_COPIED = ("services", "purifiers", "boxes", "rule_sets", "rules")
Place = Mapping[str, object]


def config_of(story: Story, places: Mapping[str, Place]) -> Tree:
    """The config document. ``places`` names each bus's ``host`` and ``port``, or ``port`` path.

    Of an instrument only what the watcher reads it by is taken over; places
    and rules are copied as the story has them.
    """
    setup = story.setup
    document: Tree = {
        "site": setup.get("site", "saltmarsh"),
        "timezone": setup.get("timezone", "UTC"),
        "staffed": "08:00-18:00",
        "journal": {"path": f"{story.name}.db"},
        "buses": {bus: _bus(entry, places[bus]) for bus, entry in setup["buses"].items()},
        "instruments": {
            name: {k: v for k, v in entry.items() if k not in _OF_PHYSICS}
            for name, entry in setup["instruments"].items()
        },
    }
    parts = dict(setup)
    return document | {key: parts[key] for key in _COPIED if key in parts}


def _bus(entry: BusEntry, place: Place) -> Tree:
    if entry["kind"] == "tcp":
        return {"modbus_tcp": dict(place)}
    kind, usual = ("modbus_rtu", 19_200) if entry["kind"] == "rtu" else ("ascii", 9600)
    return {kind: {**place, "baud": entry.get("baud", usual)}}


def endpoints_of(served: Served) -> dict[str, Place]:
    """Where each bus of a served lab is found."""
    tcp: dict[str, Place] = {
        bus: {"host": served.endpoints.host, "port": link.port}
        for bus, link in served.ports.items()
    }
    return tcp | {bus: {"port": str(line.port.path)} for bus, line in served.lines.items()}


def write_config(folder: Path, story: Story, places: Mapping[str, Place]) -> Path:
    """Write ``dewline.yaml`` for a served story into ``folder``.

    The broker is looked for where a machine's own is: on loopback, on the port that IANA keeps
    for MQTT.
    """
    document = config_of(story, places)
    text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=100)
    path = folder / "dewline.yaml"
    path.write_text(
        f"# {story.title}: the simulated lab of this story.\n"
        f"{text}mqtt: {{host: 127.0.0.1, port: 1883}}\n",
        encoding="utf-8",
    )
    return path
