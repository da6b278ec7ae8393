"""Print every page that every story would send, to be read as the person woken. No test itself.

Usage: python -m tests.score.pages [STORY ...] [--hours H] [--out FILE]

Each story is told by the simulator, judged by the rules of its own lab, and its events go
through the outboxes of three invented contacts; nobody acknowledges anything.
Ends with 1 where a page is too long or has no next step.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any, TextIO

import yaml

from dewline.config import Plan, load
from dewline.events import Entry
from dewline.followers.push.outbox import Outbox
from dewline.followers.push.page import Batch, Page
from dewline.followers.push.page_text import PageWriter
from dewline.hours import calendar_of, zone_of
from dewline.readings import QUALITY_BY_TEXT, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline_sim import story as stories
from dewline_sim.command import scene_of
from dewline_sim.config import config_of

PUSH = {
    "contacts": {
        "night-desk": {
            "url_file": "night.url",
            "hours": "18:00-08:00",
            "escalate_after": "15 min",
            "then": "lab-head",
        },
        "day-desk": {"url_file": "day.url", "from_priority": "medium", "hours": "08:00-18:00"},
        "lab-head": {"url_file": "head.url", "from_priority": "critical"},
    }
}
LONGEST = 200
STEP_MS = 2000


class Phones:
    """The outboxes of all contacts, moved along by the times of events."""

    def __init__(self, plan: Plan) -> None:
        calendar = calendar_of(plan.watch.timezone, ())
        writer = PageWriter(plan.site, calendar.zone, plan.watch.rules)
        self.boxes = {
            name: Outbox(
                contact,
                frozenset(p for p, who in plan.box_contacts.items() if name in who),
                calendar,
                writer,
            )
            for name, contact in plan.contacts.items()
        }
        self.sent: list[tuple[int, str, Page]] = []
        self._passed_ms = 0

    def hear(self, entry: Entry) -> None:
        for event in entry.outcome.events:
            self.pass_to(event.time_ms)
            for box in self.boxes.values():
                box.add(event.document(), event.time_ms)

    def pass_to(self, now_ms: int) -> None:
        """Everything that is due until then goes out."""
        for name, box in self.boxes.items():
            at_ms = box.oldest_ms() or self._passed_ms or now_ms
            while (found := box.next(at_ms)) is not None:
                if isinstance(found, Batch):
                    self.sent.append((at_ms, name, found.page))
                    box.settled(found, at_ms)
                elif found > now_ms:
                    break
                else:
                    at_ms = found
        self._passed_ms = now_ms


def plan_of(folder: Path, story: stories.Story) -> Plan:
    places = {
        bus: {"host": "127.0.0.1", "port": 5020}
        if entry["kind"] == "tcp"
        else {"port": f"/dev/{bus}"}
        for bus, entry in story.setup["buses"].items()
    }
    document: dict[str, Any] = {**config_of(story, places), "push": PUSH}
    path = folder / "dewline.yaml"
    path.write_text(yaml.safe_dump(document, sort_keys=False))
    return load(path).plan


def pages_of(name: str, hours: float | None) -> Iterator[tuple[int, str, Page]]:
    """(wall ms, contact, page) of a story, a scan of everything every two seconds."""
    scene = scene_of(name, hours=hours)
    with tempfile.TemporaryDirectory() as folder:
        plan = plan_of(Path(folder), scene.story)
    phones = Phones(plan)
    drive = Drive(Watch(plan.watch), plan.hash, phones.hear)
    drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, plan.hash))
    while not scene.ended:
        readings = {
            signal: Reading(number, QUALITY_BY_TEXT[quality])
            for signal, number, quality in scene.shown()
        }
        drive.feed(Scan(scene.now_ms, scene.now_ms, "lab", readings))
        scene.advance(scene.now_ms + STEP_MS)
    phones.pass_to(scene.now_ms + 3_600_000)
    yield from sorted(phones.sent, key=lambda one: one[0])


def wrong(page: Page) -> str:
    """What is wrong with a page, in a word."""
    if len(page.repeated().title) + 1 + len(page.text) >= LONGEST:
        return "TOO LONG"
    return "" if ". " in page.text and not page.text.endswith("… ") else "NO NEXT STEP"


def tell(name: str, hours: float | None, out: TextIO) -> int:
    zone = zone_of("Europe/Lisbon")
    title = stories.names()[name]
    print(f"\n## {name}: {title}\n", file=out)
    bad = count = 0
    for at_ms, contact, page in pages_of(name, hours):
        count += 1
        fault = wrong(page)
        bad += bool(fault)
        moment = f"{datetime.fromtimestamp(at_ms / 1000, zone):%a %H:%M:%S}"
        print(f"{moment}  to {contact}  [{page.title}]  {fault}\n  {page.text}", file=out)
    print(f"{count} pages", file=out, flush=True)
    return bad


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("stories", nargs="*", help="default: all")
    parser.add_argument("--hours", type=float, help="only so much of each")
    parser.add_argument("--out", type=argparse.FileType("w"), default=sys.stdout)
    args = parser.parse_args()
    bad = sum(tell(name, args.hours, args.out) for name in args.stories or stories.names())
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
