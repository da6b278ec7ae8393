"""Whom the simulated lab's nights wake: told by the simulator, judged by the built-in rules.

That an ordinary week calls nobody, and that a climb calls one person who can be
relieved, is common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from dewline.config import load
from dewline.config.plan import Plan
from dewline.events import Entry
from dewline.followers.push.outbox import Outbox
from dewline.followers.push.page import Batch, Page
from dewline.followers.push.page_text import PageWriter
from dewline.hours import calendar_of
from dewline.readings import QUALITY_BY_TEXT, Command, Quality, Reading, Resumed, Scan
from dewline.replay.drive import Drive
from dewline.watch.watch import Watch
from dewline_sim.command import scene_of
from dewline_sim.config import config_of
from dewline_sim.story import Story

pytestmark = pytest.mark.long

MINUTE_MS = 60_000
STEP_MS = 2000
PUSH = {
    "contacts": {
        "night-desk": {
            "url_file": "night.url",
            "hours": "18:00-08:00",
            "escalate_after": "15 min",
            "then": "lab-head",
        },
        "lab-head": {"url_file": "head.url", "from_priority": "critical"},
    }
}


ALWAYS = {"contacts": {"desk": {"url_file": "desk.url"}}}


class Night:
    """A story through the watch to the phones of two people, with a word from them between."""

    def __init__(
        self,
        folder: Path,
        name: str,
        hours: float,
        without: tuple[str, ...] = (),
        push: dict[str, Any] = PUSH,
        step_ms: int = STEP_MS,
    ) -> None:
        self.step_ms = step_ms
        self.push = push
        self.scene = scene_of(name, hours=hours)
        self.plan = self._plan(folder, self.scene.story)
        self._without = without
        calendar = calendar_of(self.plan.watch.timezone, ())
        writer = PageWriter(self.plan.site, calendar.zone, self.plan.watch.rules)
        self.phones = {
            name: Outbox(
                contact,
                frozenset(p for p, who in self.plan.box_contacts.items() if name in who),
                calendar,
                writer,
            )
            for name, contact in self.plan.contacts.items()
        }
        self.pages: list[tuple[str, Page]] = []
        self.readings = 0
        self.passed_ms = 0
        self.drive = Drive(Watch(self.plan.watch), self.plan.hash, self._record)

    def _plan(self, folder: Path, story: Story) -> Plan:
        places = {
            bus: {"host": "127.0.0.1", "port": 5020}
            if entry["kind"] == "tcp"
            else {"port": f"/dev/{bus}"}
            for bus, entry in story.setup["buses"].items()
        }
        path = folder / "dewline.yaml"
        path.write_text(yaml.safe_dump({**config_of(story, places), "push": self.push}))
        return load(path).plan

    def _record(self, entry: Entry) -> None:
        for event in entry.outcome.events:
            self.send(event.time_ms)
            for phone in self.phones.values():
                phone.add(event.document(), event.time_ms)

    def send(self, now_ms: int) -> None:
        """What is due until then goes out."""
        for name, phone in self.phones.items():
            at_ms = phone.oldest_ms() or self.passed_ms or now_ms
            while (found := phone.next(at_ms)) is not None:
                if isinstance(found, Batch):
                    self.pages.append((name, found.page))
                    phone.settled(found, at_ms)
                elif found > now_ms:
                    break
                else:
                    at_ms = found
        self.passed_ms = now_ms

    def tell(self, hours: float = 1000.0, **instead: float) -> None:
        """Go on by that much, at most to the end; a scan of everything at each step.

        ``instead``: a role of heron and the value it is to show.
        """
        scene = self.scene
        if self.drive.at_ms is None:
            self.drive.feed(Resumed(scene.now_ms, scene.now_ms, "start", 0, self.plan.hash))
        changed = {f"heron.{r}": Reading(v, Quality.GOOD) for r, v in instead.items()}
        until_ms = scene.now_ms + hours * 60 * MINUTE_MS
        while not scene.ended and scene.now_ms < until_ms:
            now_ms, shown = scene.now_ms, {**self._shown(), **changed}
            self.readings += len(shown)
            self.drive.feed(Scan(now_ms, now_ms, "lab", shown))
            scene.advance(now_ms + self.step_ms)
        self.send(scene.now_ms + MINUTE_MS)

    def _shown(self) -> dict[str, Reading]:
        return {
            signal: Reading(number, QUALITY_BY_TEXT[quality])
            for signal, number, quality in self.scene.shown()
            if not signal.startswith(self._without)
        }

    def say(self, command: Any, alarm: str) -> None:
        """A word from a person, now."""
        now_ms = self.scene.now_ms
        self.drive.feed(Command(now_ms, now_ms, "mqtt", command, "rui", alarm=alarm))

    def of(self, word: str) -> list[tuple[str, str]]:
        return [(who, page.tone) for who, page in self.pages if word in page.text]


def test_two_ordinary_nights_wake_nobody(tmp_path: Path) -> None:
    """From Monday midnight to Tuesday morning, two boxes, work by day: not one page."""
    night = Night(tmp_path, "ordinary", 33, step_ms=5000)
    night.tell()
    assert datetime.fromtimestamp(night.scene.now_ms / 1000, UTC).hour >= 8
    assert [page.text for _, page in night.pages] == []
    assert night.readings > 500_000


def test_a_climb_pages_once_escalates_falls_silent_and_tells_its_end_once(tmp_path: Path) -> None:
    """One page to the night desk; nobody answers: one to the lab head; acknowledged: silence.

    The return reaches both, once. Every page is short and ends in its rule's advice.
    """
    night = Night(tmp_path, "night", 12, without=("egret.",))
    night.tell(hours=9.5)
    assert night.of("HERON moisture") == [("night-desk", "high"), ("lab-head", "high")]
    (called,) = (
        row["alarm"]
        for row in night.drive.watch.alarm_table()
        if row["state"] == "unacknowledged" and row["priority"] == "high"
    )
    night.say("acknowledge", called)
    told = len(night.pages)
    night.tell(hours=0.5)
    assert [page.text for _, page in night.pages[told:]] == []
    night.tell(hours=1.8, moisture=0.2)
    ends = [(who, page.tone) for who, page in night.pages[told:]]
    assert sorted(ends) == [("lab-head", "over"), ("night-desk", "over")]
    steps = {rule.advice[:25] for rule in night.plan.watch.rules.values() if rule.advice}
    for _, page in night.pages:
        assert len(page.title) + 1 + len(page.text) < 200
        assert page.tone == "over" or any(step in page.text for step in steps)


def test_one_rush_of_air_is_one_page_and_one_end(tmp_path: Path) -> None:
    """168 ppm at 09:30, an hour on the way down past 100 and 10 ppm: told once, over once."""
    night = Night(tmp_path, "bed-oxygen", 2.75, push=ALWAYS)
    night.tell()
    assert [(page.tone, page.text[:23]) for _, page in night.pages] == [
        ("high", "HERON oxygen 168 ppm, a"),
        ("over", "OVER at 10:27 after 58 "),
    ]


def test_clean_up_after_a_stop_that_is_over_is_no_new_trouble(tmp_path: Path) -> None:
    """The circulator stood from 01:42 to six, untold since medium: told is where that leads to.

    What it left behind goes by itself: from six on nobody is called.
    """
    night = Night(tmp_path, "circulator-trip", 11.5, push=ALWAYS)
    night.tell(hours=10)
    assert {page.tone for _, page in night.pages} == {"high"}
    told = len(night.pages)
    night.tell()
    assert {page.tone for _, page in night.pages[told:]} <= {"over"}
    table = {row["alarm"]: row["state"] for row in night.drive.watch.alarm_table()}
    assert table["heron.circulation-stopped"] == "returned"
