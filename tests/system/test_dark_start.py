"""The daemon starts before anything that it connects to."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

pytestmark = pytest.mark.long


def _config(folder: Path, dead: int, broker: int) -> Path:
    """A config that names every far side while none is there: buses, broker, store, pages."""
    document = {
        "site": "saltmarsh",
        "journal": {"path": "marsh.db", "commit_every": "200 ms"},
        "buses": {
            "panel": {"modbus_tcp": {"host": "127.0.0.1", "port": dead}},
            "analyzers": {"modbus_rtu": {"port": str(folder / "no-adapter"), "baud": 19200}},
            "frost": {"ascii": {"port": str(folder / "no-meter"), "baud": 9600}},
        },
        "instruments": {
            "heron-panel": {"bus": "panel", "profile": "box-panel"},
            "heron-trace": {"bus": "analyzers", "unit": 11, "profile": "trace-gas"},
            "heron-frost": {"bus": "frost", "profile": "frost-stream"},
        },
        "boxes": {
            "heron": {
                "signals": {
                    "pressure": "heron-panel.box_pressure",
                    "moisture": "heron-trace.h2o",
                    "frost_point": "heron-frost.frost_point",
                }
            }
        },
        "rule_sets": ["inert-box"],
        "mqtt": {"port": broker},
        "influx": {"url": f"http://127.0.0.1:{dead}", "token_file": "no.token"},
        "push": {"contacts": {"desk": {"url_file": "no.url"}}},
    }
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document))
    return path


async def test_nothing_is_there_at_the_start(
    tmp_path: Path,
    make_daemon: Callable[[Path], Any],
    broker: Any,
    subscribe: Any,
    free_port: Callable[[], int],
) -> None:
    """It goes on: one alarm for all lost buses, published once the broker is there."""
    broker.stop()
    daemon = make_daemon(_config(tmp_path, free_port(), broker.port))
    await asyncio.to_thread(daemon.start)
    for bus in ("panel", "analyzers", "frost"):
        await asyncio.to_thread(daemon.until, f"daemon.{bus}-lost", "suppressed")
    await asyncio.to_thread(daemon.until, "daemon.several-buses-lost", "unacknowledged")
    await asyncio.to_thread(daemon.until, "daemon.page-desk-barred", "unacknowledged")
    assert "no.url" in daemon.status()["followers"]["push"]["barred"]["page-desk"]
    broker.start()
    ear = await subscribe(broker.port, "dewline/saltmarsh/event")

    def raised(ear: Any) -> set[str]:
        told = ear.documents("dewline/saltmarsh/event")
        return {e["alarm"] for e in told if e["transition"] == "raised"}

    await ear.until(lambda e: "daemon.several-buses-lost" in raised(e))
    assert not any(alarm.endswith("-silent") for alarm in raised(ear))
    assert {a for a in raised(ear) if a.endswith("-lost")} == {"daemon.several-buses-lost"}
    assert await asyncio.to_thread(daemon.stop) == 0
    assert "Traceback" not in daemon.log.read_text()
