"""Several buses lost at once are one page: the built-in rules, fed as the daemon feeds itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from dewline.config import load
from dewline.events import Entry, Event
from dewline.readings import Quality, Reading, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch

START_MS = 1_772_417_640_000
BUSES = ("one", "two", "three")
CONFIG = """\
site: saltmarsh
buses:
  one: {modbus_tcp: {host: 127.0.0.1, port: 5020}}
  two: {modbus_tcp: {host: 127.0.0.1, port: 5021}}
  three: {modbus_tcp: {host: 127.0.0.1, port: 5022}}
instruments:
  panel: {bus: one, profile: box-panel}
  trace: {bus: two, profile: trace-gas}
  air: {bus: three, profile: room-air}
boxes:
  heron:
    signals: {oxygen: trace.o2, moisture: trace.h2o, pressure: panel.box_pressure}
rule_sets: [inert-box]
push: {contacts: {desk: {url_file: desk.url, from_priority: low}}}
"""


class Cut:
    """A watch of three buses; ``down``: the second in which each bus is lost."""

    def __init__(self, folder: Path, down: Mapping[str, int], back_s: int, end_s: int) -> None:
        path = folder / "dewline.yaml"
        path.write_text(CONFIG)
        plan = load(path).plan
        self.events: list[Event] = []
        self.drive = Drive(Watch(plan.watch), plan.hash, self._record)
        for second in range(end_s):
            self.tell(second, {b for b, s in down.items() if s <= second < back_s})

    def _record(self, entry: Entry) -> None:
        self.events += entry.outcome.events

    def tell(self, second: int, lost: set[str]) -> None:
        at_ms = START_MS + second * 1000
        boxes: dict[str, Reading] = {}
        for bus, values in (("two", {"oxygen": 0.3, "moisture": 0.4}), ("one", {"pressure": 2.0})):
            for role, value in values.items():
                answer = Reading(value + second % 7 / 100, Quality.GOOD)
                gone = Reading(None, Quality.NO_ANSWER)
                boxes[f"heron.{role}"] = gone if bus in lost else answer
        self.drive.feed(Scan(at_ms, at_ms, "lab", boxes))
        if second % 5 == 0:
            own = {f"daemon.{bus}-link": float(bus not in lost) for bus in BUSES}
            own |= {f"daemon.{name}-answer": own[f"daemon.{bus}-link"] for name, bus in ANSWERS}
            own["daemon.buses-lost"] = float(len(lost))
            readings = {name: Reading(value, Quality.GOOD) for name, value in own.items()}
            self.drive.feed(Scan(at_ms, at_ms, "daemon", readings))

    def called(self) -> list[str]:
        """The alarms that called people, in order."""
        return [e.alarm for e in self.events if e.state == "unacknowledged"]


ANSWERS = (("panel", "one"), ("trace", "two"), ("air", "three"))


@pytest.mark.long
def test_three_buses_lost_in_one_cut_are_one_page(tmp_path: Path) -> None:
    """Lost within seven seconds, back after twenty minutes: one call, and nothing is left."""
    cut = Cut(tmp_path, {"one": 100, "two": 103, "three": 107}, back_s=1300, end_s=1500)
    assert cut.called() == ["daemon.several-buses-lost"]
    assert [row["alarm"] for row in cut.drive.watch.alarm_table()] == ["daemon.several-buses-lost"]


def test_one_lost_bus_is_called_by_its_name(tmp_path: Path) -> None:
    """The other two answer, so it is that bus."""
    cut = Cut(tmp_path, {"two": 100}, back_s=1300, end_s=1500)
    assert cut.called() == ["daemon.two-lost"]


def test_the_bus_that_stays_away_is_told(tmp_path: Path) -> None:
    """Two come back and the third does not: then it is called by its name."""
    cut = Cut(tmp_path, {"one": 100, "two": 100}, back_s=400, end_s=400)
    for second in range(400, 800):
        cut.tell(second, {"two"})
    assert cut.called() == ["daemon.several-buses-lost", "daemon.two-lost"]
